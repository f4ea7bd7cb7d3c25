/// Points, high-passes and the bands that they leave: holes, bands covered twice, drivers used outside their own.
#include <algorithm>
#include <complex>
#include <iterator>
#include <numbers>
#include <optional>

#include "dsp/design/response.hpp"
#include "harness/calibration/advice.hpp"
#include "harness/calibration/filters.hpp"

namespace rackproof::advice {
namespace {

using std::numbers::sqrt2;

// Common practice, no source, all of these: a band under half an octave is none; the sides of a point stand apart by a
// third of an octave where a driver's own slope does the rest, hardly by more than half an octave.
constexpr double kNarrowest = sqrt2, kSidesApart = 1.5;
// A Butterworth filter whose corner is the edge takes 3 dB there; one that takes more cuts into the band.
constexpr double kBandCut_db = -4;
// Where a rig's highest way ends when nothing says so: for a way of highs, and for any other way.
constexpr double kHighsFrom_hz = 500, kHighsUpTo_hz = 8000, kOthersUpTo = 2;
// What is asked of `lowest` and `highest`: 12 dB down an octave outside, one of them in hand for rounding; and an edge
// no more than a third of an octave outside.
constexpr double kOutside_db = -11, kOutside = 1.26;
// An octave above `highest`: within so much of half the sample rate, and no programme has power above 20 kHz that counts
// (common practice, no source).
constexpr double kHighestThatIsJudged = 0.9, kHighestThatIsJudged_hz = 20'000;
// Where 6 dB/oct protect too little: tweeters and compression drivers. An edge above is a super-tweeter's.
constexpr double kShallowFrom_hz = 500, kShallowUpTo_hz = 8000;
constexpr double kHearingLow_hz = 20, kHearingHigh_hz = kHighestThatIsJudged_hz, kLowestHighpass_hz = 15,
                 kLowestHighpassOfKnown_hz = 10;
constexpr double kDeepest_m = 1.5, kDeepInWaysFrom_hz = 200;
// A compression driver, dome or ribbon of such power begins at 500 Hz or above; horns for lows have drivers that take
// more, and a cone on a horn for mids a sheet that gives its `lowest`. Above a sub's band, what is on one side alone is
// placed by ear. Common practice, no source.
constexpr double kSmallDriver_watts = 150, kSmallDriverFrom_hz = 450, kSmallDriverOfKnownFrom_hz = 300,
                 kHornSensitivity_db = 104, kLowestBand_hz = 10, kMonoUpTo_hz = 300;

const char* polarity_word(bool inverted) { return inverted ? "inverted" : "normal"; }

std::string filter_words(const rig::Filter& filter) {
  return fmt::format("{} of {} dB/oct at {}", word_of(filter.alignment), filter.slope_db_per_oct,
                     rig::hertz_text(filter.at_hz));
}

/// What an output has of its own; null where nothing stands in the file.
const rig::OutputLayer* layer_of(const rig::Way& way, const OutputPlan& plan) {
  const auto own = way.output.find(plan.feed);
  return own == way.output.end() ? nullptr : &own->second;
}
bool turned_by_itself(const rig::Way& way, const OutputPlan& plan) {
  const rig::OutputLayer* own = layer_of(way, plan);
  return own != nullptr && own->inverted;
}
bool hear_the_same(const Subject& subject, const OutputPlan& one, const OutputPlan& other) {
  for (std::size_t f = 0; f < subject.rig.feeds.size(); ++f)
    if (one.hears(f) && other.hears(f)) return true;
  return false;
}

/// Of outputs of one way that differ in polarity, what they have in common cancels between them.
void sides_turned_over(const Subject& subject, const rig::Way& way, std::size_t w) {
  std::vector<std::string> normal, turned;
  for (const OutputPlan& plan : subject.compiled.outputs)
    if (plan.way_index == w) (turned_by_itself(way, plan) ? turned : normal).push_back(plan.name);
  if (normal.empty() || turned.empty()) return;
  const std::vector<std::string>& fewer = turned.size() <= normal.size() ? turned : normal;
  subject.warn(
      "sides-turned-over",
      "of way {} some outputs are turned over ({}) and some are not ({}): what all of them play cancels where "
      "people hear both, bass first. Set the polarity of {} as that of the others, unless a cable turns it over or a "
      "cardioid sub is meant.",
      way.name, fmt::join(turned, ", "), fmt::join(normal, ", "), fmt::join(fewer, ", "));
}

/// Outputs on the two sides of a point that hear the same feed and cancel where they are equally loud.
void cancelling(const Subject& subject, std::size_t p) {
  const rig::Way &low = subject.rig.ways[p], &high = subject.rig.ways[p + 1];
  std::vector<std::pair<const OutputPlan*, const OutputPlan*>> pairs;
  std::optional<dsp::CrossoverSum> null;
  bool all = true;
  for (const OutputPlan& below : subject.compiled.outputs) {
    for (const OutputPlan& above : subject.compiled.outputs) {
      if (below.way_index != p || above.way_index != p + 1 || !hear_the_same(subject, below, above)) continue;
      const bool same =
          (low.inverted != turned_by_itself(low, below)) == (high.inverted != turned_by_itself(high, above));
      const dsp::CrossoverSum sum = sum_of(subject.rig.points[p], same, subject.rate_hz());
      all = all && sum.has_null;
      if (!sum.has_null) continue;
      null = sum;
      pairs.emplace_back(&below, &above);
    }
  }
  const auto warn = [&](const std::string& both, bool to_inverted, const std::string& where) {
    subject.warn("crossover-null",
                 "{} cancel where they are equally loud ({}): {:.0f} dB are missing there, and whoever turns it "
                 "up to fill the hole wastes power on both sides of it. Set polarity = \"{}\" in {}, unless a driver's "
                 "wiring already turns it over.",
                 both, rig::hertz_text(null->equal_at_hz), std::min(-null->loss_db, 60.0), polarity_word(to_inverted),
                 where);
  };
  if (!null) return;
  if (all) return warn(fmt::format("ways {} and {}", low.name, high.name), !high.inverted, "way." + high.name);
  for (const auto& [below, above] : pairs) {
    // The output to turn: the one that is turned by itself, else the upper one. A way with one output has no layer.
    const bool turn_low = high.has_one_output() || (turned_by_itself(low, *below) && !turned_by_itself(high, *above));
    const rig::Way& way = turn_low ? low : high;
    const OutputPlan& output = turn_low ? *below : *above;
    warn(fmt::format("outputs {} and {}", below->name, above->name), !turned_by_itself(way, output),
         fmt::format("way.{}.output.{}", way.name, output.feed));
  }
}

void sum(const Subject& subject, std::size_t p) {
  const rig::Point& point = subject.rig.points[p];
  const rig::Way &low = subject.rig.ways[p], &high = subject.rig.ways[p + 1];
  cancelling(subject, p);
  const dsp::CrossoverSum sum = sum_of(point, low.inverted == high.inverted, subject.rate_hz());
  if (p > 0 && subject.rig.phase_matched && !sum.is_all_pass) {
    subject.warn(
        "not-phase-matched",
        "the point at {} does not add to an all-pass, so the ways below it stay without one and their sum at {} is "
        "not exact. Give both sides the same `at` and alignment = \"linkwitz-riley\" with the polarity that it "
        "needs, or, if the sum has been checked, say phase_matched = false in crossover.",
        rig::hertz_text(point.low.at_hz), rig::hertz_text(subject.rig.points[p - 1].low.at_hz));
  }
}

void sides(const Subject& subject, std::size_t p) {
  const rig::Point& point = subject.rig.points[p];
  const rig::Way &low = subject.rig.ways[p], &high = subject.rig.ways[p + 1];
  const double apart = point.high.at_hz / point.low.at_hz;
  if (apart > kSidesApart && !(low.response && high.response)) {
    subject.warn(
        "point-hole",
        "way {} ends at {} and way {} begins at {}: {:.1f} octaves between them that neither plays. Bring `low` and "
        "`high` of crossover.points[{}] together; where the drivers' own slopes fill it, give both ways a response.",
        low.name, rig::hertz_text(point.low.at_hz), high.name, rig::hertz_text(point.high.at_hz), std::log2(apart),
        p + 1);
  }
  if (1 / apart > kSidesApart && !(low.response && high.response)) {
    subject.warn(
        "point-overlap",
        "way {} ends at {} and way {} begins at {}: {:.1f} octaves that both play, which add or cancel by turns. Bring "
        "`low` and `high` of crossover.points[{}] together.",
        low.name, rig::hertz_text(point.low.at_hz), high.name, rig::hertz_text(point.high.at_hz), -std::log2(apart),
        p + 1);
  }
  for (const rig::Filter* side : {&point.low, &point.high}) {
    if (side->at_hz >= kHearingLow_hz && side->at_hz < kHearingHigh_hz) continue;
    subject.warn("point-unlikely",
                 "the point between ways {} and {} is at {}, where nobody hears. Look at its unit: "
                 "crossover.points[{}].",
                 low.name, high.name, rig::hertz_text(side->at_hz), p + 1);
    break;
  }
  if (point.high.slope_db_per_oct == 6 && !high.highpass && point.high.at_hz >= kShallowFrom_hz &&
      point.high.at_hz < kShallowUpTo_hz) {
    subject.warn(
        "slope-shallow",
        "way {} begins at {} with 6 dB/oct: an octave lower driver {} still gets a quarter of its power, and its "
        "travel grows the lower the note. Give crossover.points[{}] slope = \"12 dB/oct\" or more.",
        high.name, rig::hertz_text(point.high.at_hz), high.driver, p + 1);
  }
}

/// What is between a way's points, and what its own high-pass leaves of it.
void width(const Subject& subject, std::size_t w) {
  const rig::Rig& rig = subject.rig;
  const rig::Way& way = rig.ways[w];
  const double below_hz = w > 0 ? rig.points[w - 1].high.at_hz : 0;
  const double above_hz = w < rig.points.size() ? rig.points[w].low.at_hz : 0;
  if (below_hz > 0 && above_hz > 0 && above_hz < kNarrowest * below_hz * (1 - 1e-9)) {
    subject.warn(
        "points-close",
        "way {} has only {:.2f} octaves, from {} to {}: the slopes of its two sides meet, and it never reaches its "
        "level. Set crossover.points[{}] and [{}] at least half an octave apart, or leave the way out.",
        way.name, std::max(0.0, std::log2(above_hz / below_hz)), rig::hertz_text(below_hz), rig::hertz_text(above_hz),
        w, w + 1);
    return;
  }
  if (!way.highpass || above_hz == 0) return;
  const double at_hz = way.highpass->at_hz;
  if (at_hz >= above_hz) {
    subject.warn("highpass-above-point",
                 "way {} has its high-pass at {}, above the point where it ends ({}): nothing is left of it. Look at "
                 "way.{}.highpass and at crossover.points[{}].",
                 way.name, rig::hertz_text(at_hz), rig::hertz_text(above_hz), way.name, w + 1);
  } else if (at_hz > below_hz && above_hz < kNarrowest * at_hz * (1 - 1e-9)) {
    subject.warn(
        "band-narrow",
        "way {} has only {:.2f} octaves, from its high-pass at {} to the point at {}. Look at way.{}.highpass and at "
        "crossover.points[{}].",
        way.name, std::log2(above_hz / at_hz), rig::hertz_text(at_hz), rig::hertz_text(above_hz), way.name, w + 1);
  }
}

/// One filter that may cut into a way's band.
struct Cutter {
  std::string key;
  std::vector<dsp::Section> sections;
  double db(double hz, double rate_hz) const {
    return analysis::db_from_ratio(
        std::max(1e-10, std::abs(dsp::response(std::span<const dsp::Section>(sections), hz, rate_hz))));
  }
};

/// Where the way plays by its points; an end at 0 is not known.
Edges played(const Subject& subject, std::size_t w) {
  const rig::Rig& rig = subject.rig;
  const rig::Driver& driver = rig.driver_of(rig.ways[w]);
  Edges edges;
  if (w > 0) {
    edges.low_hz = rig.points[w - 1].high.at_hz;
  } else {  // its own high-passes are its edge; what the system has beside them may cut into it
    edges.low_hz = rig.ways[w].highpass ? rig.ways[w].highpass->at_hz : 0;
    for (const rig::EqBand& band : rig.ways[w].eq)
      if (band.type == rig::EqType::highpass) edges.low_hz = std::max(edges.low_hz, band.at_hz);
  }
  if (w < rig.points.size()) {
    edges.high_hz = rig.points[w].low.at_hz;
  } else if (w > 0) {
    const double usual = edges.low_hz > kHighsFrom_hz ? kHighsUpTo_hz : kOthersUpTo * edges.low_hz;
    edges.high_hz = std::min({usual, 0.4 * subject.rate_hz(), driver.highest_hz.value_or(usual)});
  }
  return edges;
}

/// Filters of another layer that take a way's band: the points say that it plays there.
void cut(const Subject& subject, std::size_t w) {
  const rig::Rig& rig = subject.rig;
  const rig::Way& way = rig.ways[w];
  // Where all ways have one, the acoustic sum is judged.
  if (std::ranges::all_of(rig.ways, [](const rig::Way& one) { return one.response.has_value(); })) return;
  std::vector<Cutter> cutters;
  const auto add = [&](const Layer& layer, bool own) {
    for (std::size_t n = 0; n < layer.bands->size(); ++n) {
      const rig::EqBand& band = (*layer.bands)[n];
      // At the rig's two ends a way's own filters are the edge itself.
      if (!cuts_an_end(band.type) || (own && w == 0 && band.type == rig::EqType::highpass)) continue;
      cutters.push_back({layer.key(n), {section_of(band, subject.rate_hz())}});
    }
  };
  for (const Layer& layer : common_layers(subject)) add(layer, false);
  add(own_layer(way), true);
  if (way.highpass && w > 0) {
    const dsp::SectionList list = sections_of(*way.highpass, dsp::Pass::high, subject.rate_hz());
    cutters.push_back({"way." + way.name + ".highpass", {list.view().begin(), list.view().end()}});
  }
  if (cutters.empty()) return;
  const Edges edges = played(subject, w);
  // With one end open only the other is looked at, at the edge itself.
  const double from_hz = edges.low_hz > 0 ? edges.low_hz : edges.high_hz;
  const double to_hz = edges.high_hz > from_hz ? edges.high_hz : from_hz;
  if (from_hz <= 0) return;
  constexpr int kSteps = 24;
  double worst_db = 0, worst_hz = from_hz;
  const Cutter* by = nullptr;
  for (int k = 0; k <= kSteps; ++k) {
    const double hz = from_hz * std::pow(to_hz / from_hz, static_cast<double>(k) / kSteps);
    double all_db = 0, most_db = 0;
    const Cutter* most = nullptr;
    for (const Cutter& cutter : cutters) {
      const double db = cutter.db(hz, subject.rate_hz());
      all_db += db;
      if (db < most_db) {
        most_db = db;
        most = &cutter;
      }
    }
    if (all_db < worst_db) {
      worst_db = all_db;
      worst_hz = hz;
      by = most;
    }
  }
  if (worst_db >= kBandCut_db || by == nullptr) return;
  subject.warn(
      "band-cut",
      "way {} plays from {} to {} by its points, and filters beside them take {:.0f} dB of it at {}, {} the most: a "
      "hole between ways, or a way that is gone. Move {}, or the point.",
      way.name, rig::hertz_text(from_hz), edges.high_hz > 0 ? rig::hertz_text(to_hz) : "its upper end", -worst_db,
      rig::hertz_text(worst_hz), by->key, by->key);
}

/// The equalisers that an output passes, of all layers.
std::vector<Layer> layers_passed(const Subject& subject, const OutputPlan& plan) {
  const rig::Way& way = subject.rig.ways[plan.way_index];
  std::vector<Layer> layers = common_layers(subject);
  for (Layer& one : output_layers(way)) layers.push_back(std::move(one));
  std::erase_if(layers, [&](const Layer& one) {
    const bool of_one_feed = one.owner.starts_with("venue.feed.") || one.owner.find(".output.") != one.owner.npos;
    return of_one_feed && !one.owner.ends_with("." + plan.feed);
  });
  layers.push_back(own_layer(way));
  return layers;
}
/// What their bands lift at a frequency, whatever others take there.
double lift_db(const Subject& subject, const std::vector<Layer>& layers, double hz) {
  double sum = 0;
  for (const Layer& layer : layers)
    for (const rig::EqBand& band : *layer.bands) sum += std::max(0.0, band_db(band, hz, subject.rate_hz()));
  return sum;
}
bool is_of_the_venue(const Layer& layer) { return layer.owner == "venue" || layer.owner.starts_with("venue."); }
double sum_db(const Subject& subject, const std::vector<Layer>& layers, double hz) {
  double sum = 0;
  for (const Layer& layer : layers)
    for (const rig::EqBand& band : *layer.bands) sum += band_db(band, hz, subject.rate_hz());
  return sum;
}

/// An output's path against the level of its band, with tonight's venue or without.
class BandLevel {
 public:
  BandLevel(const Subject& subject, const OutputPlan& plan, double from_hz, double to_hz, bool with_venue)
      : subject_(subject), plan_(plan), layers_(layers_passed(subject, plan)) {
    if (!with_venue) {
      std::ranges::copy_if(layers_, std::back_inserter(gone_), is_of_the_venue);
      std::erase_if(layers_, is_of_the_venue);
    }
    constexpr int kSteps = 48;
    for (int k = 0; k <= kSteps && to_hz > from_hz; ++k) {
      const double hz = from_hz * std::pow(to_hz / from_hz, static_cast<double>(k) / kSteps);
      most_db_ = std::max(most_db_, level_db(hz));
      unlifted_db_ = std::max(unlifted_db_, level_db(hz) - lift_db(subject_, layers_, hz));
    }
  }
  /// Outside the band, whose nearer end is `edge_hz`: what eq lifts at the other end hides nothing.
  double outside_db(double hz, double edge_hz) const {
    return level_db(hz) - std::min(most_db_, unlifted_db_ + lift_db(subject_, layers_, edge_hz));
  }

