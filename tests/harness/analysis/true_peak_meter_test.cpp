// Must hold: the meter reads what the definition of ITU-R BS.1770-5, Annex 2 says (y[4n + p] = sum of h_p[k] x[n - k]),
// together with the samples, however the track is cut; and it misses nothing at the end.
#include "harness/analysis/true_peak_meter.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <random>
#include <vector>

namespace {
using rackproof::analysis::TruePeakMeter;
using Track = std::vector<float>;

// The standard's table as printed, in units of 2^-13: 0.0017089843750 is 14.
constexpr int kTable[4][12] = {{14, 90, -161, 272, -487, 1125, 7964, -838, 390, -218, 122, -68},
                               {-239, 240, -424, 730, -1364, 3810, 6388, -1641, 832, -477, 271, -155},
                               {-155, 271, -477, 832, -1641, 6388, 3810, -1364, 730, -424, 240, -239},
                               {-68, 122, -218, 390, -838, 7964, 1125, -487, 272, -161, 90, 14}};
double by_definition(const Track& x) {
  double peak = 0;
  for (std::size_t n = 0; n < x.size() + 12; ++n) {
    if (n < x.size()) peak = std::max(peak, std::abs(double{x[n]}));
    for (const auto& phase : kTable) {
      double y = 0;
      for (std::size_t k = 0; k < 12; ++k)
        if (n >= k && n - k < x.size()) y += phase[k] / 8192.0 * double{x[n - k]};
      peak = std::max(peak, std::abs(y));
    }
  }
  return peak;
}
double read(const Track& x, std::size_t cut) {
  TruePeakMeter meter;
  for (std::size_t n = 0; n < x.size(); n += cut) meter.process({&x[n], std::min(cut, x.size() - n)});
  meter.finish();
  return meter.peak_linear();
}
float uniform(std::mt19937& rng) { return static_cast<float>(static_cast<std::int32_t>(rng())) / 2147483648.0f; }
// A dozen products of magnitude below 1 in single precision: 24 roundings of 6e-8 and less.
constexpr double kRounding = 24 * 6e-8;

TEST(TruePeakMeter, IsTheDefinitionForEveryTrackAndEveryCut) {
  std::mt19937 rng(2);
  for (const std::size_t size : {1u, 2u, 5u, 11u, 12u, 13u, 255u, 256u, 257u, 1000u}) {
    for (int kind = 0; kind < 20; ++kind) {
      Track x(size);
      for (float& y : x) y = kind % 2 == 0 ? uniform(rng) : (rng() & 1 ? 1.0f : -1.0f);
      const double expected = by_definition(x), whole = read(x, size);
      ASSERT_NEAR(whole, expected, expected * kRounding) << size;
      for (const std::size_t cut : {1u, 7u, 64u, 256u, 300u}) ASSERT_EQ(read(x, cut), whole) << size << " by " << cut;
    }
  }
}
// Each tap of each phase on its own: what a lone sample brings forth is the largest tap, and pairs bring out the
// others.
TEST(TruePeakMeter, EveryTapCounts) {
  for (const auto& phase : kTable) {
    Track signs;  // those of a phase, in the order of time: the sum of its magnitudes is then the reading, if the
                  // greatest
    for (std::size_t k = 12; k-- > 0;) signs.push_back(phase[k] < 0 ? -1.0f : 1.0f);
    EXPECT_NEAR(read(signs, 12), by_definition(signs), 3 * kRounding);
    for (std::size_t k = 0; k < 12; ++k) {
      Track one_less = signs;
      one_less[k] = 0;
      EXPECT_NEAR(read(one_less, 12), by_definition(one_less), 3 * kRounding);
    }
  }
}
TEST(TruePeakMeter, TheCrestAfterTheEndIsSeenByFinishAlone) {
  const Track x{1.0f, 1.0f};  // the wave goes on to swing above both samples, between them
  TruePeakMeter meter;
  EXPECT_EQ(meter.peak_linear(), 0.0);
  meter.process(x);
  EXPECT_EQ(meter.peak_linear(), 1.0);
  meter.finish();
  EXPECT_NEAR(meter.peak_linear(), by_definition(x), kRounding * 2);
  EXPECT_GT(meter.peak_linear(), 1.2);
  const double kept = meter.peak_linear();
  meter.process(Track{0.5f, -0.5f});  // nothing of the old recording is left to add up with
  meter.finish();
  EXPECT_EQ(meter.peak_linear(), kept);
}
// The meter passes over runs that cannot read higher: by the signs of a phase, 0.6 can read 1.21, and 0.49 not 1.0.
TEST(TruePeakMeter, ALoudStartHidesNoHigherCrestLater) {
  for (const float later : {0.49f, 0.496f, 0.52f, 0.6f, 0.9f})
    for (const std::size_t at : {1000u, 1023u, 1024u, 1300u}) {
      Track x(2000);
      x[3] = 1.0f;
      for (std::size_t k = 0; k < 12; ++k) x[at + k] = kTable[1][11 - k] < 0 ? -later : later;
      for (const std::size_t cut : {1u, 256u, 2000u})
        EXPECT_NEAR(read(x, cut), by_definition(x), 2 * kRounding) << later << " at " << at << " by " << cut;
    }
  std::mt19937 rng(3);
  Track swelling(20000);
  for (std::size_t n = 0; n < swelling.size(); ++n)
    swelling[n] = (rng() & 1 ? 1.0f : -1.0f) * (0.3f + 0.035f * static_cast<float>(n * 20 / swelling.size()));
  EXPECT_NEAR(read(swelling, 700), by_definition(swelling), 2 * kRounding);
}
TEST(TruePeakMeter, WhatIsNotFiniteIsPassedOver) {
  for (const float bad : {std::numeric_limits<float>::quiet_NaN(), std::numeric_limits<float>::infinity()}) {
    Track x(100, 0.25f);
    x[50] = bad;
    EXPECT_NEAR(read(x, 100), read(Track(49, 0.25f), 100), 1e-6);
  }
}
}  // namespace
