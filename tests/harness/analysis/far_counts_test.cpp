// Must hold: meters count on behind 2^31, 2^32 and 2^53: of a cell of 64 frames, 2^32 are 66 days at 48 kHz.
#include <gtest/gtest.h>

#include <cstdint>
#include <vector>

#include "harness/analysis/held.hpp"
#include "harness/analysis/levels.hpp"

namespace rackproof::analysis {

/// Whatever the width of a counter, so that one that is too narrow is seen by what it counts.
struct CounterProbe {
  static void put(Levels& levels, std::uint64_t count) { levels.count_ = static_cast<decltype(levels.count_)>(count); }
};

namespace {

constexpr std::uint64_t kFarCounts[] = {std::uint64_t{1} << 31, std::uint64_t{1} << 32, std::uint64_t{1} << 53};

/// Of `far` cells in all, 30 % are held by 6.02 dB, 4 % by 2.5 dB, and the last three come one by one.
TEST(FarCounts, WhatALimiterHoldsIsTheSameShareOfALongTimeAsOfAShortOne) {
  const auto held_of = [](std::uint64_t cells) {
    HeldMeter meter;
    const std::uint64_t half = cells / 10 * 3, quarter = cells / 25;
    meter.add(0.5f, half);
    meter.add(0.75f, quarter);
    meter.add(1.0f, cells - half - quarter - 3);
    for (int n = 0; n < 3; ++n) meter.add(0.5f);
    return meter.held();
  };
  const Held near = held_of(1'000'000);
  EXPECT_NEAR(near.over_3_db, 0.3, 1e-5);
  EXPECT_NEAR(near.over_1_db, 0.34, 1e-5);
  EXPECT_NEAR(near.mean_db, 0.3 * 6.0206 + 0.04 * 2.4988, 0.018);  // half a bin: held.hpp
  for (const std::uint64_t far : kFarCounts) {
    const Held held = held_of(far);  // 3 cells more or less of a million are 3e-6 of it
    EXPECT_NEAR(held.mean_db, near.mean_db, 2e-5) << far;
    EXPECT_NEAR(held.over_1_db, near.over_1_db, 4e-6) << far;
    EXPECT_NEAR(held.over_3_db, near.over_3_db, 4e-6) << far;
    EXPECT_EQ(held.p95_db, near.p95_db) << far;
    EXPECT_EQ(held.greatest_db, near.greatest_db) << far;
  }
}
TEST(FarCounts, LevelsCountTheirSamplesOn) {
  const std::vector<float> block(1000, 0.5f);
  for (const std::uint64_t far : kFarCounts)
    for (const std::uint64_t counted : {far - 300, far + 1}) {  // 2^53 + 1 is no double
      Levels levels;
      CounterProbe::put(levels, counted);
      levels.add(std::span<const float>(block));
      EXPECT_EQ(levels.count(), counted + 1000);
      EXPECT_DOUBLE_EQ(levels.mean(), 500.0 / static_cast<double>(counted + 1000));
      EXPECT_DOUBLE_EQ(levels.mean_square(), 250.0 / static_cast<double>(counted + 1000));
    }
}

}  // namespace
}  // namespace rackproof::analysis
