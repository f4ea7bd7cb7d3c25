// Must hold: the theorem at the top of rate_converter.hpp, for ratios that are no ratio of small numbers, as two clocks have
// them. Rates of recordings are in feed_stream_test.cpp.
#include "harness/audio/rate_converter.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <numbers>
#include <vector>

namespace rackproof::audio {
namespace {

std::vector<double> tone_of(std::size_t frames, double cycles) {
  std::vector<double> tone(frames);
  for (std::size_t n = 0; n < frames; ++n)
    tone[n] = 0.5 * std::sin(2 * std::numbers::pi * cycles * static_cast<double>(n));
  return tone;
}
double furthest_apart(const std::vector<double>& a, const std::vector<double>& b, std::size_t edge) {
  double most = 0;
  for (std::size_t n = edge; n + edge < std::min(a.size(), b.size()); ++n) most = std::max(most, std::abs(a[n] - b[n]));
  return most;
}

// A tone stays in step over 4 s: 1e-6 of 0.5 is a 50th of a thousandth of a turn at its steepest, and above what a float's
// rounding (3e-8) and the converter's own error (-140 dB) add. Control: a clock that is another 0.1 ppm off is seen.
TEST(RateConverter, TakesOutAClocksDrift) {
  const std::vector<double> heard = tone_of(192000, 0.02);
  for (const double ppm : {-250.0, 1.7, 83.0}) {
    const double from = 1 + ppm * 1e-6;
    const std::vector<double> made = converted(heard, from, 1);
    ASSERT_EQ(made.size(), static_cast<std::size_t>(192000 / from));
    EXPECT_LT(furthest_apart(made, tone_of(made.size(), 0.02 * from), 1000), 1e-6) << ppm;
    EXPECT_GT(furthest_apart(made, tone_of(made.size(), 0.02 * (from + 1e-7)), 1000), 1e-4) << ppm;
  }
}

TEST(RateConverter, OfNothingMakesNothing) { EXPECT_TRUE(converted({}, 1.0001, 1).empty()); }

}  // namespace
}  // namespace rackproof::audio
