#include "harness/verbs/plan_text.hpp"

#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>
#include <cmath>
#include <numbers>
#include <optional>
#include <vector>

#include "harness/calibration/filters.hpp"
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
    table.row({plan.name, plan.source == dsp::kMeanOfFeeds ? "mean of feeds" : plan.feed, band(plan),
               fmt::format("{:+.2f} dB", plan.gain_db), plan.polarity < 0 ? "inverted" : "normal",
               or_dash(plan.delay_samples > 0, fmt::format("{:.3f} ms", plan.delay_s * 1e3)),
               or_dash(plan.delay_samples > 0, fmt::format("{:.3f} m", plan.delay_s * speed)),
               fmt::format("{}", plan.sections.size())});
  }
  std::string out = table.text(width);
  for (const OutputPlan& plan : made.outputs) {
    for (const FeedPath& path : plan.feed_paths) {
      if (path.gain_db == 0 && path.sections.empty()) continue;
      out += wrapped(fmt::format("and {:+.2f} dB and {} section{} on {} alone, ahead of the mean", path.gain_db,
                                 path.sections.size(), path.sections.size() == 1 ? "" : "s", path.feed),
                     width, fmt::format("  {}: ", plan.name));
    }
  }
  return out;
}

std::string gain_structure(const rig::Rig& rig, const CompiledRig& made, std::size_t width) {
  const auto full_scale = [](double volts) { return fmt::format("{:+.2f} dBu ({:.3g} V RMS)", dbu(volts), volts); };
  const rig::Controller& controller = rig.controller;
  std::string out;
  const std::string input = controller.input_full_scale_volts_rms
                                ? full_scale(*controller.input_full_scale_volts_rms) + " at its input, "
                                : std::string();
  out += wrapped(fmt::format("0 dBFS is {}{} at its output", input, full_scale(controller.output_full_scale_volts_rms)),
                 width, "  controller: ");
  std::size_t told = made.outputs.size();
  for (const OutputPlan& plan : made.outputs) {
    if (plan.way_index == told) continue;
    told = plan.way_index;
    const rig::Way& way = rig.ways[plan.way_index];
    const rig::Amplifier& amplifier = rig.amplifier_of(way);
    const double clip_in_dbu = dbu(plan.clip_volts_peak / std::numbers::sqrt2 / from_db(plan.amplifier_gain_db));
    const char* const taken = !amplifier.bridged    ? ""
                              : amplifier.doubled() ? " (bridged, ratings taken per side)"
                                                    : " (bridged, ratings taken as printed for bridged use)";
    const std::string attenuator = amplifier.attenuator_db == 0 ? ""
                                   : amplifier.attenuator_fixed
                                       ? fmt::format(" with its attenuator at {:+g} dB", amplifier.attenuator_db)
                                       : " with its attenuator taken as fully open";
    const char* const wiring = way.drivers == 1 ? "" : way.in_series ? " in series" : " in parallel";
    const std::string level =
        plan.level_at_1m_db ? fmt::format(", at the limit {:.1f} dB at 1 m", *plan.level_at_1m_db) : "";
    out += wrapped(
        fmt::format("amplifier {}{}, {:g} W into {:g} ohm{}, {:.1f} dB{}, clips at {:+.2f} dBu in: {:.1f} dB {} the "
                    "controller's full scale; {} x {}{}{}",
                    amplifier.name, taken, plan.rating_watts, plan.rating_ohm, amplifier.doubled() ? " a side" : "",
                    plan.amplifier_gain_db, attenuator, clip_in_dbu, std::abs(plan.clip_dbfs_peak),
                    plan.clip_dbfs_peak > 0 ? "above" : "below", way.drivers, way.driver, wiring, level),
        width, fmt::format("  {}: ", way.name));
  }
  return out;
}

/// What the sides of a point above make together, inserted so that the ways stay in phase.
bool passes_all_pass_of(const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& made, std::size_t way,
                        std::size_t point) {
  const auto output = std::ranges::find(made.outputs, way, &OutputPlan::way_index);
  const std::vector<Stage> stages = stages_of(rig, venue, *output);
  return std::ranges::find(stages, rig.points[point].source.key, &Stage::key) != stages.end();
}

