#include "harness/compare/words.hpp"

#include <cmath>

#include <fmt/format.h>

#include "harness/analysis/decibels.hpp"
#include "harness/proof/impulse_response.hpp"

namespace rackproof::compare {

const char* const kHowJudged =
    "Each is measured on the chain, limiters and mutes left out, all feeds driven alike, and judged from 20 Hz to 20 "
    "kHz where either of the two is within 60 dB of its loudest; \"at work\" is where either is within 12 dB of it. A "
    "level counts as no lower than 100 dB below its loudest.";
const char* const kLowTone =
    "A sine at the low edge of the output's band (of two edges the higher), 6 dB over the threshold of the peak limiter, "
    "held by that limiter alone: all of its harmonics, in dB below it.";
const char* const kCostOnce =
    "Measured once on this machine, one rig after the other: times differ by some 10 % from run to run. Counts of "
    "instructions do not.";

std::span<const PlayingColumn> playing_columns() {
  static constexpr PlayingColumn kColumns[] = {
      {"V RMS", [](const Playing& p) { return p.rms_volts; }, 2, ""},
      {"peak: mean dB", [](const Playing& p) { return p.peak_held.mean_db; }, 2, ""},
      {"peak: 95\u00a0% dB", [](const Playing& p) { return p.peak_held.p95_db; }, 2, ""},
      {"over 1\u00a0dB", [](const Playing& p) { return 100 * p.peak_held.over_1_db; }, 1, " %"},
      {"over 3\u00a0dB", [](const Playing& p) { return 100 * p.peak_held.over_3_db; }, 1, " %"},
      {"power: mean dB", [](const Playing& p) { return p.power_held.mean_db; }, 2, ""}};
  return kColumns;
}

std::string apart_text(const std::optional<Apart>& apart) {
  if (!apart) return "nothing plays";
  if (apart->everywhere && std::abs(apart->db) >= kDeepest_db) return apart->db < 0 ? "silent in b" : "silent in a";
  const double rounded = std::round(100 * apart->db) / 100;
  return rounded == 0 ? (apart->db == 0 ? "0 dB" : "< 0.01 dB") : fmt::format("{:+.2f} dB", rounded);
}
std::string place_text(const std::optional<Apart>& apart) {
  if (!apart || std::abs(apart->db) < 0.005 || (apart->everywhere && std::abs(apart->db) >= kDeepest_db)) return "";
  return apart->everywhere ? "everywhere" : proof::hertz_text(apart->at_hz);
}
std::optional<double> decibels_between(std::optional<double> a, std::optional<double> b) {
  if (!a || !b || !(*a > 0) || !(*b > 0)) return std::nullopt;
  return analysis::db_from_ratio(*b / *a);
}

Levels levels_of(const Candidate& candidate, const std::optional<Figures>& figures) {
  if (!figures) return {};
  const OutputPlan& plan = candidate.compiled.outputs[figures->index];
  Levels levels;
  levels.clip_volts_peak = plan.clip_volts_peak;
  levels.limit_volts_peak = plan.limit_volts_peak;
  levels.limit_dbfs_peak = plan.limit_dbfs_peak;
  levels.thermal_volts_rms = plan.thermal_volts_rms;
  levels.thermal_dbfs_rms = plan.thermal_dbfs_rms;
  levels.level_at_1m_db = plan.level_at_1m_db;
  levels.delay_ms = 1e3 * plan.delay_s;
  levels.gain_db = plan.gain_db;
  levels.distortion_db = figures->distortion_db;
  levels.limited_by = rackproof::name_of(plan.limited_by);
  return levels;
}

std::string name_of(const Sum& sum) {
  const std::string of = sum.feed == "sum" ? "sum" : "sum of " + sum.feed;
  return sum.loudspeaker.empty() ? of : sum.loudspeaker + ", " + of;
}
std::string name_of(const Candidate& a, const Candidate& b, const Output& output) {
  const auto muted = [](const Candidate& one, const std::optional<Figures>& figures) {
    return figures && one.compiled.outputs[figures->index].muted;
  };
  const bool in_a = muted(a, output.a), in_b = muted(b, output.b);
  if (!in_a && !in_b) return output.name;
  return output.name + (in_a && in_b ? " (muted)" : in_a ? " (muted in a)" : " (muted in b)");
}

}  // namespace rackproof::compare
