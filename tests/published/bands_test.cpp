// Fractional-octave bands and smoothing, against the outside.
#include "harness/analysis/bands.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <fstream>
#include <nlohmann/json.hpp>
#include <numeric>
#include <string>

#include "harness/analysis/decibels.hpp"

namespace rackproof::analysis {
namespace {
// IEC 61260-1:2014, equations 1 to 5 (bands_reference.json). Tolerance 1e-6 relative.
TEST(PublishedBands, AreThoseOfTheStandard) {
  std::ifstream file(RACKPROOF_SOURCE_DIR "/tests/published/bands_reference.json");
  const nlohmann::json reference = nlohmann::json::parse(file).at("bands");
  for (const int b : {1, 3}) {
    const nlohmann::json& rows = reference.at(std::to_string(b));
    const std::vector<Band> bands = octave_bands(b, rows.front()[1], rows.back()[1]);
    ASSERT_EQ(bands.size(), rows.size());
    ASSERT_EQ(bands.size(), b == 1 ? 11u : 31u);
    for (std::size_t i = 0; i < bands.size(); ++i) {
      EXPECT_NEAR(bands[i].mid_hz / rows[i][1].get<double>(), 1.0, 1e-12);
      EXPECT_NEAR(bands[i].low_hz / rows[i][2].get<double>(), 1.0, 1e-12);
      EXPECT_NEAR(bands[i].high_hz / rows[i][3].get<double>(), 1.0, 1e-12);
    }
  }
}

// The same standard: an even b has 1000 Hz at an edge, not in the middle of a band.
TEST(PublishedBands, OfEvenFractionsMeetAtOneKilohertz) {
  for (const int b : {2, 6, 12, 24, 48}) {
    EXPECT_NEAR(octave_band(b, 0).low_hz, 1000.0, 1e-9);
    EXPECT_NEAR(octave_band(b, -1).high_hz, 1000.0, 1e-9);
  }
  EXPECT_NEAR(octave_band(3, 0).mid_hz, 1000.0, 1e-9);
}

// The power average of a 1/f spectrum over 1/b octave, even in Hz: x0.997779 (-0.0097 dB) for b = 3, x0.980258 for b =
// 1 (arithmetic: (ln 2 / b) / (2^(1/2b) - 2^(-1/2b))). Even in log frequency it is the reciprocal; of the power in
// bands of one width in octaves, f S(f), exactly 1. P. Hatziantoniou, J. Mourjopoulos, JAES 48(4), 2000, on the choice
// of weight.
TEST(PublishedSmoothing, OfPinkIsWhatTheWeightSays) {
  for (const auto& [b, even_in_hz] : {std::pair{3.0, 0.997779}, {1.0, 0.980258}}) {
    std::vector<double> frequency, pink, per_octave, flat;
    for (double f = 100; f < 10000; f += 0.5) {
      frequency.push_back(f);
      pink.push_back(1 / f);
      per_octave.push_back(f * (1 / f));
      flat.push_back(0.25);
    }
    const std::vector<double> smoothed = smooth(std::span<const double>(frequency), std::span<const double>(pink), b);
    const std::size_t at = 1800;  // 1 kHz
    ASSERT_DOUBLE_EQ(frequency[at], 1000.0);
    EXPECT_NEAR(smoothed[at] * 1000.0, 1.0 / even_in_hz, 2e-6);
    const double half = std::exp2(0.5 / b), low = 1000 / half, high = 1000 * half;
    std::vector<double> density(40001);
    for (std::size_t k = 1; k < density.size(); ++k) density[k] = 1.0 / (0.5 * static_cast<double>(k));
    EXPECT_NEAR(band_power(density, 0.5, low, high) / (high - low) * 1000.0, even_in_hz, 2e-6);
    for (const std::vector<double>& level : {per_octave, flat}) {
      const std::vector<double> still = smooth(std::span<const double>(frequency), std::span<const double>(level), b);
      for (std::size_t i = 0; i < still.size(); ++i) ASSERT_NEAR(still[i], level[i], 1e-12);
    }
  }
}

// Band levels of ideal pink noise from 20 Hz to 20 kHz: each third octave -14.7712 dB of the total, each octave -9.9851
// dB (S = k/f: the power of a band is k ln(f2/f1)). Tolerance: bins of 0.1 Hz, 0.002 dB.
TEST(PublishedBands, OfPinkNoiseAreEqual) {
  std::vector<double> density(300000);
  for (std::size_t k = 100; k < density.size(); ++k) density[k] = 1.0 / (0.1 * static_cast<double>(k));
  const std::vector<Band> thirds = octave_bands(3, 20, 20000);
  const auto level = [&](double low, double high) { return db_from_power(band_power(density, 0.1, low, high)); };
  const double total = level(thirds[0].low_hz, thirds[29].high_hz);  // 30 of them: 20 Hz .. 16 kHz
  for (std::size_t i = 0; i < 30; ++i) EXPECT_NEAR(level(thirds[i].low_hz, thirds[i].high_hz) - total, -14.7712, 0.002);
  EXPECT_NEAR(level(707.9458, 1412.5375) - total, 10 * std::log10(0.1), 0.002);  // base 10: three thirds of thirty
  EXPECT_NEAR(level(1000, 2000) - level(20, 20000), -9.9851, 0.002);             // an octave of exactly 2
}
}  // namespace
}  // namespace rackproof::analysis
