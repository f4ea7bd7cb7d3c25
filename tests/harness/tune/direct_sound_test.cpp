// Must hold: of a response the first crest that counts is the direct sound, also where a later one is louder, and what is
// softer than a quarter of the loudest is not; its time between the samples, its sign, whatever the band.
#include "harness/tune/direct_sound.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <numbers>
#include <vector>

namespace rackproof::tune {
namespace {

using analysis::Complex;
constexpr std::size_t kSize = 8192, kBins = kSize / 2 + 1;

struct Pulse {
  double at_samples, gain;
};
/// Pulses through Butterworth edges of second order (cycles a sample; 0: open), with noise where coherence is low.
std::vector<Complex> response(const std::vector<Pulse>& pulses, double low = 0.002, double high = 0.4) {
  std::vector<Complex> h(kBins);
  for (std::size_t k = 1; k + 1 < kBins; ++k) {
    const double f = static_cast<double>(k) / kSize;
    for (const Pulse& pulse : pulses)
      h[k] += pulse.gain * std::polar(1.0, -2 * std::numbers::pi * std::remainder(f * pulse.at_samples, 1.0));
    h[k] /= std::sqrt((1 + std::pow(low / f, 4)) * (1 + std::pow(f / high, 4)));
  }
  return h;
}
DirectSound found(const std::vector<Pulse>& pulses, double low = 0.002, double high = 0.4) {
  return direct_sound(response(pulses, low, high), std::vector<double>(kBins, 1.0));
}

TEST(DirectSound, BetweenTheSamplesBeforeAndAfterTimeZero) {
  for (const double at : {0.0, 0.31, 77.77, -40.25, 900.5})
    for (const double gain : {1.0, -0.02}) {
      const DirectSound direct = found({{at, gain}});
      ASSERT_TRUE(direct.found);
      EXPECT_NEAR(direct.at_samples, at, 0.01) << at;  // no phase but the delay's: the crest itself
      EXPECT_EQ(direct.polarity, gain > 0 ? 1 : -1);
      EXPECT_NEAR(direct.coherence, 1, 1e-9);
    }
}
// A quarter of the loudest, -12 dB, from both sides; the edges of the band leave small crests of their own.
TEST(DirectSound, TheFirstThatCountsNotTheLoudest) {
  EXPECT_NEAR(found({{50, 0.30}, {250, -1}}).at_samples, 50, 0.1);
  EXPECT_NEAR(found({{50, 0.20}, {250, -1}}).at_samples, 250, 0.1);
  EXPECT_EQ(found({{50, 0.30}, {250, -1}}).polarity, 1);
  EXPECT_NEAR(found({{50, 1}, {53, 2}}).at_samples, 53, 3.1);  // closer than the band tells apart: one of both
}
// A sub's band and a horn's: the period in the middle says which it was.
TEST(DirectSound, WhateverTheBand) {
  double before = 0;
  for (const auto& [low, high] : {std::pair{0.1, 0.4}, {0.01, 0.05}, {0.0006, 0.003}}) {
    const DirectSound direct = found({{120.5, -1}}, low, high);
    ASSERT_TRUE(direct.found);
    EXPECT_NEAR(direct.at_samples, 120.5, 0.02 * direct.period_samples);
    EXPECT_EQ(direct.polarity, -1);
    EXPECT_GT(direct.period_samples, 1.5 * before);  // 30 dB down still counts: the bands overlap
    before = direct.period_samples;
  }
}
TEST(DirectSound, WhatHasNoCoherenceHasNoSay) {
  std::vector<Complex> h = response({{60, 1}});
  std::vector<double> coherence(kBins, 1.0);
  for (std::size_t k = kBins / 4; k < kBins; ++k) {  // another sound, loud, that nobody sent
    h[k] = 20.0 * std::polar(1.0, -2 * std::numbers::pi * std::remainder(static_cast<double>(k) / kSize * 20.0, 1.0));
    coherence[k] = 0.05;
  }
  // What is left of the other sound in the soft edge of what counts: the two are 40 samples apart.
  EXPECT_NEAR(direct_sound(h, coherence).at_samples, 60, 0.3);
  EXPECT_FALSE(direct_sound(h, std::vector<double>(kBins, 0.1)).found);
  EXPECT_FALSE(direct_sound(std::vector<Complex>(kBins), std::vector<double>(kBins, 1.0)).found);
}

}  // namespace
}  // namespace rackproof::tune
