// Must hold: the theorem at the top of fractional_delay.hpp, on the taps as the core gets them.
#include "dsp/design/fractional_delay.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <complex>
#include <limits>
#include <numbers>
#include <numeric>
#include <vector>

namespace {
using namespace rackproof::dsp;
using Taps = std::array<float, kFractionTaps>;

Taps taps_of(double fraction) {
  Taps taps{};
  EXPECT_TRUE(fractional_delay(fraction, taps)) << fraction;
  return taps;
}

struct Error {
  double null = 0, magnitude_db = 0, delay_samples = 0;
};
/// Greatest errors of `taps` against the ideal delay by `delay` samples, on [from, to] fs: of what is left where the one
/// is taken from the other, of the magnitude, and of the phase delay. The ideal delay has the response exp(-j w delay)
/// (T. Laakso et al., "Splitting the Unit Delay", IEEE SP Magazine 13(1), 1996, section "Ideal Solution").
Error error_of(const Taps& taps, double delay, double from, double to) {
  Error worst;
  constexpr int kPoints = 200;
  for (int i = 0; i <= kPoints; ++i) {
    const double w = 2 * std::numbers::pi * (from + (to - from) * i / kPoints);
    std::complex<double> h = 0;
    for (std::size_t k = 0; k < kFractionTaps; ++k) h += double{taps[k]} * std::polar(1.0, w * (delay - double(k)));
    worst.null = std::max(worst.null, std::abs(h - 1.0));
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

TEST(FractionalDelay, IsTheIdealDelayToMinus100DbBelowAQuarterOfTheRate) {
  for (const double fraction : fractions()) {
    const Taps taps = taps_of(fraction);
    const double delay = kFractionLatency + fraction;
    const Error low = error_of(taps, delay, 1e-5, 0.25), all = error_of(taps, delay, 1e-5, 0.4);
    ASSERT_LE(low.null, 1e-5) << fraction;  // -100 dB
    ASSERT_LE(all.magnitude_db, 0.2) << fraction;
    ASSERT_LE(all.delay_samples, 0.004) << fraction;
  }
}
// The same as sound: a sum of sines below a quarter of the rate, and what the ideal delay makes of it, the same sines at
// an earlier time. The null is against the sum of all their amplitudes. Products are added in double: what single
// precision adds is the delay line's, not the taps'.
TEST(FractionalDelay, NullsAgainstTheSameSinesAtAnEarlierTime) {
  constexpr std::array<double, 6> kCycles = {0.0004, 0.0109, 0.0531, 0.1373, 0.2017, 0.2493};
  const auto at = [&](double time) {
    double sum = 0;
    for (const double cycles : kCycles) sum += std::sin(2 * std::numbers::pi * cycles * time + 100 * cycles);
    return sum;
  };
  for (const double fraction : {0.001, 0.1, 0.25, 0.37, 0.5, 0.63, 0.9}) {
    const Taps taps = taps_of(fraction);
    double worst = 0;
    for (int n = 100; n < 4000; ++n) {
      double delayed = 0;
      for (std::size_t k = 0; k < kFractionTaps; ++k) delayed += double{taps[k]} * at(n - double(k));
      worst = std::max(worst, std::abs(delayed - at(n - double{kFractionLatency} - fraction)));
    }
    EXPECT_LE(worst, 1e-5 * double(kCycles.size())) << fraction;
    EXPECT_GT(worst, 1e-9) << fraction << ": nothing was compared";
  }
}
// Negative control: the same measure refuses the neighbouring fraction, and straight-line interpolation.
TEST(FractionalDelay, TheMeasureSeesWhatIsWrong) {
  EXPECT_GT(error_of(taps_of(0.3), kFractionLatency + 0.30002, 1e-5, 0.25).null, 1e-5);
  Taps line{};
  line[kFractionLatency] = line[kFractionLatency + 1] = 0.5f;
  EXPECT_GT(error_of(line, kFractionLatency + 0.5, 1e-5, 0.25).magnitude_db, 1.0);
}
TEST(FractionalDelay, RefusesWhatIsNoFraction) {
  Taps taps{};
  taps.fill(42.0f);
  const Taps before = taps;
  for (const double fraction : {-1e-12, -0.5, 1.0, 1.5, 1e300, std::numeric_limits<double>::infinity(),
                                -std::numeric_limits<double>::infinity(), std::numeric_limits<double>::quiet_NaN()}) {
    EXPECT_FALSE(fractional_delay(fraction, taps)) << fraction;
    EXPECT_EQ(taps, before) << fraction;
  }
  EXPECT_TRUE(fractional_delay(std::nextafter(1.0, 0.0), taps));
  EXPECT_TRUE(fractional_delay(-0.0, taps)) << "which is 0";
}
TEST(FractionalDelay, NothingIsSevenSamplesExactly) {
  Taps pure{};
  pure[kFractionLatency] = 1.0f;
  EXPECT_EQ(taps_of(0.0), pure);
}
// The problem is its own mirror image: 7 + d from one end is 8 - d from the other. Bits may differ by rounding, with a
// condition of 3 10^7 still below a step of single precision at 1.
TEST(FractionalDelay, MirrorsAboutAHalf) {
  for (const double fraction : fractions()) {
    const Taps taps = taps_of(fraction), mirrored = taps_of(1 - fraction);
    for (std::size_t k = 0; k < kFractionTaps; ++k) ASSERT_NEAR(taps[k], mirrored[kFractionTaps - 1 - k], 1.2e-7f);
  }
}
// Least squares is that which no small change improves: the error grows whichever way a tap is moved. The measure is
// summed here over a dense grid, where the design integrates in closed form.
TEST(FractionalDelay, NoTapCanBeBettered) {
  const auto cost = [](const std::array<double, kFractionTaps>& taps, double delay) {
    constexpr struct { double from, to, weight; } kBands[] = {{0, 0.2545, 6e5}, {0.2545, 0.38, 1}, {0.38, 0.405, 3}};
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
    std::ranges::copy(taps_of(fraction), taps.begin());
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
