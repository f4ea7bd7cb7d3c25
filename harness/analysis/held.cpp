#include "harness/analysis/held.hpp"

#include <bit>
#include <cmath>

#include "harness/analysis/decibels.hpp"

namespace rackproof::analysis {
namespace {

constexpr std::uint32_t kOne = std::bit_cast<std::uint32_t>(1.0f);
constexpr int kShift = 23 - 8;  // a single has 23 bits behind its leading one: 8 of them make 256 bins an octave
constexpr std::uint32_t kBins = 20 << 8;
constexpr float kOneDb = 0.89125094f, kThreeDb = 0.70794578f;  // 10^(-1/20), 10^(-3/20)

/// What is held in the middle of a bin.
double held_db(std::size_t bin) {
  const auto below = static_cast<std::uint32_t>(bin) << kShift;
  return -db_from_ratio(static_cast<double>(std::bit_cast<float>(kOne - below - (1u << (kShift - 1)))));
}

}  // namespace

void HeldMeter::add(float least_gain, std::uint64_t cells) {
  all_ += cells;
  if (!(least_gain < 1.0f)) return;
  if (cells_.empty()) cells_.resize(kBins);
  cells_[std::min((kOne - std::bit_cast<std::uint32_t>(least_gain)) >> kShift, kBins - 1)] += cells;
  over_1_ += least_gain < kOneDb ? cells : 0;
  over_3_ += least_gain < kThreeDb ? cells : 0;
  least_ = std::min(least_, least_gain);
}

Held HeldMeter::held() const {
  if (cells_.empty()) return {};
  const auto all = static_cast<double>(all_);
  Held held{.greatest_db = std::min(-db_from_ratio(static_cast<double>(least_)), 120.0),
            .over_1_db = static_cast<double>(over_1_) / all,
            .over_3_db = static_cast<double>(over_3_) / all};
  // The cells that are held the most, up to a twentieth of all, lie above the percentile.
  const std::uint64_t above = all_ / 20;
  std::uint64_t seen = 0;
  bool found = false;
  for (std::size_t bin = kBins; bin-- > 0;) {
    if (cells_[bin] == 0) continue;
    const double db = held_db(bin);
    held.mean_db += db * static_cast<double>(cells_[bin]) / all;
    seen += cells_[bin];
    if (!found && seen > above) {
      held.p95_db = std::min(db, held.greatest_db);
      found = true;
    }
  }
  return held;
}

void LimiterMeter::close() {
  peak_.add(peak_gain_);
  power_.add(power_gain_);
  together_.add(peak_gain_ * power_gain_);
  peak_gain_ = power_gain_ = 1.0f;
  frames_ = 0;
}

}  // namespace rackproof::analysis
