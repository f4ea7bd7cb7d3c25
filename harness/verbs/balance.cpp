#include "harness/verbs/balance.hpp"

#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>
#include <span>

#include "harness/analysis/response.hpp"
#include "harness/calibration/levels.hpp"

namespace rackproof {
namespace {

/// From one sine on all feeds to ahead of the limiters. A mean of unlike feeds is the mean of what they make of it, a mix
/// their sum: their shares are in their gains.
class WholePath {
 public:
  WholePath(const OutputPlan& plan, double sample_rate_hz)
      : rate_hz_(sample_rate_hz),
        common_(std::span<const dsp::Biquad>(plan.sections), analysis::ratio_from_db(plan.gain_db)) {
    const double share =
        plan.source == dsp::kMixOfFeeds ? 1 : 1 / std::max(1.0, static_cast<double>(plan.feed_paths.size()));
    for (const FeedPath& path : plan.feed_paths)
      feeds_.emplace_back(std::span<const dsp::Biquad>(path.sections), share * analysis::ratio_from_db(path.gain_db));
  }
  double power_at(double frequency_hz) const {
    const double frequency = frequency_hz / rate_hz_;
    std::complex<double> together = feeds_.empty() ? 1 : 0;
    for (const analysis::LinearPath& feed : feeds_) together += feed.at(frequency).value;
    return std::norm(common_.at(frequency).value * together);
  }
  double level_db_at(double frequency_hz) const {
    return analysis::db_from_ratio(std::sqrt(std::max(power_at(frequency_hz), 1e-40)));
  }
  /// Mean by power over log frequency.
  double level_db_between(double low_hz, double high_hz) const {
    constexpr int kSteps = 200;
    double sum = 0;
    for (int i = 0; i < kSteps; ++i) sum += power_at(low_hz * std::pow(high_hz / low_hz, (i + 0.5) / kSteps));
    return analysis::db_from_ratio(std::sqrt(std::max(sum / kSteps, 1e-40)));
  }

 private:
  double rate_hz_;
  analysis::LinearPath common_;
  std::vector<analysis::LinearPath> feeds_;
};

/// Of a sine at full scale ahead of the limiter.
std::optional<double> level_at_full_scale(const OutputPlan& plan) {
  if (!plan.level_at_1m_per_volt_db) return std::nullopt;
  return *plan.level_at_1m_per_volt_db + analysis::db_from_ratio(plan.full_scale_volts_peak / std::numbers::sqrt2);
}

/// The output of the way below in the same loudspeaker that plays along: of the same feed, the mean or the mix; else the
/// first one of that way.
const OutputPlan* below(const CompiledRig& made, const OutputPlan& plan) {
  const OutputPlan* first = nullptr;
  for (const OutputPlan& other : made.outputs) {
    if (other.part != plan.part || other.way_index + 1 != plan.way_index) continue;
    if (other.source == plan.source) return &other;
    if (first == nullptr) first = &other;
  }
  return first;
}

}  // namespace

std::optional<double> Balance::first_limit_dbfs() const {
  std::optional<double> first;
  for (const std::optional<double>& from : {peak_limit_from_dbfs, power_limit_from_dbfs})
    if (from && *from <= 0 && (!first || *from < *first)) first = from;
  return first;
}

std::vector<Balance> balance_of(const rig::Rig& rig, const CompiledRig& made) {
  const double rate_hz = rig.controller.sample_rate_hz;
  std::vector<Balance> all;
  for (std::size_t o = 0; o < made.outputs.size(); ++o) {
    const OutputPlan& plan = made.outputs[o];
    const WholePath path(plan, rate_hz);
    Balance& balance = all.emplace_back();
    const double high_hz = plan.high_edge_hz > 0 ? plan.high_edge_hz : std::min(20e3, 0.45 * rate_hz);
    const double low_hz = std::min(std::max(plan.low_edge_hz, 20.0), high_hz);
    balance.band_gain_db = path.level_db_between(low_hz, high_hz);
    const std::optional<double> full_scale = level_at_full_scale(plan);
    if (full_scale) balance.level_at_1m_db = *full_scale + balance.band_gain_db + kBalanceSine_dbfs;
    if (made.settings().outputs[o].peak.enabled)
      balance.peak_limit_from_dbfs = plan.limit_dbfs_peak - balance.band_gain_db;
    if (plan.thermal_dbfs_rms) balance.power_limit_from_dbfs = *plan.thermal_dbfs_rms - balance.band_gain_db;
    const OutputPlan* const lower = below(made, plan);
    const std::optional<double> lower_full_scale = lower != nullptr ? level_at_full_scale(*lower) : std::nullopt;
    if (!full_scale || !lower_full_scale) continue;
    const rig::Point& point = part_of(rig, plan).points[lower->way_index];
    balance.point_hz = std::sqrt(point.low.at_hz * point.high.at_hz);
    balance.over_way_below_db = *full_scale + path.level_db_at(*balance.point_hz) - *lower_full_scale -
                                WholePath(*lower, rate_hz).level_db_at(*balance.point_hz);
  }
  return all;
}

}  // namespace rackproof
