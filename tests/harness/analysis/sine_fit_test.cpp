// Must hold: a sum of harmonics comes back exactly, whatever the length; what is not a harmonic is the residual.
// Tolerance: rounding of the angles, some 1e-13.
#include "harness/analysis/sine_fit.hpp"

#include <gtest/gtest.h>

#include <cmath>

#include "harness/analysis/decibels.hpp"
#include "harness/analysis/levels.hpp"
#include "harness/stimuli/noise.hpp"
#include "harness/stimuli/tones.hpp"

namespace rackproof::analysis {
namespace {
using stimuli::take;

TEST(FitSine, FindsEveryHarmonicAtAnyLength) {
  for (const std::size_t size : {101u, 997u, 4801u}) {
    std::vector<double> x = take(
        stimuli::multi_tone({{997, 0.9, 0.4}, {1994, 1e-3, -1.0}, {2991, 1e-5, 2.0}, {9970, 1e-6, 0.0}}, 48000), size);
    for (double& v : x) v += 0.02;
    const SineFit fit = fit_sine(x, 997.0 / 48000, 10);
    ASSERT_EQ(fit.amplitude.size(), 10u);
    EXPECT_NEAR(fit.offset, 0.02, 1e-13);
    EXPECT_NEAR(fit.amplitude[0], 0.9, 1e-13);
    EXPECT_NEAR(fit.phase_rad[0], 0.4, 1e-12);
    EXPECT_NEAR(fit.amplitude[1], 1e-3, 1e-13);
    EXPECT_NEAR(fit.phase_rad[1], -1.0, 1e-9);
    EXPECT_NEAR(fit.amplitude[2], 1e-5, 1e-13);
    EXPECT_NEAR(fit.amplitude[9], 1e-6, 1e-13);
    EXPECT_LT(fit.residual_rms, 1e-13);
    EXPECT_NEAR(fit.thd(), std::sqrt(1e-6 + 1e-10 + 1e-12) / 0.9, 1e-12);
  }
}

TEST(FitSine, LeavesWhatIsNoHarmonicInTheResidual) {
  std::vector<double> x = take(stimuli::sine({997, 0.5}, 48000), 48000);
  const std::vector<double> hiss = take(stimuli::white_noise(1), 48000),
                            hum = take(stimuli::sine({50, 1e-3}, 48000), 48000);
  for (std::size_t n = 0; n < x.size(); ++n) x[n] += 1e-4 * hiss[n] + hum[n];
  const SineFit fit = fit_sine(x, 997.0 / 48000, 5);
  EXPECT_NEAR(fit.residual_rms, std::sqrt(0.5e-6 + 1e-8), 2e-6);
  EXPECT_NEAR(db_from_ratio(fit.thd_plus_noise()), db_from_ratio(std::sqrt(0.5e-6 + 1e-8) / (0.5 / std::sqrt(2.0))),
              0.03);
  EXPECT_LT(fit.thd(), 2e-6 * 5);
}

// Harmonics that fold back are left out, and what was modelled no longer counts as residual (control).
TEST(FitSine, StopsAtHalfTheSampleRate) {
  const std::vector<double> x = take(stimuli::band_limited_square({6000, 1.0}, 48000), 4801);
  const SineFit all = fit_sine(x, 0.125, 10), first = fit_sine(x, 0.125, 1);
  EXPECT_EQ(all.amplitude.size(), 3u);
  EXPECT_LT(all.residual_rms, 1e-13);
  EXPECT_NEAR(all.amplitude[2], all.amplitude[0] / 3, 1e-12);
  EXPECT_NEAR(first.residual_rms, all.amplitude[2] / std::sqrt(2.0), 1e-3);
  EXPECT_THROW(fit_sine(x, 0.5), std::invalid_argument);
  EXPECT_THROW(fit_sine(std::span(x).first(10), 0.1), std::invalid_argument);
}
}  // namespace
}  // namespace rackproof::analysis