/// What every way passes, a line a filter; then how many bands of eq there are and where.
std::string filters_table(const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& made, std::size_t width) {
  Table table({{"way", Align::left}, {"filter", Align::left}, {"at"}, {"alignment", Align::left}, {"slope"}});
  const auto row = [&](const rig::Way& way, const std::string& what, const rig::Filter& filter) {
    table.row({way.name, what, short_hz(filter.at_hz), word_of(filter.alignment),
               fmt::format("{} dB/oct", filter.slope_db_per_oct)});
  };
  for (std::size_t w = 0; w < rig.ways.size(); ++w) {
    const rig::Way& way = rig.ways[w];
    if (way.highpass) row(way, "high-pass", *way.highpass);
    for (std::size_t p = 0; p < rig.points.size(); ++p) {
      const std::string point = fmt::format("point {}, ", p + 1);
      if (p < w) row(way, point + "high side", rig.points[p].high);
      if (p == w) row(way, point + "low side", rig.points[p].low);
      if (p > w && passes_all_pass_of(rig, venue, made, w, p)) row(way, point + "all-pass", rig.points[p].low);
    }
    if (!way.highpass && rig.points.empty()) table.row({way.name, "none", "-", "-", "-"});
  }
  std::vector<std::string> eq{fmt::format("{} in system", rig.system_eq.size())};
  for (const rig::Way& way : rig.ways) eq.push_back(fmt::format("{} in way.{}", way.eq.size(), way.name));
  if (venue != nullptr) {
    eq.push_back(fmt::format("{} in venue", venue->all.eq.size()));
    for (const auto& [feed, layer] : venue->feed)
      if (!layer.eq.empty()) eq.push_back(fmt::format("{} in venue.feed.{}", layer.eq.size(), feed));
  }
  return table.text(width) + wrapped(fmt::format("{}", fmt::join(eq, ", ")), width, "  bands of eq: ");
}

std::string limiters_table(const rig::Rig& rig, std::size_t width) {
  Table table(
      {{"way", Align::left}, {"look-ahead"}, {"hold"}, {"release"}, {"true peak", Align::left}, {"thermal time"}});
  const auto ms = [](double seconds) { return fmt::format("{:.4g} ms", 1e3 * seconds); };
  for (const rig::Way& way : rig.ways) {
    const std::optional<rig::Limit>& limit = way.limit;
    table.row({way.name, limit ? ms(limit->look_ahead_s) : "-", limit ? ms(limit->hold_s) : "-",
               limit ? ms(limit->release_s) : "-",
               !limit             ? "-"
               : limit->true_peak ? "yes"
                                  : "no",
               or_dash(way.thermal.has_value(), fmt::format("{:.4g} s", rig.driver_of(way).thermal_time_s))});
  }
  return table.text(width);
}

/// Without a sign of nothing: -0.04 is 0.
double in_tenths(double value) { return std::round(10 * value) / 10 + 0.0; }

/// Which limiter acts first, and how far behind the others are.
std::string first_held(const rig::Rig& rig, const CompiledRig& made, const std::vector<Balance>& balances) {
  struct Held {
    double from_dbfs;
    std::string way;
    bool by_power;
  };
  std::vector<Held> held;  // one a way
  for (std::size_t o = 0; o < balances.size(); ++o) {
    const std::optional<double> from = balances[o].first_limit_dbfs();
    if (!from) continue;
    const Held one{*from, made.outputs[o].way, from == balances[o].power_limit_from_dbfs};
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
  return text + (rig.ways.size() > 1 ? ". Music has less in the higher bands: render and prove --program tell what a "
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
  for (std::size_t w = 0; w < rig.ways.size(); ++w) {
    std::vector<std::vector<std::string>> rows;
    for (std::size_t o = 0; o < made.outputs.size(); ++o) {
      if (made.outputs[o].way_index != w) continue;
      const Balance& b = balances[o];
      rows.push_back({made.outputs[o].name, b.level_at_1m_db ? fmt::format("{:.1f} dB", *b.level_at_1m_db) : "-",
                      b.over_way_below_db
                          ? fmt::format("{:+.1f} dB at {}", in_tenths(*b.over_way_below_db), short_hz(*b.point_hz))
                          : "-",
                      from(b.peak_limit_from_dbfs), from(b.power_limit_from_dbfs)});
    }
    const bool alike = std::ranges::all_of(rows, [&](const auto& row) {
      return std::ranges::equal(row.begin() + 1, row.end(), rows[0].begin() + 1, rows[0].end());
    });
    if (alike) {
      rows.resize(1);
      rows[0][0] = rig.ways[w].name;
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
