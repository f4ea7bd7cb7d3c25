// Must hold: a loudspeaker is judged where it plays. What is silent above its band does not count, whatever its coherence;
// within it, more than half in doubt is warned of, and an octave that may be off by more than a decibel.
#include "harness/tune/played_band.hpp"

#include <gtest/gtest.h>

#include <algorithm>

#include "harness/analysis/bands.hpp"
#include "harness/analysis/decibels.hpp"

namespace rackproof::tune {
namespace {

/// Flat from 100 Hz to 3.2 kHz (five octaves), 40 dB down outside; coherence and error as they are given below and above
/// `split_hz`.
Measurement a_way(double split_hz, double coherence_below, double coherence_above, double error_db = 0.1) {
  Measurement m;
  m.frequency_hz = analysis::log_frequencies(25, 20000, 48);
  for (const double hz : m.frequency_hz) {
    m.magnitude_db.push_back(hz >= 100 && hz <= 3200 ? 0 : -40);
    m.coherence.push_back(hz < split_hz ? coherence_below : coherence_above);
    m.magnitude_error_db.push_back(hz < 5000 ? error_db : 9);
  }
  return m;
}
Played band_of(const Measurement& m) {
  std::vector<double> power;
  for (const double db : m.magnitude_db) power.push_back(analysis::power_from_db(db));
  return played_band(m, power);
}
bool warns(Measurement m, const std::string& code) {
  warn_of_noise(m, band_of(m));
  return std::ranges::any_of(m.warnings, [&](const Warning& warning) { return warning.code == code; });
}

TEST(PlayedBand, EndsWhereTheLoudspeakerDoes) {
  const Played played = band_of(a_way(3200, 0.99, 0.05));
  // A third of an octave over an edge is still within 20 dB, as long as a hundredth of it lies inside.
  EXPECT_NEAR(played.from_hz, 100, 15);
  EXPECT_NEAR(played.to_hz, 3200, 400);
  EXPECT_TRUE(played.holds(1000));
  EXPECT_FALSE(played.holds(8000));
}
TEST(PlayedBand, SilenceAboveItIsNoNoise) { EXPECT_FALSE(warns(a_way(3200, 0.99, 0.05), "coherence")); }
// Of the five octaves, 2.3 or 2.7 in doubt: half of what plays from both sides.
TEST(PlayedBand, HalfOfItInDoubtFromBothSides) {
  EXPECT_FALSE(warns(a_way(100 * std::exp2(2.3), 0.45, 0.99), "coherence"));
  EXPECT_TRUE(warns(a_way(100 * std::exp2(2.7), 0.45, 0.99), "coherence"));
  EXPECT_FALSE(warns(a_way(100 * std::exp2(2.7), 0.55, 0.99), "coherence"));
}
TEST(PlayedBand, ADecibelOfErrorFromBothSides) {
  EXPECT_FALSE(warns(a_way(3200, 0.99, 0.05, 0.99), "magnitude-error"));
  EXPECT_TRUE(warns(a_way(3200, 0.99, 0.05, 1.01), "magnitude-error"));
}

}  // namespace
}  // namespace rackproof::tune
