// Must hold: the theorem at the top of held.hpp: mean, percentile and shares of the time are the definition's within what
// it says, for every cut of the stream; and nothing held is nothing.
#include "harness/analysis/held.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <random>
#include <tuple>
#include <vector>

namespace {
using rackproof::analysis::Held;
using rackproof::analysis::HeldMeter;
using rackproof::analysis::LimiterMeter;
using rackproof::dsp::kGridFrames;

// Half a bin: 2^-8 of a gain just above 1/2, in dB, by two; and a little for the middle's rounding.
constexpr double kBinDb = 0.018;

Held by_definition(std::vector<float> gains) {
  std::vector<double> db;
  for (const float gain : gains) db.push_back(gain < 1.0f ? -20 * std::log10(double{gain}) : 0.0);
  Held held;
  const auto count = static_cast<double>(db.size());
  for (const double one : db) {
    held.mean_db += one / count;
    held.over_1_db += (one > 1 ? 1 : 0) / count;
    held.over_3_db += (one > 3 ? 1 : 0) / count;
  }
  std::sort(db.begin(), db.end());
  held.p95_db = db[db.size() - db.size() / 20 - 1];
  held.greatest_db = db.back();
  return held;
}
Held read(const std::vector<float>& gains) {
  HeldMeter meter;
  for (const float gain : gains) meter.add(gain);
  return meter.held();
}

TEST(HeldMeter, IsTheDefinitionForEveryKindOfGain) {
  std::mt19937 rng(31);
  const auto uniform = [&rng] { return static_cast<double>(rng()) / 4294967296.0; };
  for (const double deepest_db : {0.01, 0.5, 3.0, 20.0, 100.0})
    for (const double busy : {0.01, 0.049, 0.051, 0.3, 1.0})
      for (const std::size_t cells : {1u, 19u, 20u, 21u, 1000u}) {
        std::vector<float> gains;
        for (std::size_t n = 0; n < cells; ++n)
          gains.push_back(uniform() < busy ? static_cast<float>(std::pow(10, -deepest_db * uniform() / 20)) : 1.0f);
        const Held held = read(gains), expected = by_definition(gains);
        EXPECT_NEAR(held.mean_db, expected.mean_db, kBinDb);
        EXPECT_NEAR(held.p95_db, expected.p95_db, kBinDb) << deepest_db << " dB, " << busy << ", " << cells;
        EXPECT_NEAR(held.greatest_db, expected.greatest_db, 1e-9);
        EXPECT_NEAR(held.over_1_db, expected.over_1_db, 1e-9);
        EXPECT_NEAR(held.over_3_db, expected.over_3_db, 1e-9);
      }
}
TEST(HeldMeter, ThePercentileTurnsWhereATwentiethOfTheTimeIsPassed) {
  std::vector<float> gains(100, 1.0f);
  std::fill_n(gains.begin(), 5, 0.5f);
  EXPECT_EQ(read(gains).p95_db, 0) << "held for 5 %: 95 % of the time it is at rest";
  gains[5] = 0.5f;
  EXPECT_NEAR(read(gains).p95_db, 6.02, kBinDb);
}
TEST(HeldMeter, SharesTurnAtOneAndThreeDecibels) {
  for (const auto& [db, over_1, over_3] : {std::tuple(0.999, 0, 0), {1.001, 1, 0}, {2.999, 1, 0}, {3.001, 1, 1}}) {
    const Held held = read({static_cast<float>(std::pow(10, -db / 20))});
    EXPECT_EQ(held.over_1_db, over_1) << db;
    EXPECT_EQ(held.over_3_db, over_3) << db;
  }
}
TEST(HeldMeter, NothingHeldIsNothingAndWhatIsBeyondItsRangeIsItsEnd) {
  for (const std::vector<float>& gains : {std::vector<float>{}, {1.0f, 1.0f}, {1.5f}}) {
    const Held held = read(gains);
    EXPECT_EQ(held.mean_db, 0);
    EXPECT_EQ(held.p95_db, 0);
    EXPECT_EQ(held.greatest_db, 0);
    EXPECT_EQ(held.over_1_db, 0);
  }
  for (const float gain : {1e-7f, 1e-30f, 0.0f}) {
    const Held held = read({gain});
    EXPECT_NEAR(held.p95_db, 120, 0.5);
    EXPECT_LE(held.greatest_db, 120 + 20.1);
    EXPECT_TRUE(std::isfinite(held.mean_db));
  }
}

// The gains of every frame, given in pieces of any size that end at the grid: each cell counts once, with its least.
TEST(LimiterMeter, EveryCutGivesTheSameAndBothTogetherAreTheirProduct) {
  std::mt19937 rng(5);
  const auto gain = [&rng] { return 0.25f + 0.75f * static_cast<float>(rng() >> 8) / 16777216.0f; };
  constexpr std::size_t kFrames = 40 * kGridFrames + 17;
  std::vector<float> peak, power;
  for (std::size_t n = 0; n < kFrames; ++n) {
    peak.push_back(gain());
    power.push_back(gain());
  }
  const auto least = [](const std::vector<float>& row, std::size_t from, std::size_t count) {
    const auto begin = row.begin() + static_cast<std::ptrdiff_t>(from);
    return *std::min_element(begin, begin + static_cast<std::ptrdiff_t>(count));
  };
  std::vector<float> peak_cells, power_cells, both;
  for (std::size_t at = 0; at < kFrames; at += kGridFrames) {
    const std::size_t count = std::min<std::size_t>(kGridFrames, kFrames - at);
    peak_cells.push_back(least(peak, at, count));
    power_cells.push_back(least(power, at, count));
    both.push_back(peak_cells.back() * power_cells.back());
  }
  for (const std::size_t cut : {1u, 7u, 63u, 64u, 1000u}) {
    LimiterMeter meter;
    for (std::size_t at = 0, count = 0; at < kFrames; at += count) {
      count = std::min({cut, kFrames - at, std::size_t{kGridFrames} - at % kGridFrames});
      meter.add(least(peak, at, count), least(power, at, count), count);
    }
    meter.finish();
    EXPECT_EQ(meter.peak().mean_db, read(peak_cells).mean_db) << cut;
    EXPECT_EQ(meter.power().mean_db, read(power_cells).mean_db) << cut;
    EXPECT_EQ(meter.together().mean_db, read(both).mean_db) << cut;
    EXPECT_EQ(meter.together().p95_db, read(both).p95_db) << cut;
    EXPECT_GT(meter.together().p95_db, meter.peak().p95_db);
  }
}

}  // namespace
