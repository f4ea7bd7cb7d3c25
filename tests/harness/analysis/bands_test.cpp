// Must hold: bands tile the axis; power in a band is the integral, so bands add up; smoothing is the average over 1/b
// octave in log frequency, by brute force too: flat stays flat, a resonance stays symmetric in log frequency. Control:
// an average that is even in Hz leans.
#include "harness/analysis/bands.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <numeric>
#include <random>

namespace rackproof::analysis {
namespace {
TEST(OctaveBands, TileTheAxis) {
  for (const int b : {1, 2, 3, 6, 12, 24}) {
    const std::vector<Band> bands = octave_bands(b, 20, 20000);
    ASSERT_GE(bands.size(), static_cast<std::size_t>(9 * b));
    for (std::size_t i = 0; i < bands.size(); ++i) {
      EXPECT_NEAR(bands[i].high_hz / bands[i].low_hz, std::pow(10, 0.3 / b), 1e-12);
      EXPECT_NEAR(bands[i].mid_hz, std::sqrt(bands[i].low_hz * bands[i].high_hz), 1e-9 * bands[i].mid_hz);
      if (i > 0) {
        EXPECT_NEAR(bands[i].low_hz, bands[i - 1].high_hz, 1e-9 * bands[i].low_hz);
      }
    }
    EXPECT_GE(bands.front().mid_hz, 20 / 1.003);
    EXPECT_LE(bands.back().mid_hz, 20000 * 1.003);
  }
  EXPECT_THROW(octave_bands(3, 0, 100), std::invalid_argument);
  EXPECT_THROW(octave_band(0, 1), std::invalid_argument);
}

TEST(BandPower, IsTheIntegralSoThatBandsAddUp) {
  std::mt19937 bits(1);
  std::vector<double> density(200);
  for (double& d : density) d = static_cast<double>(bits()) / 4294967296.0;
  const auto by_steps = [&](double low, double high) {
    double sum = 0;
    constexpr double kStep = 1e-3;
    for (double f = low + kStep / 2; f < high; f += kStep) {
      const auto bin = static_cast<std::size_t>(std::floor(f / 2.5 + 0.5));
      if (bin < density.size()) sum += density[bin] * kStep;
    }
    return sum;
  };
  for (const auto& [low, high] : {std::pair{0.0, 10.0}, {1.0, 1.2}, {3.3, 77.7}, {100.0, 498.75}, {400.0, 900.0}})
    EXPECT_NEAR(band_power(density, 2.5, low, high), by_steps(low, high), 2e-3 * 2) << low;
  EXPECT_NEAR(band_power(density, 2.5, 10, 33.3) + band_power(density, 2.5, 33.3, 200),
              band_power(density, 2.5, 10, 200), 1e-12);
  EXPECT_EQ(band_power(density, 2.5, 600, 700), 0.0);
}

TEST(Smooth, IsTheAverageInLogFrequency) {
  std::mt19937 bits(3);
  std::vector<double> frequency{0.0}, power{7.0};
  for (double f = 10; f < 2000; f *= 1.001 + static_cast<double>(bits()) / 4294967296.0 * 0.05)
    frequency.push_back(f), power.push_back(static_cast<double>(bits()) / 4294967296.0);
  for (const double b : {1.0, 3.0, 24.0}) {
    const std::vector<double> smoothed = smooth(std::span<const double>(frequency), std::span<const double>(power), b);
    EXPECT_EQ(smoothed[0], 7.0);
    const double bottom = std::log2(frequency[1]), top = std::log2(frequency.back());
    for (std::size_t i = 1; i < frequency.size(); i += 5) {
      const double at = std::log2(frequency[i]), half = std::min({0.5 / b, at - bottom, top - at});
      if (half < 1e-3) continue;
      double sum = 0;
      constexpr int kSteps = 4000;
      std::size_t nearest = 1;
      for (int s = 0; s < kSteps; ++s) {
        const double here = at - half + 2 * half * (s + 0.5) / kSteps;
        while (nearest + 1 < frequency.size() &&
               std::abs(std::log2(frequency[nearest + 1]) - here) < std::abs(std::log2(frequency[nearest]) - here))
          ++nearest;
        sum += power[nearest];
      }
      ASSERT_NEAR(smoothed[i], sum / kSteps, 40.0 / kSteps) << frequency[i];  // a step at each of some 40 edges
    }
  }
}

TEST(Smooth, KeepsFlatFlatAndAResonanceSymmetric) {
  const std::vector<double> frequency = log_frequencies(20, 20480, 48);
  ASSERT_EQ(frequency.size(), 481u);
  const std::vector<double> flat(frequency.size(), 0.7);
  for (const double v : smooth(std::span<const double>(frequency), std::span<const double>(flat), 3.0))
    ASSERT_NEAR(v, 0.7, 1e-12);
  std::vector<double> peak(frequency.size());
  std::vector<Complex> turning(frequency.size());
  for (std::size_t i = 0; i < peak.size(); ++i) {
    const double x = frequency[i] / 640 - 640 / frequency[i];
    peak[i] = 1 / (1 + 25 * x * x);
    turning[i] = 1.0 / Complex(1, 5 * x);
  }
  const std::vector<double> smoothed = smooth(std::span<const double>(frequency), std::span<const double>(peak), 3.0);
  const std::vector<Complex> vector =
      smooth(std::span<const double>(frequency), std::span<const Complex>(turning), 3.0);
  double leaning = 0;
  for (std::size_t i = 1; i < 200; ++i) {  // around 640 Hz, index 240
    EXPECT_NEAR(smoothed[240 - i], smoothed[240 + i], 1e-9);
    EXPECT_LT(std::abs(vector[240 - i] - std::conj(vector[240 + i])), 1e-9);
    const auto even_in_hz = [&](double f) {
      double sum = 0;
      for (int s = 0; s < 100; ++s) {
        const double g = f * (1 + 0.1155 * ((s + 0.5) / 50 - 1)), x = g / 640 - 640 / g;
        sum += 0.01 / (1 + 25 * x * x);
      }
      return sum;
    };
    leaning = std::max(leaning, std::abs(even_in_hz(frequency[240 - i]) - even_in_hz(frequency[240 + i])));
  }
  EXPECT_GT(leaning, 1e-3);
  EXPECT_LT(smoothed[240], 0.9);
}
}  // namespace
}  // namespace rackproof::analysis
