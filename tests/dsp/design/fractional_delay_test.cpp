// Must hold: the theorem at the top of fractional_delay.hpp, on the taps as the core gets them.
#include "dsp/design/fractional_delay.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>
#include <numeric>
#include <vector>

namespace {
using namespace rackproof::dsp;
using Taps = std::array<float, kFractionTaps>;

struct Error {
  double magnitude_db = 0, delay_samples = 0;
};
/// Greatest magnitude and phase-delay errors of `taps` against a pure delay of `delay` samples, on [from, to] fs.
Error error_of(const Taps& taps, double delay, double from, double to) {
  Error worst;
  constexpr int kPoints = 200;
  for (int i = 0; i <= kPoints; ++i) {
    const double w = 2 * std::numbers::pi * (from + (to - from) * i / kPoints);
    std::complex<double> h = 0;
    for (std::size_t k = 0; k < kFractionTaps; ++k) h += double{taps[k]} * std::polar(1.0, w * (delay - double(k)));
    worst.magnitude_db = std::max(worst.magnitude_db, std::abs(20 * std::log10(std::abs(h))));
    worst.delay_samples = std::max(worst.delay_samples, std::abs(std::arg(h) / w));
  }
  return worst;
}
std::vector<double> fractions() {
  std::vector<double> all{1e-12, 1e-9, 1e-6, 1e-3, 0.25, 0.5, 0.75, 1 - 1e-3, 1 - 1e-6, 1 - 1e-9, 1 - 1e-12};
  for (int i = 1; i < 256; ++i) all.push_back(i / 256.0);
  return all;
}

TEST(FractionalDelay, IsFlatAndOnTimeForEveryFraction) {
  for (const double fraction : fractions()) {
    const Taps taps = fractional_delay(fraction);
    const double delay = kFractionLatency + fraction;
    const Error low = error_of(taps, delay, 1e-5, 0.25), all = error_of(taps, delay, 1e-5, 0.4);
    ASSERT_LE(low.magnitude_db, 0.001) << fraction;
    ASSERT_LE(low.delay_samples, 0.0001) << fraction;
    ASSERT_LE(all.magnitude_db, 0.1) << fraction;
    ASSERT_LE(all.delay_samples, 0.002) << fraction;
  }
}
// Negative control: the same measure refuses the neighbouring fraction, and straight-line interpolation.
TEST(FractionalDelay, TheMeasureSeesWhatIsWrong) {
  EXPECT_GT(error_of(fractional_delay(0.3), kFractionLatency + 0.3002, 1e-5, 0.25).delay_samples, 0.0001);
  Taps line{};
  line[kFractionLatency] = line[kFractionLatency + 1] = 0.5f;
  EXPECT_GT(error_of(line, kFractionLatency + 0.5, 1e-5, 0.25).magnitude_db, 1.0);
}
TEST(FractionalDelay, NothingIsSevenSamplesExactly) {
  Taps pure{};
  pure[kFractionLatency] = 1.0f;
  EXPECT_EQ(fractional_delay(0.0), pure);
}
// The problem is its own mirror image: 7 + d from one end is 8 - d from the other. Bits may differ by rounding, with a
// condition of 10^6 still far below a step of single precision at 1.
TEST(FractionalDelay, MirrorsAboutAHalf) {
  for (const double fraction : fractions()) {
    const Taps taps = fractional_delay(fraction), mirrored = fractional_delay(1 - fraction);
    for (std::size_t k = 0; k < kFractionTaps; ++k) ASSERT_NEAR(taps[k], mirrored[kFractionTaps - 1 - k], 1.2e-7f);
  }
}
// Least squares is that which no small change improves: the error grows whichever way a tap is moved. The measure is
// summed here over a dense grid, where the design integrates in closed form.
TEST(FractionalDelay, NoTapCanBeBettered) {
  const auto cost = [](const std::array<double, kFractionTaps>& taps, double delay) {
    constexpr struct { double from, to, weight; } kBands[] = {{0, 0.255, 2000}, {0.255, 0.38, 1}, {0.38, 0.405, 1.5}};
    double sum = 0;
    for (const auto& band : kBands) {
      constexpr int kPoints = 2000;
      for (int i = 0; i < kPoints; ++i) {
        const double w = 2 * std::numbers::pi * (band.from + (band.to - band.from) * (i + 0.5) / kPoints);
        std::complex<double> error = -std::polar(1.0, -w * delay);
        for (std::size_t k = 0; k < kFractionTaps; ++k) error += taps[k] * std::polar(1.0, -w * double(k));
        sum += band.weight * (band.to - band.from) / kPoints * std::norm(error);
      }
    }
    return sum;
  };
  for (const double fraction : {0.1, 0.5}) {
    std::array<double, kFractionTaps> taps{};
    std::ranges::copy(fractional_delay(fraction), taps.begin());
    const double best = cost(taps, kFractionLatency + fraction);
    for (std::size_t k = 0; k < kFractionTaps; ++k) {
      for (const double step : {-1e-4, 1e-4}) {
        auto moved = taps;
        moved[k] += step;
        ASSERT_GT(cost(moved, kFractionLatency + fraction), best) << "tap " << k;
      }
    }
  }
}
}  // namespace
