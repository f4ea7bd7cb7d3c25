// Must hold: white is Gaussian, of RMS 1 and without memory; pink falls by 10 dB a decade at every sample rate, from
// its first sample on; a crest factor is met without changing the RMS.
#include "harness/stimuli/noise.hpp"

#include <gtest/gtest.h>

#include <cmath>

#include "harness/analysis/levels.hpp"

namespace rackproof::stimuli {
namespace {
using analysis::db_from_power, analysis::levels_of;

TEST(WhiteNoise, IsGaussianAndHasNoMemory) {
  constexpr std::size_t kCount = 1000000;
  const std::vector<double> x = take(white_noise(11), kCount);
  double mean = 0, square = 0, cube = 0, fourth = 0;
  for (const double v : x) {
    mean += v;
    square += v * v;
    cube += v * v * v;
    fourth += v * v * v * v;
  }
  const double n = kCount;  // moments 0, 1, 0, 3 with variances 1, 2, 15, 96, over n; 4 standard errors
  EXPECT_NEAR(mean / n, 0, 4 * std::sqrt(1 / n));
  EXPECT_NEAR(square / n, 1, 4 * std::sqrt(2 / n));
  EXPECT_NEAR(cube / n, 0, 4 * std::sqrt(15 / n));
  EXPECT_NEAR(fourth / n, 3, 4 * std::sqrt(96 / n));
  for (const std::size_t lag : {1u, 2u, 3u, 100u, 623u, 624u}) {  // samples come in pairs, the generator in 624s
    double sum = 0;
    for (std::size_t i = lag; i < kCount; ++i) sum += x[i] * x[i - lag];
    EXPECT_NEAR(sum / n, 0, 4 / std::sqrt(n)) << lag;
  }
}

TEST(PinkNoise, FallsByTenDecibelsADecadeAtEverySampleRate) {
  for (const double rate : {44100.0, 48000.0, 88200.0, 96000.0, 176400.0, 192000.0}) {
    const std::vector<FirstOrder> sections = pink_sections(rate);
    const auto level = [&](double hz) {
      double power = hz;  // times f: flat if pink
      for (const FirstOrder& s : sections) power *= s.power_at(hz / rate);
      return db_from_power(power);
    };
    for (double hz = 10; hz < 0.45 * rate; hz *= 1.01) ASSERT_NEAR(level(hz), level(1000), 0.1) << hz << " at " << rate;
  }
}

TEST(PinkNoise, HasRmsOneAndBeginsInMidStream) {
  double squares = 0, beginnings = 0;
  for (std::uint32_t seed = 1; seed <= 60; ++seed) {
    const Signal pink = pink_noise(48000, seed);
    beginnings += levels_of(take(pink, 480)).mean_square();  // the first 10 ms
    squares += levels_of(take(pink, 48000)).mean_square();
  }
  EXPECT_NEAR(db_from_power(squares / 60), 0.0, 0.3);
  EXPECT_NEAR(db_from_power(beginnings / 60), 0.0, 1.5);  // 60 pieces whose lows hardly move: sigma 0.6 dB or less
  double cold = 0;                                        // control: without the run-in the lows are missing
  for (std::uint32_t seed = 1; seed <= 60; ++seed)
    cold += levels_of(take(filtered(white_noise(seed), pink_sections(48000)), 480)).mean_square();
  EXPECT_LT(db_from_power(cold / 60), -1.5);
}

TEST(FirstOrder, PredictsWhatItDoes) {
  const FirstOrder section{0.4, -0.3, -0.8};
  const std::vector<double> h = take(filtered(playback({1.0}), {section}), 400);
  for (const double f : {0.0, 0.01, 0.2, 0.5}) {
    double re = 0, im = 0;
    for (std::size_t n = 0; n < h.size(); ++n)
      re += h[n] * std::cos(6.283185307179586 * f * static_cast<double>(n)),
          im += h[n] * std::sin(6.283185307179586 * f * static_cast<double>(n));
    EXPECT_NEAR(section.power_at(f), re * re + im * im, 1e-12);
  }
}

TEST(CrestFactor, IsMetWithoutChangingTheRms) {
  for (const double crest : {1.5, 2.0, 4.0}) {
    const analysis::Levels levels = levels_of(take(with_crest_factor(white_noise(1), crest), 500000));
    EXPECT_NEAR(levels.rms(), 1.0, 0.005);
    EXPECT_NEAR(levels.peak(), crest, 1e-9);
  }
  EXPECT_THROW(clip_for_crest(1.0), std::invalid_argument);
}
}  // namespace
}  // namespace rackproof::stimuli