 private:
  double level_db(double hz) const { return path_db(plan_, hz, subject_.rate_hz()) - sum_db(subject_, gone_, hz); }
  const Subject& subject_;
  const OutputPlan& plan_;
  std::vector<Layer> layers_, gone_;
  double most_db_ = -1e9, unlifted_db_ = -1e9;
};
struct Outside {
  double db = 0;
  const char* when = "";
};
/// The worse of what there is with tonight's venue and of what is left once that is gone.
Outside outside_of(const Subject& subject, const OutputPlan& plan, double from_hz, double to_hz, double hz,
                   double edge_hz) {
  const Outside with{BandLevel(subject, plan, from_hz, to_hz, true).outside_db(hz, edge_hz)};
  if (subject.venue == nullptr) return with;
  const Outside alone{BandLevel(subject, plan, from_hz, to_hz, false).outside_db(hz, edge_hz),
                      " without tonight's venue"};
  return alone.db > with.db + 0.05 ? alone : with;
}

/// `lowest` and `highest` against the edges, and against the whole path an octave outside. What eq lifts at one end of
/// the band hides nothing at the other, as in the check `driver-band`.
void driver_band(const Subject& subject, std::size_t w) {
  const rig::Way& way = subject.rig.ways[w];
  const rig::Driver& driver = subject.rig.driver_of(way);
  if (!driver.lowest_hz && !driver.highest_hz) return;
  if (driver.lowest_hz.value_or(kLowestBand_hz) < kLowestBand_hz) {
    subject.warn("lowest-unlikely",
                 "driver {} may be used from {} on: no loudspeaker plays that. Look at the unit of lowest in "
                 "driver.{}.",
                 driver.name, rig::hertz_text(*driver.lowest_hz), driver.name);
  }
  const OutputPlan& plan = subject.output_of(w);
  const double rate_hz = subject.rate_hz(), nyquist_hz = rate_hz / 2;
  const Edges edges = edges_of(subject, w);
  const double from_hz = driver.lowest_hz.value_or(std::max(20.0, edges.low_hz));
  const double to_hz =
      std::min(driver.highest_hz.value_or(edges.high_hz > from_hz ? edges.high_hz : 8 * from_hz), 0.4 * rate_hz);
  if (driver.lowest_hz) {
    const double lowest = *driver.lowest_hz;
    const Outside outside = outside_of(subject, plan, from_hz, to_hz, lowest / 2, from_hz);
    if (edges.low_hz < lowest / kOutside * (1 - 1e-9) || outside.db > kOutside_db) {
      subject.warn(
          "below-lowest",
          "way {} {}, and driver {} may be used from {} on: at {} it still gets {:.1f} dB of its band's level{}. It "
          "strikes its stops, or tears, at a level that the limiters pass. Raise {}, or give way.{} a high-pass.",
          way.name, edges.low_hz > 0 ? "begins at " + rig::hertz_text(edges.low_hz) : std::string("has no lower end"),
          driver.name, rig::hertz_text(lowest), rig::hertz_text(lowest / 2), outside.db, outside.when,
          w > 0 ? fmt::format("crossover.points[{}]", w) : fmt::format("way.{}.highpass", way.name), way.name);
    }
  }
  if (driver.highest_hz &&
      2 * *driver.highest_hz < std::min(kHighestThatIsJudged * nyquist_hz, kHighestThatIsJudged_hz)) {
    const double highest = *driver.highest_hz;
    const Outside outside = outside_of(subject, plan, from_hz, to_hz, 2 * highest, to_hz);
    if ((edges.high_hz > highest * kOutside * (1 + 1e-9)) || outside.db > kOutside_db) {
      subject.warn(
          "above-highest",
          "way {} {}, and driver {} may be used up to {}: at {} it still gets {:.1f} dB of its band's level{}, where "
          "it beams and breaks up. {}.",
          way.name, edges.high_hz > 0 ? "ends at " + rig::hertz_text(edges.high_hz) : std::string("has no upper end"),
          driver.name, rig::hertz_text(highest), rig::hertz_text(2 * highest), outside.db, outside.when,
          w < subject.rig.points.size() ? fmt::format("Lower crossover.points[{}]", w + 1)
                                        : fmt::format("Give way.{}.eq a lowpass", way.name));
    }
  }
}

void highpass(const Subject& subject, std::size_t w) {
  const rig::Way& way = subject.rig.ways[w];
  const Edges edges = edges_of(subject, w);
  if (edges.low_hz == 0) {
    subject.warn(
        "no-protection-highpass",
        "way {} has no high-pass: below its band driver {} moves far and radiates little, and may strike its "
        "stops at a level that the limiters pass. Give way.{} one where its box ends, for instance highpass = {{ "
        "at = \"30 Hz\", alignment = \"butterworth\", slope = \"24 dB/oct\" }}.",
        way.name, way.driver, way.name);
    return;
  }
  // Where the driver's own band is known, that says more.
  const bool known = subject.rig.driver_of(way).lowest_hz.has_value();
  if (w == 0 && edges.low_hz < (known ? kLowestHighpassOfKnown_hz : kLowestHighpass_hz)) {
    subject.warn("highpass-low",
                 "way {} has its high-pass at {}: that protects nothing that a loudspeaker plays. Look at its unit: "
                 "way.{}.highpass.",
                 way.name, rig::hertz_text(edges.low_hz), way.name);
  }
  if (w == 0 && way.highpass && way.highpass->slope_db_per_oct == 6) {
    subject.warn(
        "slope-shallow",
        "way {} has a high-pass of 6 dB/oct: below it the travel of driver {} still grows by 6 dB an octave. Give "
        "way.{}.highpass slope = \"12 dB/oct\" or more; this one is a {}.",
        way.name, way.driver, way.name, filter_words(*way.highpass));
  }
}

/// "lowmid" is between "low" and "mid"; nothing where the name says nothing.
std::optional<double> place_of(std::string name) {
  for (char& c : name)
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
  struct Word {
    std::string_view text;
    double place;
    bool whole;  ///< only as the whole name
  };
  constexpr Word kWords[] = {{"sub", 0, false},    {"bass", 1, false},  {"low", 2, false},    {"lf", 2, true},
                             {"woofer", 2, false}, {"mid", 3, false},   {"mf", 3, true},      {"high", 4, false},
                             {"hf", 4, true},      {"tweet", 5, false}, {"treble", 4, false}, {"ribbon", 4, false},
                             {"vhf", 5, true}};
  double total = 0, count = 0;
  for (const Word& word : kWords) {
    if (word.whole ? name != word.text : name.find(word.text) == name.npos) continue;
    if (word.text == "woofer" && count > 0) continue;  // a subwoofer is a sub
    total += word.place;
    ++count;
  }
  return count > 0 ? std::optional(total / count) : std::nullopt;
}

void names(const Subject& subject, std::size_t w) {
  const rig::Way& way = subject.rig.ways[w];
  const rig::Driver& driver = subject.rig.driver_of(way);
  const double low_edge_hz = subject.output_of(w).low_edge_hz;
  std::string name = driver.name;
  for (char& c : name)
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
  const double from_hz = driver.lowest_hz ? kSmallDriverOfKnownFrom_hz : kSmallDriverFrom_hz;
  const std::string or_give = driver.lowest_hz || low_edge_hz < kSmallDriverOfKnownFrom_hz
                                  ? ""
                                  : fmt::format(" If it may play there, give lowest in driver.{}.", driver.name);
  if (driver.continuous_power_watts <= kSmallDriver_watts && low_edge_hz < from_hz &&
      driver.sensitivity_db.value_or(0) >= kHornSensitivity_db) {
    subject.warn(
        "driver-unlike-band",
        "way {} plays from {} on driver {}, of {:g} W and {:g} dB: such are compression drivers on horns, which "
        "begin at 500 Hz or above, and lower notes tear them. Look at driver in way.{}{}.{}",
        way.name, low_edge_hz > 0 ? rig::hertz_text(low_edge_hz) : std::string("the lowest notes"), driver.name,
        driver.continuous_power_watts, *driver.sensitivity_db, way.name,
        w > 0 ? fmt::format(" and at crossover.points[{}]", w) : "", or_give);
    return;
  }
  for (const char* high : {"horn", "tweeter", "dome", "ribbon", "compression"}) {
    if (name.find(high) == name.npos || driver.continuous_power_watts > kSmallDriver_watts) continue;
    if (low_edge_hz >= from_hz) continue;
    subject.warn("driver-unlike-band",
                 "way {} plays from {} on driver {}, a {} of {:g} W by its name: those begin at 500 Hz or above, and "
                 "lower notes tear them. Look at the unit of crossover.points, and at driver in way.{}.{}",
                 way.name, low_edge_hz > 0 ? rig::hertz_text(low_edge_hz) : std::string("the lowest notes"),
                 driver.name, high, driver.continuous_power_watts, way.name, or_give);
    return;
  }
}

bool takes(const Subject& subject, std::size_t way, std::size_t feed) {
  return std::ranges::any_of(subject.compiled.outputs,
                             [&](const OutputPlan& plan) { return plan.way_index == way && plan.hears(feed); });
}
/// Feeds that one of two neighbours takes and the other does not; whether there are any.
bool feed_misses(const Subject& subject, std::size_t way, std::size_t other, double at_hz) {
  std::vector<std::string> missing;
  for (std::size_t f = 0; f < subject.rig.feeds.size(); ++f)
    if (takes(subject, way, f) && !takes(subject, other, f)) missing.push_back(subject.rig.feeds[f].name);
  if (missing.empty()) return false;
  const std::string &name = subject.rig.ways[way].name, &without = subject.rig.ways[other].name;
  subject.warn("feed-misses-way",
               "way {} takes {} and way {} does not: of what is sent there, everything {} {} is missing. Name {} in "
               "feeds of way.{}, or take it out of feeds of way.{}.",
               name, fmt::join(missing, ", "), without, way < other ? "above" : "below", rig::hertz_text(at_hz),
               fmt::join(missing, ", "), without, name);
  return true;
}
/// The same feeds on both sides of a point, unless it is a sub's.
void feeds(const Subject& subject) {
  const std::vector<rig::Way>& ways = subject.rig.ways;
  for (std::size_t w = 1; w < ways.size() && subject.rig.feeds.size() > 1; ++w) {
    const double at_hz = subject.rig.points[w - 1].low.at_hz;
    if (at_hz <= kMonoUpTo_hz) continue;
    const bool above = feed_misses(subject, w - 1, w, at_hz), below = feed_misses(subject, w, w - 1, at_hz);
    if (above || below || ways[w].has_one_output() == ways[w - 1].has_one_output()) continue;
    const rig::Way &sum = ways[w].has_one_output() ? ways[w] : ways[w - 1],
                   &each = ways[w].has_one_output() ? ways[w - 1] : ways[w];
    subject.warn(
        "feeds-unlike",
        "way {} plays the mean of all feeds and way {} each by itself, and they meet at {}: what is on one side "
        "alone is halved there, and comes from elsewhere. Look at feeds in way.{} and way.{}.",
        sum.name, each.name, rig::hertz_text(at_hz), sum.name, each.name);
  }
}

void order(const Subject& subject) {
  const std::vector<rig::Way>& ways = subject.rig.ways;
  for (std::size_t w = 1; w < ways.size(); ++w) {
    const auto below = place_of(ways[w - 1].name), above = place_of(ways[w].name);
    if (!below || !above || *below <= *above) continue;
    subject.warn(
        "ways-exchanged",
        "way {} stands below way {}, and their names say the reverse: ways go from low to high, and the point at {} "
        "gives {} what is below it. Exchange the two [[way]] tables, or their names.",
        ways[w - 1].name, ways[w].name, rig::hertz_text(subject.rig.points[w - 1].low.at_hz), ways[w - 1].name);
  }
}

}  // namespace

void points(const Subject& subject) {
  for (std::size_t p = 0; p < subject.rig.points.size(); ++p) {
    sum(subject, p);
    sides(subject, p);
  }
  order(subject);
  feeds(subject);
}

void bands(const Subject& subject) {
  for (std::size_t w = 0; w < subject.rig.ways.size(); ++w) {
    const rig::Way& way = subject.rig.ways[w];
    highpass(subject, w);
    width(subject, w);
    sides_turned_over(subject, way, w);
    cut(subject, w);
    driver_band(subject, w);
    names(subject, w);
    if (way.depth_m.value_or(0) > kDeepest_m && subject.output_of(w).low_edge_hz >= kDeepInWaysFrom_hz) {
      subject.warn(
          "depth-unlikely",
          "way {} has its acoustic centre {:g} m behind the front of its box; only folded horns for lows are that "
          "deep. Look at the unit of depth in way.{}.",
          way.name, *way.depth_m, way.name);
    }
  }
}

}  // namespace rackproof::advice
