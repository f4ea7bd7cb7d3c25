// Must hold: the time constant of an exponential comes back, also when the track is rounded or followed by something
// else; what is no decay is not found.
#include "harness/analysis/decay.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <vector>

namespace rackproof::analysis {
namespace {
TEST(FitDecay, FindsTheTimeConstant) {
  for (const double tau : {0.01, 0.1, 2.0}) {
    std::vector<double> track, rounded, gain;
    for (int n = 0; n < static_cast<int>(tau * 48000 * 4); ++n) {
      const double v = 0.7 * std::exp(-n / (tau * 48000));
      track.push_back(v);
      rounded.push_back(std::round(v * 32768) / 32768);
      gain.push_back(1 - v);
    }
    const DecayFit fit = fit_decay(track, 48000);
    ASSERT_TRUE(fit.found);
    EXPECT_NEAR(fit.time_constant_s / tau, 1.0, 1e-10);
    EXPECT_NEAR(fit.start_value, 0.7, 1e-10);
    EXPECT_LT(fit.worst_relative_error, 1e-10);
    EXPECT_NEAR(track[fit.first] / 0.63, 1.0, 3e-3);  // a step at tau = 0.01 is 0.2 %
    EXPECT_NEAR(track[fit.last] / 0.07, 1.0, 3e-3);
    EXPECT_NEAR(fit_decay(rounded, 48000).time_constant_s / tau, 1.0, 1e-3);
    EXPECT_NEAR(fit_release(gain, 48000).time_constant_s / tau, 1.0, 1e-10);
  }
}

// Steps of 1/512 at the foot of the track, where they are a fifth of it: the weights keep them from bending the line.
TEST(FitDecay, IsNotBentByCoarseStepsAtTheFoot) {
  std::vector<double> coarse;
  for (int n = 0; n < 40000; ++n) coarse.push_back(std::floor(512 * 0.7 * std::exp(-n / 4800.0)) / 512);
  EXPECT_NEAR(fit_decay(coarse, 48000, 0.9, 0.01).time_constant_s / 0.1, 1.0, 0.01);
}

TEST(FitDecay, SaysHowFarTheTrackIsFromAnExponential) {
  std::vector<double> straight;
  for (int n = 0; n < 1000; ++n) straight.push_back(1 - n / 1000.0);
  EXPECT_GT(fit_decay(straight, 48000).worst_relative_error, 0.1);
}

TEST(FitDecay, OfWhatDoesNotDecayIsNone) {
  EXPECT_FALSE(fit_decay({}, 48000).found);
  EXPECT_FALSE(fit_decay(std::vector<double>(100, 0.0), 48000).found);
  EXPECT_FALSE(fit_decay(std::vector<double>(100, 1.0), 48000).found);
  EXPECT_FALSE(fit_decay(std::vector<double>{1.0, 0.5, 0.01, 0.0}, 48000).found);  // too fast to fit
}
}  // namespace
}  // namespace rackproof::analysis
