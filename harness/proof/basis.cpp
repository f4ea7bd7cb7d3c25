/// What the rig and the venue file say, as tables for a person who compares them with plates, sheets and the rack.
/// Claim    every key that moves a figure of the proof stands here, with the value that counted where the file left it
///          out or where another one was taken.
#include <numbers>

#include <fmt/format.h>

#include "harness/calibration/levels.hpp"
#include "harness/proof/checks/checks.hpp"
#include "harness/proof/stimulation.hpp"
#include "harness/rig/units.hpp"

namespace rackproof::proof {
namespace {

using rig::Quantity;

std::string text(Quantity quantity, double value) { return rig::text_of({quantity, value == 0 ? 0 : value}); }
std::string decibels(double db) { return text(Quantity::gain, db); }
std::string dbu_and_volts(double volts) {
  return fmt::format("{:+.2f} dBu ({:.3g} V RMS)", analysis::dbu_from_volts(volts), volts);
}
/// As plates and sheets print it.
std::string watts(double power) { return fmt::format("{:g} W", power); }
std::string milliseconds(double seconds) { return fmt::format("{:g} ms", 1e3 * seconds); }
std::string in_seconds(double seconds) { return fmt::format("{:g} s", seconds); }
std::string either(bool which, const char* yes, const char* no) { return which ? yes : no; }

std::string filter_text(const rig::Filter& filter) {
  return fmt::format("{}, {}, {}", text(Quantity::frequency, filter.at_hz), word_of(filter.alignment),
                     text(Quantity::slope, filter.slope_db_per_oct));
}
/// A line a band.
std::string eq_text(const std::vector<rig::EqBand>& bands) {
  std::string all;
  for (const rig::EqBand& band : bands) {
    all += (all.empty() ? "" : "\n") + fmt::format("{} {}", word_of(band.type), text(Quantity::frequency, band.at_hz));
    if (has_gain(band.type)) all += ", " + decibels(band.gain_db);
    if (band.width == rig::EqWidth::q)
      all += fmt::format(", q {:.4g}", band.width_value);
    else if (band.width == rig::EqWidth::bandwidth_oct)
      all += ", " + text(Quantity::bandwidth, band.width_value);
    else
      all += fmt::format(", shelf slope {:.4g}", band.width_value);
  }
  return all.empty() ? "none" : all;
}

BasisTable controller(const rig::Rig& rig) {
  const rig::Controller& c = rig.controller;
  std::string feeds;
  for (const rig::Feed& feed : rig.feeds)
    feeds += fmt::format("{}{}: channel {}", feeds.empty() ? "" : "\n", feed.name, feed.channel);
  return {"Controller and feeds",
          {"sample rate", "block", "0 dBFS at its input", "0 dBFS at its output", "air", "feeds"},
          {{fmt::format("{:g} kHz", c.sample_rate_hz / 1e3), fmt::format("{} frames", c.block_frames),
            c.input_full_scale_volts_rms ? dbu_and_volts(*c.input_full_scale_volts_rms) : "not said",
            dbu_and_volts(c.output_full_scale_volts_rms), text(Quantity::temperature, c.temperature_degc),
            std::move(feeds)}}};
}

BasisTable amplifiers(const rig::Rig& rig) {
  BasisTable table{"Amplifiers", {"amplifier", "ratings", "gain", "front control", "bridged"}, {}};
  for (const rig::Amplifier& amplifier : rig.amplifiers) {
    std::string ratings;
    for (const rig::Rating& rating : amplifier.ratings)
      ratings += fmt::format("{}{} into {}", ratings.empty() ? "" : "\n", watts(rating.power_watts),
                             text(Quantity::impedance, rating.load_ohm));
    const std::string gain = amplifier.gain_db
                                 ? decibels(*amplifier.gain_db)
                                 : fmt::format("{:.1f} dB, from {} RMS in for {}", amplifier_gain_db(amplifier),
                                               text(Quantity::voltage, *amplifier.sensitivity_volts_rms),
                                               watts(amplifier.ratings.front().power_watts));
    const std::string control = amplifier.attenuator_fixed ? decibels(amplifier.attenuator_db) + ", fixed"
                                : amplifier.attenuator_db == 0
                                    ? "0 dB"
                                    : decibels(amplifier.attenuator_db) + ", can be moved: taken as 0 dB";
    const std::string bridged = !amplifier.bridged                       ? "no"
                                : amplifier.rated == rig::Rated::bridged ? "yes, figures as printed for bridged use"
                                : amplifier.rated == rig::Rated::per_side
                                    ? "yes, figures per side: doubled"
                                    : "yes; not said of what: taken per side, doubled";
    table.rows.push_back({amplifier.name, std::move(ratings), gain, control, bridged});
  }
  return table;
}

BasisTable drivers(const rig::Rig& rig) {
  BasisTable table{
      "Drivers",
      {"driver", "impedance", "continuous power", "peak power", "thermal time", "lowest", "highest", "sensitivity"},
      {}};
  const auto hertz = [](const std::optional<double>& hz) { return hz ? text(Quantity::frequency, *hz) : "not given"; };
  for (const rig::Driver& driver : rig.drivers) {
    const auto power = [&](double rated, const char* kind) {
      return fmt::format("{} ({:.1f} V {})", watts(rated), volts_rms(rated, driver.impedance_ohm), kind);
    };
    table.rows.push_back({driver.name, text(Quantity::impedance, driver.impedance_ohm),
                          power(driver.continuous_power_watts, "RMS"),
                          driver.peak_power_watts ? power(*driver.peak_power_watts, "peak") : "not given",
                          in_seconds(driver.thermal_time_s), hertz(driver.lowest_hz), hertz(driver.highest_hz),
                          driver.sensitivity_db ? decibels(*driver.sensitivity_db) : "not given"});
  }
  return table;
}

BasisTable layers(const rig::Rig& rig, const rig::Venue* venue) {
  BasisTable table{"Gain and eq ahead of the split", {"layer", "gain", "eq"}, {}};
  table.rows.push_back({"system", decibels(rig.system_gain_db), eq_text(rig.system_eq)});
  if (rig.delay_s != 0) table.rows.push_back({"delay of the whole loudspeaker", milliseconds(rig.delay_s), ""});
  if (venue == nullptr) return table;
  table.rows.push_back({"venue", decibels(venue->all.gain_db), eq_text(venue->all.eq)});
  for (const auto& [feed, layer] : venue->feed)
    table.rows.push_back({"venue, feed " + feed, decibels(layer.gain_db), eq_text(layer.eq)});
  if (const auto own = venue->loudspeaker.find(rig.loudspeaker); own != venue->loudspeaker.end()) {
    table.rows.push_back({"venue, this loudspeaker", decibels(own->second.gain_db), eq_text(own->second.eq)});
    if (own->second.delay_s != 0) table.rows.back().back() += "\ndelay " + milliseconds(own->second.delay_s);
  }
  return table;
}

BasisTable points(const rig::Rig& rig) {
  BasisTable table{rig.phase_matched ? "Crossover points, phase matched" : "Crossover points, not phase matched",
                   {"between", "low-pass of the way below", "high-pass of the way above"},
                   {}};
  for (std::size_t p = 0; p < rig.points.size(); ++p)
    table.rows.push_back({fmt::format("{} and {}", rig.ways[p].name, rig.ways[p + 1].name),
                          filter_text(rig.points[p].low), filter_text(rig.points[p].high)});
  return table;
}

std::string delay_text(const rig::Way& way) {
  if (way.delay_distance_m)
    return fmt::format("{} ({:.3f} ms)", text(Quantity::distance, *way.delay_distance_m), 1e3 * way.delay_s);
  return milliseconds(way.delay_s);
}

std::string feeds_text(const rig::Rig& rig, const rig::Way& way) {
  std::string text;
  for (const std::size_t feed : way.only) text += (text.empty() ? "" : "\n") + rig.feeds[feed].name;
  for (const rig::MixedFeed& one : way.mix)
    text += fmt::format("{}{} at {}", text.empty() ? "" : "\n", rig.feeds[one.feed].name, decibels(one.gain_db));
  return !text.empty() ? text : either(way.sum_of_feeds, "sum", "each");
}

BasisTable ways(const rig::Rig& rig) {
  BasisTable table{
      "Ways", {"way", "feeds", "amplifier", "drivers", "gain", "polarity", "delay", "depth", "high-pass", "eq"}, {}};
  for (const rig::Way& way : rig.ways) {
    table.rows.push_back({way.name, feeds_text(rig, way), way.amplifier,
                          fmt::format("{} × {}{}", way.drivers, way.driver,
                                      way.drivers == 1 ? "" : either(way.in_series, " in series", " in parallel")),
                          decibels(way.gain_db), either(way.inverted, "inverted", "normal"), delay_text(way),
                          way.depth_m ? text(Quantity::distance, *way.depth_m) : "not given",
                          way.highpass ? filter_text(*way.highpass) : "none", eq_text(way.eq)});
    if (way.response) table.rows.back().back() += "\nmeasured response: " + way.response->filename().string();
    for (const auto& [feed, own] : way.output)
      table.rows.push_back({fmt::format("{}, on {} alone", way.name, feed), "", "", "", decibels(own.gain_db),
                            either(own.inverted, "turned over", "as the way"), milliseconds(own.delay_s), "", "",
                            eq_text(own.eq)});
  }
  return table;
}

BasisTable limiters(const rig::Rig& rig) {
  BasisTable table{"Limiters",
                   {"way", "peak limiter", "look-ahead", "hold", "release", "sees", "power limiter", "time constant"},
                   {}};
  for (const rig::Way& way : rig.ways) {
    std::vector<std::string> row{way.name};
    if (way.limit) {
      const rig::Limit& limit = *way.limit;
      row.insert(row.end(), {decibels(limit.below_clip_db) + " below clip", milliseconds(limit.look_ahead_s),
                             milliseconds(limit.hold_s), milliseconds(limit.release_s),
                             either(limit.true_peak, "the wave between samples", "samples alone")});
    } else {
      row.insert(row.end(), {"none", "–", "–", "–", "–"});
    }
    row.push_back(way.thermal ? decibels(way.thermal->below_rating_db) + " below rating" : "none");
    row.push_back(way.thermal ? in_seconds(rig.driver_of(way).thermal_time_s) : "–");
    table.rows.push_back(std::move(row));
  }
  return table;
}

/// What the figures above come to at each amplifier channel.
BasisTable channels(const Subject& subject) {
  BasisTable table{"What they come to at each amplifier channel",
                   {"output", "load", "rating that counts", "amplifier gain", "clips at", "clip", "peak limit, set by",
                    "power limit", "at 1 m, at the limit"},
                   {}};
  for (const OutputPlan& plan : subject.compiled.outputs) {
    const rig::Way& way = way_of(subject, plan);
    const double clip_in = plan.clip_volts_peak / std::numbers::sqrt2 / analysis::ratio_from_db(plan.amplifier_gain_db);
    table.rows.push_back({plan.name, fmt::format("{:.3g} ohm", plan.load_ohm),
                          fmt::format("{:g} W into {:.3g} ohm{}", plan.rating_watts, plan.rating_ohm,
                                      subject.rig.amplifier_of(way).doubled() ? " a side" : ""),
                          fmt::format("{:.1f} dB", plan.amplifier_gain_db),
                          fmt::format("{:+.2f} dBu RMS in", analysis::dbu_from_volts(clip_in)),
                          fmt::format("{:.1f} V peak ({:+.2f} dBFS)", plan.clip_volts_peak, plan.clip_dbfs_peak),
                          way.limit ? fmt::format("{:.1f} V peak ({:+.2f} dBFS), {}", plan.limit_volts_peak,
                                                  plan.limit_dbfs_peak, name_of(plan.limited_by))
                                    : "none",
                          plan.thermal_volts_rms ? fmt::format("{:.1f} V RMS ({:+.2f} dBFS RMS)",
                                                               *plan.thermal_volts_rms, *plan.thermal_dbfs_rms)
                                                 : "none",
                          plan.level_at_1m_db ? fmt::format("{:.1f} dB", *plan.level_at_1m_db) : "not known"});
  }
  return table;
}

}  // namespace

std::vector<BasisTable> basis_of(const Subject& subject) {
  const rig::Rig& rig = subject.rig;
  std::vector<BasisTable> tables{controller(rig), amplifiers(rig), drivers(rig), layers(rig, subject.venue)};
  if (!rig.points.empty()) tables.push_back(points(rig));
  tables.push_back(ways(rig));
  tables.push_back(limiters(rig));
  tables.push_back(channels(subject));
  return tables;
}

}  // namespace rackproof::proof
