// Must hold: the sign is told where the crest of the direct sound and the crest without what the filters turn agree; else,
// and where no crest stands out, it is 0 with the reason. Never the wrong one.
#include "harness/tune/polarity.hpp"

#include <gmock/gmock.h>

#include <cmath>
#include <complex>
#include <numbers>
#include <vector>

namespace rackproof::tune {
namespace {

using analysis::Complex;
using testing::HasSubstr;
constexpr std::size_t kSize = 16384, kBins = kSize / 2 + 1;

/// Butterworth sides of second order, each twice (Linkwitz-Riley of 24 dB/oct), cycles a sample; 0: open.
std::vector<Complex> way(double low, double high, double sign, double at_samples) {
  std::vector<Complex> h(kBins);
  for (std::size_t k = 1; k + 1 < kBins; ++k) {
    const double f = static_cast<double>(k) / kSize;
    const auto side = [](Complex s, bool is_high) {
      const Complex b = (is_high ? s * s : 1.0) / (s * s + std::numbers::sqrt2 * s + 1.0);
      return b * b;
    };
    h[k] = sign * std::polar(1.0, -2 * std::numbers::pi * std::remainder(f * at_samples, 1.0));
    if (low > 0) h[k] *= side({0, f / low}, true);
    if (high > 0) h[k] *= side({0, f / high}, false);
  }
  return h;
}
const std::vector<double> kSure(kBins, 1.0);

TEST(Polarity, IsToldWhereBothReadingsAgree) {
  for (const auto& [low, high] : {std::pair{0.0, 0.0}, {0.03, 0.0}, {0.002, 0.03}, {0.0, 0.03}})
    for (const int sign : {1, -1}) {
      EXPECT_EQ(polarity_of(way(low, high, sign, 3.3), kSure, 3.3, sign).sign, sign) << low << " " << high;
      const Polarity open = polarity_of(way(low, high, sign, 3.3), kSure, 3.3, -sign);
      EXPECT_EQ(open.sign, 0) << low << " " << high;
      EXPECT_THAT(open.why, HasSubstr("points one way"));
    }
}
// A third of an octave rings for so long that the crests beside the first are as high.
TEST(Polarity, IsOpenInANarrowBand) {
  EXPECT_EQ(polarity_of(way(0.1, 0.11, 1, 0), kSure, 0, 1).sign, 1) << "an octave and more within 30 dB: told";
  std::vector<Complex> narrow = way(0, 0, 1, 0);
  for (std::size_t k = 0; k < kBins; ++k)
    if (k < kBins / 5 || k > kBins / 4) narrow[k] = 0;
  const Polarity open = polarity_of(narrow, kSure, 0, 1);
  EXPECT_EQ(open.sign, 0);
  EXPECT_THAT(open.why, HasSubstr("narrow"));
  EXPECT_EQ(polarity_of(way(0, 0, 1, 0), std::vector<double>(kBins, 0.2), 0, 1).sign, 0);
}

}  // namespace
}  // namespace rackproof::tune
