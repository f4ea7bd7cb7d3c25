// Must hold: a tone keeps its phase for hours; an edge is where it was put; a pulse crests between samples where it was
// put; a burst repeats itself; and no input within full scale beats the worst case, which reaches sum |h| exactly.
#include "harness/stimuli/tones.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <numbers>
#include <numeric>
#include <random>

#include "harness/analysis/fourier.hpp"

namespace rackproof::stimuli {
namespace {
constexpr double kPi = std::numbers::pi;

TEST(Sine, KeepsItsPhaseForHours) {
  const Signal tone = sine({997, 1.0, 0.25}, 48000);
  std::vector<double> second(48000);
  tone->fill(second);
  const std::vector<double> first(second);
  for (int s = 1; s < 2000; ++s) {
    if (s % 400 != 0) continue;
    for (int skip = 0; skip < 40; ++skip) tone->fill(second);  // whole seconds of a whole number of hertz
    for (std::size_t n = 0; n < second.size(); n += 97) ASSERT_NEAR(second[n], first[n], 1e-9) << s;
  }
  EXPECT_NEAR(first[0], std::sin(0.25), 1e-15);
  EXPECT_NEAR(*std::max_element(first.begin(), first.end()), 1.0, 1e-6);
  EXPECT_THROW(sine({24001, 1.0}, 48000), std::invalid_argument);
}

TEST(Square, HasItsEdgesOnSamplesAndItsBandLimitedBrotherNone) {
  const std::vector<double> hard = take(square({1000, 0.5}, 48000), 96);
  for (std::size_t n = 0; n < 96; ++n) EXPECT_EQ(hard[n], n % 48 < 24 ? 0.5 : -0.5) << n;
  const std::vector<double> soft = take(band_limited_square({1000, 0.5}, 48000), 48);
  const std::vector<analysis::Complex> spectrum = analysis::RealFourier(48).forward(soft);
  for (std::size_t k = 0; k <= 24; ++k)
    EXPECT_NEAR(std::abs(spectrum[k]) / 24, k % 2 == 1 ? 0.5 * 4 / kPi / static_cast<double>(k) : 0.0, 1e-13) << k;
  // Its overshoot (J. W. Gibbs): 2/pi Si(pi) = 1.17898 of the plateau, seen closely at 20 Hz.
  const std::vector<double> low = take(band_limited_square({20, 1.0}, 48000), 2400);
  EXPECT_NEAR(*std::max_element(low.begin(), low.end()), 1.17898, 1e-3);
}

TEST(Step, IsWhereItWasPut) {
  const std::vector<double> x = take(step(3, -1.0, 0.5), 6);
  EXPECT_EQ(x, (std::vector<double>{-1, -1, -1, 0.5, 0.5, 0.5}));
}

TEST(Burst, RepeatsFromPhaseZeroWithinItsFlanks) {
  const Burst settings{{1100, 0.8}, 100, 480, 48, 1000};
  const std::vector<double> x = take(burst(settings, 48000), 3100);
  for (std::size_t n = 0; n < 100; ++n) EXPECT_EQ(x[n], 0.0);
  for (std::size_t n = 0; n < 1000; ++n) {
    EXPECT_EQ(x[100 + n], x[1100 + n]);
    if (n >= 480) {
      EXPECT_EQ(x[100 + n], 0.0);
    } else if (n >= 48 && n < 432) {
      EXPECT_NEAR(x[100 + n], 0.8 * std::sin(2 * kPi * 1100 / 48000 * static_cast<double>(n)), 1e-12);
    } else {
      EXPECT_LE(std::abs(x[100 + n]),
                0.8 * std::abs(std::sin(2 * kPi * 1100 / 48000 * static_cast<double>(n))) + 1e-12);
    }
  }
  const std::vector<double> once = take(burst({{1000, 1.0}, 0, 48, 0, 0}, 48000), 5000);
  EXPECT_NEAR(once[12], 1.0, 1e-12);  // hard gates: full height at once
  EXPECT_EQ(std::count(once.begin() + 48, once.end(), 0.0), 4952);
  EXPECT_THROW(burst({{1000, 1.0}, 0, 48, 25, 0}, 48000), std::invalid_argument);
  EXPECT_THROW(burst({{1000, 1.0}, 0, 48, 0, 47}, 48000), std::invalid_argument);
}

// The wave between the samples, by the sum over all bins of the transform: its crest is at `at`, and of `amplitude`.
TEST(Click, CrestsWhereItWasPut) {
  for (const double offset : {0.0, 0.1, 0.25, 0.5, 0.77}) {
    const std::vector<double> x = take(click({.at = 128 + offset, .amplitude = -0.7}), 256);
    const std::vector<analysis::Complex> spectrum = analysis::RealFourier(256).forward(x);
    const auto wave = [&](double t) {
      double sum = spectrum[0].real();
      for (std::size_t k = 1; k < 128; ++k)
        sum += 2 * (spectrum[k] * std::polar(1.0, 2 * kPi * static_cast<double>(k) * t / 256)).real();
      return sum / 256;
    };
    EXPECT_NEAR(wave(128 + offset), -0.7, 1e-6);  // what the window leaves beyond the band
    EXPECT_GT(wave(128 + offset - 0.02), wave(128 + offset));
    EXPECT_GT(wave(128 + offset + 0.02), wave(128 + offset));
  }
}

TEST(MaximumLengthSequence, OfEveryOrderIsOne) {
  for (int order = 2; order <= 20; ++order) {
    const std::size_t length = (std::size_t{1} << order) - 1;
    const std::vector<double> x = take(maximum_length_sequence(order), 2 * length);
    // Of 2^order - 1 states none comes twice only if the period is the whole length: circular autocorrelation -1 all
    // over.
    EXPECT_EQ(std::accumulate(x.begin(), x.begin() + static_cast<std::ptrdiff_t>(length), 0.0), 1.0) << order;
    for (std::size_t lag = 1; lag < length; lag = lag * 2 + 1) {
      double sum = 0;
      for (std::size_t n = 0; n < length; ++n) sum += x[n] * x[n + lag];
      ASSERT_EQ(sum, -1.0) << order << " at lag " << lag;
    }
    EXPECT_EQ(x[0], x[length]);
  }
  EXPECT_THROW(maximum_length_sequence(1), std::invalid_argument);
  EXPECT_THROW(maximum_length_sequence(21), std::invalid_argument);
}

TEST(WorstCase, IsReachedAndNotBeaten) {
  std::mt19937 bits(1);
  const auto even = [&] { return static_cast<double>(bits()) / 2147483648.0 - 1.0; };
  for (std::size_t size = 1; size < 40; ++size) {
    std::vector<double> h(size);
    for (double& v : h) v = even();
    const double bound = worst_case_peak(h);
    const auto last = [&](const std::vector<double>& x) {
      double sum = 0;
      for (std::size_t k = 0; k < size; ++k) sum += h[k] * x[size - 1 - k];
      return sum;
    };
    EXPECT_NEAR(last(worst_case(h)), bound, 1e-14 * static_cast<double>(size));
    std::vector<double> other(size);
    for (int trial = 0; trial < 200; ++trial) {
      for (double& v : other) v = trial % 2 == 0 ? even() : (bits() & 1u ? 1.0 : -1.0);
      ASSERT_LE(std::abs(last(other)), bound + 1e-12);
    }
    if (size > 1) {
      std::vector<double> wrong = worst_case(h);  // control: one sign turned costs twice its tap
      wrong[size / 2] = -wrong[size / 2];
      EXPECT_LT(last(wrong), bound);
    }
  }
}
}  // namespace
}  // namespace rackproof::stimuli
