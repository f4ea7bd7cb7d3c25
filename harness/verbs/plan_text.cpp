#include "harness/verbs/plan_text.hpp"

#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>
#include <cmath>
#include <numbers>
#include <optional>
#include <vector>

#include "harness/calibration/levels.hpp"
#include "harness/calibration/stages.hpp"
#include "harness/verbs/balance.hpp"
#include "harness/verbs/table.hpp"

namespace rackproof {
namespace {

std::string or_dash(bool given, const std::string& text) { return given ? text : "-"; }
std::string short_hz(double hz) {
  return hz < 1000 ? fmt::format("{:.4g} Hz", hz) : fmt::format("{:.4g} kHz", hz / 1000);
}

std::string band(const OutputPlan& plan) {
  if (plan.low_edge_hz == 0 && plan.high_edge_hz == 0) return "full range";
  if (plan.low_edge_hz == 0) return "to " + short_hz(plan.high_edge_hz);
  if (plan.high_edge_hz == 0) return "from " + short_hz(plan.low_edge_hz);
  return short_hz(plan.low_edge_hz) + " to " + short_hz(plan.high_edge_hz);
}

/// Volts and decibels side by side, never parted by a narrow terminal; under "... dBFS".
std::string pair(double volts, double dbfs) { return fmt::format("{:.1f}  {:>6.2f}", volts, dbfs); }

std::string levels_table(const CompiledRig& made, std::size_t width) {
  Table table({{"output", Align::left},
               {"load"},
               {"amp gain"},
               {"clip V pk    dBFS"},
               {"limit V pk    dBFS"},
               {"limited by", Align::left},
               {"power V RMS    dBFS"}});
  for (std::size_t o = 0; o < made.outputs.size(); ++o) {
    const OutputPlan& plan = made.outputs[o];
    const bool limited = made.settings().outputs[o].peak.enabled;
    table.row({plan.name, fmt::format("{:.3g} ohm", plan.load_ohm), fmt::format("{:.1f} dB", plan.amplifier_gain_db),
               pair(plan.clip_volts_peak, plan.clip_dbfs_peak), pair(plan.limit_volts_peak, plan.limit_dbfs_peak),
               limited ? name_of(plan.limited_by) : "nothing",
               plan.thermal_volts_rms ? pair(*plan.thermal_volts_rms, *plan.thermal_dbfs_rms) : "-"});
  }
  return table.text(width);
}

std::string fed_by(const rig::Rig& rig, const OutputPlan& plan) {
  if (plan.source == dsp::kMeanOfFeeds) return "mean of feeds";
  if (plan.source != dsp::kMixOfFeeds) return plan.feed;
  std::string mix;
  for (const rig::MixedFeed& one : way_of(rig, plan).mix)
    mix += fmt::format("{}{} {:+g} dB", mix.empty() ? "" : ", ", rig.feeds[one.feed].name, one.gain_db);
  return mix;
}

/// `way`, or `loudspeaker.way`.
std::string name_of_way(const rig::Rig& part, const rig::Way& way) {
  return part.loudspeaker.empty() ? way.name : part.loudspeaker + "." + way.name;
}

std::string path_table(const rig::Rig& rig, const CompiledRig& made, std::size_t width) {
  Table table({{"output", Align::left},
               {"fed by", Align::left},
               {"band", Align::left},
               {"gain"},
               {"polarity", Align::left},
               {"delay"},
               {"as distance"},
               {"sections"}});
  const double speed = rig::speed_of_sound(rig.controller.temperature_degc);  // as distances were read
  for (const OutputPlan& plan : made.outputs) {
    table.row({plan.name, fed_by(rig, plan) + (plan.muted ? ", MUTED" : ""), band(plan),
               fmt::format("{:+.2f} dB", plan.gain_db), plan.polarity < 0 ? "inverted" : "normal",
               or_dash(plan.delay_samples > 0, fmt::format("{:.3f} ms", plan.delay_s * 1e3)),
               or_dash(plan.delay_samples > 0, fmt::format("{:.3f} m", plan.delay_s * speed)),
               fmt::format("{}", plan.sections.size())});
  }
  std::string out = table.text(width);
  for (const OutputPlan& plan : made.outputs) {
    for (const FeedPath& path : plan.feed_paths) {
      double gain_db = path.gain_db;
      for (std::size_t f = 0; f < plan.mix.size(); ++f)  // its share of a mix is told already
        if (rig.feeds[f].name == path.feed) gain_db -= analysis::db_from_ratio(plan.mix[f]);
      if (std::abs(gain_db) < 1e-9 && path.sections.empty()) continue;
      out += wrapped(fmt::format("and {:+.2f} dB and {} section{} on {} alone, ahead of the {}", gain_db,
                                 path.sections.size(), path.sections.size() == 1 ? "" : "s", path.feed,
                                 plan.source == dsp::kMixOfFeeds ? "mix" : "mean"),
                     width, fmt::format("  {}: ", plan.name));
    }
  }
  return out;
}

std::string gain_structure(const rig::Rig& rig, const CompiledRig& made, std::size_t width) {
  const auto full_scale = [](double volts) {
    return fmt::format("{:+.2f} dBu ({:.3g} V RMS)", analysis::dbu_from_volts(volts), volts);
  };
  const rig::Controller& controller = rig.controller;
  std::string out;
  const std::string input = controller.input_full_scale_volts_rms
                                ? full_scale(*controller.input_full_scale_volts_rms) + " at its input, "
                                : std::string();
  out += wrapped(fmt::format("0 dBFS is {}{} at its output", input, full_scale(controller.output_full_scale_volts_rms)),
                 width, "  controller: ");
  const rig::Way* told = nullptr;
  for (const OutputPlan& plan : made.outputs) {
    const rig::Way& way = way_of(rig, plan);
    if (&way == told) continue;
    told = &way;
    const rig::Amplifier& amplifier = part_of(rig, plan).amplifier_of(way);
    const double clip_in_dbu = analysis::dbu_from_volts(plan.clip_volts_peak / std::numbers::sqrt2 /
                                                        analysis::ratio_from_db(plan.amplifier_gain_db));
    const char* const taken = !amplifier.bridged    ? ""
                              : amplifier.doubled() ? " (bridged, ratings taken per side)"
                                                    : " (bridged, ratings taken as printed for bridged use)";
    const std::string attenuator = amplifier.attenuator_db == 0 ? ""
                                   : amplifier.attenuator_fixed
                                       ? fmt::format(" with its attenuator at {:+g} dB", amplifier.attenuator_db)
                                       : " with its attenuator assumed fully open";
    const char* const wiring = way.drivers == 1 ? "" : way.in_series ? " in series" : " in parallel";
    const std::string level =
        plan.level_at_1m_db ? fmt::format(", at the limit {:.1f} dB at 1 m", *plan.level_at_1m_db) : "";
    out += wrapped(
        fmt::format("amplifier {}{}, {:g} W into {:g} ohm{}, {:.1f} dB{}, clips at {:+.2f} dBu in: {:.1f} dB {} the "
                    "controller's full scale; {} x {}{}{}",
                    amplifier.name, taken, plan.rating_watts, plan.rating_ohm, amplifier.doubled() ? " a side" : "",
                    plan.amplifier_gain_db, attenuator, clip_in_dbu, std::abs(plan.clip_dbfs_peak),
                    plan.clip_dbfs_peak > 0 ? "above" : "below", way.drivers, way.driver, wiring, level),
        width, fmt::format("  {}: ", name_of_way(part_of(rig, plan), way)));
  }
  return out;
}

/// What the sides of a point above make together, inserted so that the ways stay in phase.
bool passes_all_pass_of(const rig::Rig& rig, const rig::Venue* venue, const OutputPlan& plan, const rig::Point& point) {
  const std::vector<Stage> stages = stages_of(rig, venue, plan);
  return std::ranges::find(stages, point.source.key, &Stage::key) != stages.end();
}

/// How many bands of eq there are, under the keys of the files; where there are none nothing is told.
std::string bands_of_eq(const rig::Rig& rig, const rig::Venue* venue) {
  std::vector<std::string> told;
  const auto count = [&](const std::vector<rig::EqBand>& eq, const std::string& at) {
    if (!eq.empty()) told.push_back(fmt::format("{} in {}", eq.size(), at));
  };
  for (const rig::Rig& part : rig.parts()) {
    const std::string box = part.loudspeaker.empty() ? "" : "loudspeaker." + part.loudspeaker + ".";
    count(part.system_eq, box + "system");
    for (const rig::Way& way : part.ways) {
      count(way.eq, box + "way." + way.name);
      for (const auto& [feed, own] : way.output) count(own.eq, fmt::format("{}way.{}.output.{}", box, way.name, feed));
    }
  }
  if (venue != nullptr) {
    count(venue->all.eq, "venue");
    for (const auto& [feed, layer] : venue->feed) count(layer.eq, "venue.feed." + feed);
    for (const auto& [name, layer] : venue->loudspeaker) count(layer.eq, "venue.loudspeaker." + name);
  }
  return told.empty() ? "none" : fmt::format("{}", fmt::join(told, ", "));
}

/// What every way passes, a line a filter; then how many bands of eq there are and where.
std::string filters_table(const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& made, std::size_t width) {
  Table table({{"way", Align::left}, {"filter", Align::left}, {"at"}, {"alignment", Align::left}, {"slope"}});
  const rig::Way* told = nullptr;
  for (const OutputPlan& plan : made.outputs) {
    const rig::Rig& part = part_of(rig, plan);
    const rig::Way& way = way_of(rig, plan);
    if (&way == told) continue;
    told = &way;
    const auto row = [&](const std::string& what, const rig::Filter& filter) {
      table.row({name_of_way(part, way), what, short_hz(filter.at_hz), word_of(filter.alignment),
                 fmt::format("{} dB/oct", filter.slope_db_per_oct)});
    };
    if (way.highpass) row("high-pass", *way.highpass);
    for (std::size_t p = 0; p < part.points.size(); ++p) {
      const std::string name = fmt::format("point {}, ", p + 1);
      if (p < plan.way_index) row(name + "high side", part.points[p].high);
      if (p == plan.way_index) row(name + "low side", part.points[p].low);
      if (p > plan.way_index && passes_all_pass_of(rig, venue, plan, part.points[p]))
        row(name + "all-pass", part.points[p].low);
    }
    if (!way.highpass && part.points.empty()) table.row({name_of_way(part, way), "none", "-", "-", "-"});
  }
  return table.text(width) + wrapped(bands_of_eq(rig, venue), width, "  bands of eq: ");
}

std::string limiters_table(const rig::Rig& rig, std::size_t width) {
  Table table(
      {{"way", Align::left}, {"look-ahead"}, {"hold"}, {"release"}, {"true peak", Align::left}, {"thermal time"}});
  const auto ms = [](double seconds) { return fmt::format("{:.4g} ms", 1e3 * seconds); };
  for (const rig::Rig& part : rig.parts()) {
    for (const rig::Way& way : part.ways) {
      const std::optional<rig::Limit>& limit = way.limit;
      const char* const true_peak = !limit ? "-" : limit->true_peak ? "yes" : "no";
      table.row({name_of_way(part, way), limit ? ms(limit->look_ahead_s) : "-", limit ? ms(limit->hold_s) : "-",
                 limit ? ms(limit->release_s) : "-", true_peak,
                 or_dash(way.thermal.has_value(), fmt::format("{:.4g} s", part.driver_of(way).thermal_time_s))});
    }
  }
  return table.text(width);
}

/// Without a sign of nothing: -0.04 is 0.
double in_tenths(double value) { return std::round(10 * value) / 10 + 0.0; }

/// Which limiter acts first, and how far behind the others are. What is muted is left out.
std::string first_held(const rig::Rig& rig, const CompiledRig& made, const std::vector<Balance>& balances) {
  struct Held {
    double from_dbfs;
    std::string way;
    bool by_power;
  };
  std::vector<Held> held;  // one a way
  for (std::size_t o = 0; o < balances.size(); ++o) {
    const std::optional<double> from = balances[o].first_limit_dbfs();
    if (!from || made.outputs[o].muted) continue;
    const Held one{*from, name_of_way(part_of(rig, made.outputs[o]), way_of(rig, made.outputs[o])),
                   from == balances[o].power_limit_from_dbfs};
    const auto known = std::ranges::find(held, one.way, &Held::way);
    if (known == held.end())
      held.push_back(one);
    else if (one.from_dbfs < known->from_dbfs)
      *known = one;
  }
  const bool any_limiter =
      std::ranges::any_of(balances, [](const Balance& b) { return b.peak_limit_from_dbfs || b.power_limit_from_dbfs; });
  if (!any_limiter) return "No way has a limiter: nothing is held.";
  if (held.empty()) return "No limiter acts on a sine within full scale.";
  std::ranges::stable_sort(held, {}, &Held::from_dbfs);
  const auto limiter = [](const Held& one) { return one.by_power ? "power" : "peak"; };
  std::string text = fmt::format("Held first: {}, by its {} limiter, from {:.1f} dBFS on the feeds", held[0].way,
                                 limiter(held[0]), held[0].from_dbfs);
  for (std::size_t i = 1; i < held.size(); ++i)
    text += fmt::format("; {} {:.1f} dB higher, by its {} limiter", held[i].way, held[i].from_dbfs - held[0].from_dbfs,
                        limiter(held[i]));
  return text + (held.size() > 1 ? ". Music has less in the higher bands: render and prove --program tell what a "
                                   "recording makes of it."
                                 : ".");
}

std::string balance_table(const rig::Rig& rig, const CompiledRig& made, std::size_t width) {
  const std::vector<Balance> balances = balance_of(rig, made);
  const auto from = [](const std::optional<double>& dbfs) {
    return !dbfs ? "-" : *dbfs > 0 ? "above 0 dBFS" : fmt::format("{:.1f} dBFS", in_tenths(*dbfs));
  };
  Table table(
      {{"way", Align::left}, {"level at 1 m"}, {"over the way below"}, {"peak limit from"}, {"power limit from"}});
  for (std::size_t first = 0, next = 0; first < made.outputs.size(); first = next) {  // a way's outputs, end to end
    const rig::Way& way = way_of(rig, made.outputs[first]);
    std::vector<std::vector<std::string>> rows;
    bool any_muted = false;
    for (next = first; next < made.outputs.size() && &way_of(rig, made.outputs[next]) == &way; ++next) {
      const Balance& b = balances[next];
      any_muted = any_muted || made.outputs[next].muted;
      rows.push_back({made.outputs[next].name + (made.outputs[next].muted ? ", MUTED" : ""),
                      b.level_at_1m_db ? fmt::format("{:.1f} dB", *b.level_at_1m_db) : "-",
                      b.over_way_below_db
                          ? fmt::format("{:+.1f} dB at {}", in_tenths(*b.over_way_below_db), short_hz(*b.point_hz))
                          : "-",
                      from(b.peak_limit_from_dbfs), from(b.power_limit_from_dbfs)});
    }
    const bool alike = std::ranges::all_of(rows, [&](const auto& row) {
      return std::ranges::equal(row.begin() + 1, row.end(), rows[0].begin() + 1, rows[0].end());
    });
    if (alike && !any_muted) {
      rows.resize(1);
      rows[0][0] = name_of_way(part_of(rig, made.outputs[first]), way);
    }
    for (std::vector<std::string>& row : rows) table.row(std::move(row));
  }
  std::string out = table.text(width);
  const bool all_told = std::ranges::all_of(balances, [](const Balance& b) { return b.level_at_1m_db.has_value(); });
  out += wrapped(
      fmt::format(
          "One and the same sine of {:g} dBFS on all feeds, limiters left out. Filters and eq are in it: over the "
          "way's band in the mean, and where two ways are compared at their point.{}",
          kBalanceSine_dbfs, all_told ? "" : " A way whose driver gives no sensitivity has no level."),
      width, "  ");
  return out + wrapped(first_held(rig, made, balances), width, "  ");
}

}  // namespace

std::string plan_text(const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& made, std::size_t width) {
  std::string out = wrapped(rig.title.empty() ? rig.file.string() : rig.title, width);
  if (venue != nullptr)
    out += wrapped(venue->title.empty() ? venue->file.string() : venue->title, width, "with the venue: ");
  out += "\nLevels at the loudspeaker terminals\n" + levels_table(made, width);
  out += "\nSignal path\n" + path_table(rig, made, width);
  out += "\nFilters\n" + filters_table(rig, venue, made, width);
  out += "\nLimiters\n" + limiters_table(rig, width);
  out += "\n" + wrapped(fmt::format("Latency: {} samples, {:.3f} ms at {:g} kHz, the same on every output",
                                    made.latency_samples, 1e3 * made.latency_samples / rig.controller.sample_rate_hz,
                                    rig.controller.sample_rate_hz / 1e3),
                        width);
  out += "\nGain structure\n" + gain_structure(rig, made, width);
  out += "\nHow the ways balance\n" + balance_table(rig, made, width);
  if (made.warnings.empty()) {
    out += "\nNo warnings.\n";
  } else {
    out += fmt::format("\n{} warning{}\n", made.warnings.size(), made.warnings.size() == 1 ? "" : "s");
    for (const Warning& warning : made.warnings) out += wrapped(warning.code + ": " + warning.text, width, "  ! ");
  }
  out +=
      "\n" + wrapped(
                 "These are calculated figures: measure before you trust them. Amplifier outputs can carry hazardous "
                 "voltage; switch off before wiring, and follow the local code and licensed practice.",
                 width);
  return out;
}

}  // namespace rackproof
