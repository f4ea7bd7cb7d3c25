// Theorem  a reduced recording spans the same time in at most so many buckets and keeps every extreme; a limiting
//          moment is where and as deep as the gains say. Oracle: brute force over every small size.
#include "harness/report/reduction.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <random>

namespace rackproof::report {
namespace {

using proof::Recording;
using proof::Track;

Recording noise(std::size_t buckets) {
  std::mt19937 bits(static_cast<unsigned>(buckets) + 1);
  const auto value = [&bits] { return static_cast<double>(bits() % 2001) / 10 - 100; };
  Recording recording{"a.wav", 10, buckets == 0 ? 1.0 : 10.0 / static_cast<double>(buckets), {Track{}}};
  Track& track = recording.tracks[0];
  for (std::vector<double>* row : {&track.least, &track.greatest, &track.peak_gain_db, &track.power_gain_db}) {
    for (std::size_t b = 0; b < buckets; ++b) row->push_back(value());
  }
  return recording;
}

TEST(Reduction, KeepsEveryExtremeAtEverySmallSize) {
  for (std::size_t buckets = 0; buckets <= 40; ++buckets) {
    for (std::size_t most = 1; most <= 45; ++most) {
      const Recording full = noise(buckets), few = reduced(full, most);
      const Track &from = full.tracks[0], &to = few.tracks[0];
      const std::size_t run = std::max<std::size_t>(1, (buckets + most - 1) / most);
      ASSERT_LE(to.least.size(), most);
      ASSERT_EQ(to.least.size(), (buckets + run - 1) / run);
      // The same time, but for the last bucket's remainder.
      ASSERT_NEAR(few.bucket_seconds, full.bucket_seconds * static_cast<double>(run), 1e-12);
      for (std::size_t b = 0; b < to.least.size(); ++b) {
        double least = 1e9, greatest = -1e9, peak = 1e9, power = 1e9;
        for (std::size_t n = b * run; n < std::min(buckets, (b + 1) * run); ++n) {
          least = std::min(least, from.least[n]);
          greatest = std::max(greatest, from.greatest[n]);
          peak = std::min(peak, from.peak_gain_db[n]);
          power = std::min(power, from.power_gain_db[n]);
        }
        ASSERT_EQ(to.least[b], least);
        ASSERT_EQ(to.greatest[b], greatest);
        ASSERT_EQ(to.peak_gain_db[b], peak);
        ASSERT_EQ(to.power_gain_db[b], power);
      }
    }
  }
}

Track gains(std::vector<double> peak_db, std::vector<double> power_db) {
  Track track;
  track.peak_gain_db = std::move(peak_db);
  track.power_gain_db = std::move(power_db);
  return track;
}

TEST(Moments, AreWhereTheGainsAreDown) {
  //                     s: 0     0.1   0.2   0.3   0.4   0.5  0.6  0.7  0.8  0.9   1.0
  const Track track = gains({0.0, -0.5, -2.0, -0.3, -0.05, 0.0, 0.0, 0.0, 0.0, -1.0, 0.0},
                            {0.0, 0.0, -0.5, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, -3.0, 0.0});
  const std::vector<Moment> moments = limiting_moments(track, 0.1);
  ASSERT_EQ(moments.size(), 2u);
  EXPECT_NEAR(moments[0].from_s, 0.1, 1e-12);
  EXPECT_NEAR(moments[0].to_s, 0.4, 1e-12);
  EXPECT_NEAR(moments[0].deepest_at_s, 0.25, 1e-12);
  EXPECT_NEAR(moments[0].deepest_db, -2.5, 1e-12);
  EXPECT_FALSE(moments[0].by_power);
  EXPECT_NEAR(moments[1].deepest_db, -4.0, 1e-12);
  EXPECT_TRUE(moments[1].by_power);
}

TEST(Moments, CloseOnesAreOneAndFarOnesAreNot) {
  const auto apart = [](std::size_t buckets) {
    std::vector<double> peak_db(buckets + 2, 0.0);
    peak_db.front() = peak_db.back() = -1;
    return limiting_moments(gains(peak_db, {}), 0.125).size();  // a power of two: no rounding at the edge
  };
  EXPECT_EQ(apart(1), 1u);
  EXPECT_EQ(apart(2), 1u);  // 0.25 s
  EXPECT_EQ(apart(3), 2u);  // 0.375 s
}

TEST(Moments, ATenthOfADecibelIsNone) {
  EXPECT_TRUE(limiting_moments(gains({-0.1, 0.0}, {0.0, -0.1}), 1).empty());
  EXPECT_EQ(limiting_moments(gains({-0.06}, {-0.06}), 1).size(), 1u);  // both together
  EXPECT_TRUE(limiting_moments({}, 1).empty());
}

}  // namespace
}  // namespace rackproof::report
