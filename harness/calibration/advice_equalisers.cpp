/// Equaliser bands and plain gains: boosts that no driver or limiter has room for, widths that are slips, the same band
/// twice.
#include <algorithm>
#include <cmath>
#include <span>

#include "harness/analysis/decibels.hpp"
#include "harness/calibration/advice.hpp"
#include "harness/calibration/filters.hpp"

namespace rackproof::advice {
namespace {

// Common practice, no source, all of these. 10 dB are ten times the power; a horn of constant directivity may take 6 to
// 10 dB of shelf; all boosts together stay below 15.
constexpr double kMostBoost_db = 10, kMostBoostTogether_db = 15;
// A boost that rings, a cut narrower than any room's, a band wider than six octaves. A notch of Q 30 takes out a hum.
constexpr double kMostBoostQ = 10, kMostQ = 30, kLeastQ = 0.25, kLeastNotchQ = 1, kMostShelfQ = 2;
// A high-pass of Q 2 lifts 6 dB at its corner, as vented boxes of the sixth order ask for.
constexpr double kMostPassQ = 2.05, kLeastPassQ = 0.35;
constexpr double kMostCut_db = 20, kCutQ = 4;
// Where a high-pass cuts a boost is a fight between the two; an octave outside its points a way plays nothing.
constexpr double kFightingBoost_db = 2, kBelowEdge = 0.9, kOutsideBoost_db = 3, kOutsideBand = 2;
constexpr double kMostLayerGain_db = 10, kMostGainTogether_db = 15, kLeastWayGain_db = -18, kLeastLayerGain_db = -24;
constexpr double kMostVenueLift_db = 6;
constexpr double kFarAbove_hz = 1e9;  // a sample rate at which a band is what it is in an analogue filter

void one(const Subject& subject, const Layer& layer, std::size_t n) {
  const rig::EqBand& band = (*layer.bands)[n];
  const std::string key = layer.key(n);
  // Of a width in octaves that reaches beyond half the sample rate far less is left than it says.
  const double as_written = dsp::q_of(settings_of(band), kFarAbove_hz);
  const double q = std::min(as_written, dsp::q_of(settings_of(band), subject.rate_hz()));
  const bool gain = has_gain(band.type), shelf = gain && band.type != rig::EqType::peaking;
  const bool pass = band.type == rig::EqType::lowpass || band.type == rig::EqType::highpass;
  if (gain && band.gain_db > kMostBoost_db) {
    subject.warn(
        "boost-large",
        "{} lifts {} by {:g} dB, {:.0f} times the power: a driver and a limiter have no room for it, and what a "
        "dip takes away by cancelling, no boost fills. Stay at 6 dB or below, or cut beside it.",
        key, rig::hertz_text(band.at_hz), band.gain_db, analysis::power_from_db(band.gain_db));
  }
  if (gain && band.gain_db < -kMostCut_db && (shelf || q < kCutQ)) {
    subject.warn("cut-large", "{} takes {:g} dB at {}, nearly all there is. Look at its gain.", key, -band.gain_db,
                 rig::hertz_text(band.at_hz));
  }
  if (gain && band.gain_db == 0) return;  // does nothing, whatever its width
  double least = kLeastQ, most = kMostQ;
  if (pass) {
    least = kLeastPassQ;
    most = kMostPassQ;
  }
  if (shelf) most = kMostShelfQ;
  if (band.type == rig::EqType::notch) least = kLeastNotchQ;
  if (band.type == rig::EqType::peaking && band.gain_db > 0) most = kMostBoostQ;
  const bool too_low = q < least * (1 - 1e-9);
  if (too_low || as_written > most * (1 + 1e-9)) {
    subject.warn("q-extreme",
                 "{}, a {} at {}, has a Q of {:.3g}{}: {}. Look at its q, bandwidth or shelf_slope; {:g} to {:g} is "
                 "usual for it.",
                 key, word_of(band.type), rig::hertz_text(band.at_hz), too_low ? q : as_written,
                 too_low && as_written >= least ? " at this sample rate" : "",
                 too_low            ? "it reaches far beyond what it is named for"
                 : pass || shelf    ? "it lifts and rings at its corner"
                 : band.gain_db > 0 ? "it rings, and lifts one note"
                                    : "it is narrower than anything heard or measured",
                 std::max(least, 0.3), most);
  }
}

/// A boost that a way's own high-pass, its driver or its points take away again.
void fights(const Subject& subject, std::size_t w) {
  const rig::Rig& rig = subject.rig;
  const rig::Way& way = rig.ways[w];
  const rig::Driver& driver = rig.driver_of(way);
  double edge_hz = way.highpass ? way.highpass->at_hz : 0;
  for (const rig::EqBand& band : way.eq)
    if (band.type == rig::EqType::highpass) edge_hz = std::max(edge_hz, band.at_hz);
  const std::vector<Layer> of_outputs = output_layers(way);
  std::vector<Layer> of_the_way{own_layer(way)};
  of_the_way.insert(of_the_way.end(), of_outputs.begin(), of_outputs.end());
  std::vector<Layer> layers = of_the_way;
  if (w == 0)
    for (Layer& layer : common_layers(subject)) layers.push_back(std::move(layer));
  for (const Layer& layer : layers) {
    for (std::size_t n = 0; n < layer.bands->size(); ++n) {
      const rig::EqBand& band = (*layer.bands)[n];
      if (!has_gain(band.type) || band.type == rig::EqType::highshelf || band.gain_db < kFightingBoost_db) continue;
      const bool cut = band.at_hz < kBelowEdge * edge_hz;
      const bool below = driver.lowest_hz && band.at_hz < kBelowEdge * *driver.lowest_hz;
      if (!cut && !below) continue;
      subject.warn(
          "boost-below-band",
          "{} lifts {} by {:g} dB, where {}: it costs travel and power and is not heard. Take it out, or move it up.",
          layer.key(n), rig::hertz_text(band.at_hz), band.gain_db,
          cut ? fmt::format("way.{}'s high-pass at {} takes it away again", way.name, rig::hertz_text(edge_hz))
              : fmt::format("driver {} must not be used (lowest = {})", driver.name,
                            rig::hertz_text(*driver.lowest_hz)));
    }
  }
  const double from_hz = w > 0 ? rig.points[w - 1].high.at_hz : 0;
  const double to_hz = w < rig.points.size() ? rig.points[w].low.at_hz : driver.highest_hz.value_or(1e9);
  for (const Layer& layer : of_the_way) {
    for (std::size_t n = 0; n < layer.bands->size(); ++n) {
      const rig::EqBand& band = (*layer.bands)[n];
      if (!has_gain(band.type) || band.gain_db < kOutsideBoost_db) continue;
      const bool under = band.type != rig::EqType::highshelf && band.at_hz * kOutsideBand < from_hz * (1 - 1e-9);
      const bool over = band.type != rig::EqType::lowshelf && band.at_hz > kOutsideBand * to_hz * (1 + 1e-9);
      if (!under && !over) continue;
      subject.warn(
          "boost-outside-band",
          "{} lifts {} by {:g} dB, more than an octave outside what way {} plays ({} {}): it undoes the split there. "
          "Take it out, or move it into the band.",
          layer.key(n), rig::hertz_text(band.at_hz), band.gain_db, way.name, under ? "from" : "to",
          rig::hertz_text(under ? from_hz : to_hz));
    }
  }
}

/// The same correction in two places counts twice. A layer is compared with itself too.
void doubled(const Subject& subject, const Layer& one, const Layer& other) {
  const bool itself = one.owner == other.owner;
  for (std::size_t a = 0; a < one.bands->size(); ++a) {
    const rig::EqBand& first = (*one.bands)[a];
    if (!has_gain(first.type) || first.gain_db == 0) continue;
    for (std::size_t b = itself ? a + 1 : 0; b < other.bands->size(); ++b) {
      const rig::EqBand& second = (*other.bands)[b];
      if (first.type != second.type || first.at_hz != second.at_hz || first.gain_db != second.gain_db ||
          first.width != second.width || first.width_value != second.width_value)
        continue;
      subject.warn("eq-doubled",
                   "{} and {} are the same band ({} at {}, {:+g} dB), so it acts twice, with {:+g} dB. Take one out.",
                   one.key(a), other.key(b), word_of(first.type), rig::hertz_text(first.at_hz), first.gain_db,
                   2 * first.gain_db);
    }
  }
}

std::vector<double> frequencies(double from_hz, double to_hz) {
  std::vector<double> list;
  for (double hz = from_hz; hz <= to_hz * (1 + 1e-9); hz *= std::exp2(1.0 / 12)) list.push_back(hz);
  return list;
}
/// What the way plays of what is heard.
std::vector<double> in_band(const Subject& subject, std::size_t w) {
  const Edges edges = edges_of(subject, w);
  const double to_hz = std::min(16'000.0, 0.4 * subject.rate_hz());
  return frequencies(std::max(20.0, edges.low_hz), edges.high_hz > 0 ? std::min(edges.high_hz, to_hz) : to_hz);
}

/// All bands of all layers together; of an output, with its own.
void together(const Subject& subject, std::size_t w, const Layer* output) {
  const std::vector<Layer> common = common_layers(subject);
  std::vector<Layer> layers{own_layer(subject.rig.ways[w])};
  if (output != nullptr) layers.push_back(*output);
  layers.insert(layers.end(), common.begin(), common.end());
  double worst_db = 0, worst_hz = 0;
  bool one_alone = false;
  std::string largest;
  for (const double hz : in_band(subject, w)) {
    double all_db = 0, most_db = 0;
    std::string most;
    for (const Layer& layer : layers) {
      for (std::size_t n = 0; n < layer.bands->size(); ++n) {
        const rig::EqBand& band = (*layer.bands)[n];
        // Of a filter that lifts at its corner the lift counts, and not what it takes outside the band.
        one_alone = one_alone || (has_gain(band.type) && band.gain_db > kMostBoost_db);
        const double db = std::max(band_db(band, hz, subject.rate_hz()), has_gain(band.type) ? -1e9 : 0.0);
        all_db += db;
        if (db > most_db) {
          most_db = db;
          most = layer.key(n);
        }
      }
    }
    if (all_db > worst_db) {
      worst_db = all_db;
      worst_hz = hz;
      largest = most;
    }
  }
  if (one_alone || worst_db <= kMostBoostTogether_db) return;  // one alone is told already
  subject.warn(
      "boost-large",
      "in way {} all bands together lift {} by {:.1f} dB, {} the most: a driver and a limiter have no room for it. "
      "Cut beside it, and raise a gain.",
      subject.rig.ways[w].name, rig::hertz_text(worst_hz), worst_db, largest);
}

/// A venue whose boost alone brings a way's limiter in so much earlier.
void venue_lift(const Subject& subject, std::size_t w) {
  if (subject.venue == nullptr) return;
  const rig::Way& way = subject.rig.ways[w];
  if (!way.limit) return;
  const rig::Venue& venue = *subject.venue;
  const auto layer_db = [&](const rig::FeedLayer& layer, double hz) {
    double db = layer.gain_db;
    for (const rig::EqBand& band : layer.eq) db += band_db(band, hz, subject.rate_hz());
    return db;
  };
  double worst_db = 0, worst_hz = 0, beside_path_db = 0;
  std::string owner = "venue";
  const OutputPlan* worst = nullptr;
  const auto loudspeaker = venue.loudspeaker.find(subject.rig.loudspeaker);
  const auto hears = [&](const OutputPlan& plan, const std::string& feed) {
    for (std::size_t f = 0; f < subject.rig.feeds.size(); ++f)
      if (subject.rig.feeds[f].name == feed) return plan.hears(f);
    return false;
  };
  for (const OutputPlan& plan : subject.compiled.outputs) {
    if (plan.way_index != w) continue;
    for (const double hz : in_band(subject, w)) {
      const double venue_db = layer_db(venue.all, hz);
      const double here_db = loudspeaker == venue.loudspeaker.end() ? 0 : layer_db(loudspeaker->second, hz);
      const double all_db = venue_db + here_db;
      double own_db = 0;
      std::string from = here_db > venue_db ? "venue.loudspeaker." + subject.rig.loudspeaker : "venue";
      for (const auto& [name, feed] : venue.feed) {
        const double db = hears(plan, name) ? layer_db(feed, hz) : 0;
        if (db <= own_db) continue;
        own_db = db;
        if (db > all_db) from = fmt::format("venue.feed.{}", name);
      }
      if (all_db + own_db <= worst_db) continue;
      worst_db = all_db + own_db;
      worst_hz = hz;
      owner = from;
      worst = &plan;
      beside_path_db = plan.feed_paths.empty() ? 0 : own_db;  // the plan's path is then what the feeds share
    }
  }
  if (worst_db <= kMostVenueLift_db + 1e-6) return;
  const double reached_dbfs = worst->limit_dbfs_peak - path_db(*worst, worst_hz, subject.rate_hz()) - beside_path_db;
  if (reached_dbfs >= 0) return;  // not even full scale drives it there
  subject.warn(
      "venue-into-limiter",
      "the venue lifts way {} by {:.1f} dB at {}: a feed of {:.1f} dBFS there drives it into its limiter, {:.1f} dB "
      "sooner than without. Cut beside it instead, or lower gain: {}.",
      way.name, worst_db, rig::hertz_text(worst_hz), reached_dbfs, worst_db, owner);
}

/// Of a mix, or of a mean of unlike feeds: what its feeds come to where they carry the same signal; 0 dB of any other.
double shares_db(const OutputPlan& plan) {
  if (plan.feed_paths.empty()) return 0;
  double factor = 0;
  for (const FeedPath& path : plan.feed_paths) factor += analysis::ratio_from_db(path.gain_db);
  if (plan.mix.empty()) factor /= static_cast<double>(plan.feed_paths.size());
  return analysis::db_from_ratio(factor);
}
/// Gains of all layers on the way to an output: each may be small, and the sum is not.
void gains_together(const Subject& subject) {
  const auto all_db = [](const OutputPlan& plan) { return plan.gain_db + shares_db(plan); };
  const OutputPlan& worst = *std::ranges::max_element(subject.compiled.outputs, {}, all_db);
  const double gain_db = all_db(worst);
  if (gain_db <= kMostGainTogether_db) return;
  const bool mixed = !worst.mix.empty();
  subject.warn(
      "gain-large",
      "the gains of venue, system{} and way come to {:+.1f} dB for output {}: {:.0f} times the power, and the "
      "limiters hold what they add. Levels are set by the amplifier's gain and by the desk. Lower system.gain, or "
      "gain{} in way.{}.",
      mixed ? fmt::format(", mix ({:+.1f} dB where its feeds carry the same signal)", shares_db(worst)) : "", gain_db,
      worst.name, analysis::power_from_db(gain_db), mixed ? " or feeds" : "", worst.way);
}
/// A mix of shares some of which lift; at 0 dB and below many feeds may add up as they do.
void mix_gain(const Subject& subject, std::size_t w) {
  const rig::Way& way = subject.rig.ways[w];
  const auto is_large = [](const rig::MixedFeed& share) { return share.gain_db > kMostLayerGain_db; };
  if (std::ranges::none_of(way.mix, [](const rig::MixedFeed& share) { return share.gain_db > 0; })) return;
  if (std::ranges::any_of(way.mix, is_large)) return;  // told by itself
  double factor = 0;
  std::vector<std::string> shares;
  for (const rig::MixedFeed& share : way.mix) {
    factor += analysis::ratio_from_db(share.gain_db);
    shares.push_back(fmt::format("{} = \"{:+.3g} dB\"", subject.rig.feeds[share.feed].name, share.gain_db));
  }
  const double gain_db = analysis::db_from_ratio(factor);
  if (gain_db <= kMostLayerGain_db) return;
  subject.warn(
      "gain-large",
      "way.{}.feeds is a mix of {}: {:+.1f} dB where they carry the same signal, {:.0f} times the power. Two equal "
      "shares of \"-6 dB\" come to 0 dB. Is a minus missing? Look at feeds of way.{}.",
      way.name, fmt::join(shares, ", "), gain_db, analysis::power_from_db(gain_db), way.name);
}

}  // namespace

void equalisers(const Subject& subject) {
  const std::vector<Layer> common = common_layers(subject);
  for (std::size_t a = 0; a < common.size(); ++a) {
    for (std::size_t n = 0; n < common[a].bands->size(); ++n) one(subject, common[a], n);
    for (std::size_t b = a; b < common.size(); ++b) {
      const auto of_a_feed = [](const Layer& layer) { return layer.owner.starts_with("venue.feed."); };
      if (a == b || !of_a_feed(common[a]) || !of_a_feed(common[b])) doubled(subject, common[a], common[b]);
    }
  }
  for (std::size_t w = 0; w < subject.rig.ways.size(); ++w) {
    const Layer own = own_layer(subject.rig.ways[w]);
    for (std::size_t n = 0; n < own.bands->size(); ++n) one(subject, own, n);
    doubled(subject, own, own);
    for (const Layer& layer : common) doubled(subject, own, layer);
    const std::vector<Layer> outputs = output_layers(subject.rig.ways[w]);
    for (const Layer& output : outputs) {
      for (std::size_t n = 0; n < output.bands->size(); ++n) one(subject, output, n);
      doubled(subject, output, output);
      doubled(subject, own, output);
      for (const Layer& layer : common) doubled(subject, output, layer);
      together(subject, w, &output);
    }
    fights(subject, w);
    if (outputs.empty()) together(subject, w, nullptr);
    venue_lift(subject, w);
  }
}

void gains(const Subject& subject) {
  const std::size_t told = subject.warnings.size();
  const auto look = [&](const std::string& owner, double gain_db, double least_db) {
    if (gain_db > kMostLayerGain_db) {
      subject.warn(
          "gain-large",
          "{}.gain is {:+g} dB: {:.0f} times the power, and the limiters hold what it adds. Levels are set by the "
          "amplifier's gain and by the desk. Look at {}.gain.",
          owner, gain_db, analysis::power_from_db(gain_db), owner);
    } else if (gain_db < least_db) {
      subject.warn("gain-small",
                   "{}.gain is {:+g} dB: hardly anything of it is heard beside the rest. Look at {}.gain.", owner,
                   gain_db, owner);
    }
  };
  if (subject.venue != nullptr) {
    look("venue", subject.venue->all.gain_db, kLeastLayerGain_db);
    for (const auto& [name, feed] : subject.venue->feed) look("venue.feed." + name, feed.gain_db, kLeastLayerGain_db);
    const auto own = subject.venue->loudspeaker.find(subject.rig.loudspeaker);
    if (own != subject.venue->loudspeaker.end())
      look("venue.loudspeaker." + subject.rig.loudspeaker, own->second.gain_db, kLeastLayerGain_db);
  }
  look("system", subject.rig.system_gain_db, kLeastLayerGain_db);
  for (const rig::Way& way : subject.rig.ways) {
    look("way." + way.name, way.gain_db, kLeastWayGain_db);
    for (const auto& [feed, own] : way.output)
      look(fmt::format("way.{}.output.{}", way.name, feed), own.gain_db, kLeastWayGain_db);
    for (const rig::MixedFeed& share : way.mix)
      if (share.gain_db > kMostLayerGain_db)
        subject.warn("gain-large",
                     "way.{}.feeds takes {} with {:+g} dB: {:.0f} times the power, and the limiters hold what it adds. "
                     "Levels are set by the amplifier's gain and by the desk. Look at feeds of way.{}.",
                     way.name, subject.rig.feeds[share.feed].name, share.gain_db,
                     analysis::power_from_db(share.gain_db), way.name);
  }
  for (std::size_t w = 0; w < subject.rig.ways.size(); ++w) mix_gain(subject, w);
  const auto own = std::span(subject.warnings).subspan(told);
  if (std::ranges::none_of(own, [](const Warning& one) { return one.code == "gain-large"; })) gains_together(subject);
}

}  // namespace rackproof::advice
