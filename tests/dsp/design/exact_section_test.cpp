// Must hold: the claim at the top of exact_section.hpp, the theorem at the top of response.hpp, and that rounding to
// single precision leaves the response as it was, from 20 Hz at 192 kHz upwards.
#include "dsp/design/exact_section.hpp"

#include <gtest/gtest.h>

#include "dsp/design/response.hpp"
#include "tests/dsp/design/design_reference.hpp"

namespace rackproof::dsp {
namespace {
using namespace reference;

static_assert(is_stable(Section{}));
static_assert(nearest(ExactSection{}) == Section{});

Complex prototype(const Numerator& n, Wide k, Complex s) {
  return (Wide{n.high} * s * s + Wide{n.band} * s + Wide{n.low}) / (s * s + k * s + Wide{1});
}

TEST(ExactSection, IsItsPrototypeAtEveryFrequency) {
  Random random(1);
  double worst = 0;
  for (int i = 0; i < 4000; ++i) {
    const double fs = kSampleRates[random.below(6)], at = random.log_between(1.0, 0.49 * fs);
    const double k = random.log_between(0.01, 10), g = prewarped(at, fs);
    const Numerator n{random.between(-4, 4), random.between(-4, 4), random.between(-4, 4)};
    const double f = random.log_between(1.0, 0.499 * fs);
    const Complex expected = prototype(n, k, bilinear(f, fs) / Wide{g});
    const std::complex<double> got = response(second_order(g, k, n), f, fs);
    worst = std::max(worst, static_cast<double>(std::abs(Complex(got) - expected)) / std::max(1.0, 1.0 / k));
  }
  EXPECT_LT(worst, 1e-12) << "a few hundred units of 2^-53: no term is lost to cancellation";
}

TEST(ExactSection, FirstOrderIsItsPrototypeAndHasOnlyOnePole) {
  Random random(2);
  double worst = 0, second_pole = 0;
  for (int i = 0; i < 4000; ++i) {
    const double fs = kSampleRates[random.below(6)], at = random.log_between(1.0, 0.49 * fs), t = prewarped(at, fs);
    const Numerator n{.high = random.between(-4, 4), .low = random.between(-4, 4)};
    const double f = random.log_between(1.0, 0.499 * fs);
    const Complex s = bilinear(f, fs) / Wide{t};
    const ExactSection section = first_order(t, n);
    const Complex expected = (Wide{n.high} * s + Wide{n.low}) / (s + Wide{1});
    worst = std::max(worst, static_cast<double>(std::abs(Complex(response(section, f, fs)) - expected)));
    second_pole =
        std::max(second_pole, std::fabs((1 - section.damp) * (1 - section.cross) + section.rate * section.rate));
    EXPECT_TRUE(is_usable(section)) << at << " Hz at " << fs;
  }
  EXPECT_LT(worst, 1e-12);
  EXPECT_LT(second_pole, 1e-15) << "a2 of the biquad: the product of the poles, one of which is 0";
}

TEST(ExactSection, ResponseIsTheSpectrumOfWhatTheFourEquationsDo) {
  Random random(3);
  for (int i = 0; i < 15; ++i) {
    const double k = random.log_between(0.05, 5), g = random.log_between(0.05, 10);
    const Numerator n{random.between(-2, 2), random.between(-2, 2), random.between(-2, 2)};
    const Section sections[] = {rounded(second_order(g, k, n)), rounded(first_order(g, n))};
    const std::vector<Wide> impulse = impulse_response(std::span<const Section>(sections), 20000);
    for (const double w : {0.0, 0.01, 0.3, 1.0, 2.0, 3.0, std::numbers::pi}) {
      Complex sum = 0;
      for (std::size_t m = 0; m < impulse.size(); ++m) sum += impulse[m] * std::polar(Wide{1}, -Wide{w} * Wide(m));
      const auto predicted = response(std::span<const Section>(sections), w / std::numbers::pi * 24000, 48000);
      // The tail that is cut off is below exp(-0.0024 * 20000); the rest is double arithmetic.
      EXPECT_LT(std::abs(Complex(predicted) - sum), 1e-10 * std::max(1.0, 1.0 / (k * k))) << "w " << w << " g " << g;
    }
  }
}

TEST(ExactSection, StableMeansThatTheImpulseDiesAway) {
  Random random(4);
  int stable = 0, unstable = 0;
  for (int i = 0; i < 3000; ++i) {
    Section s{1.0f, 0.5f, 0.5f};
    s.rate = static_cast<float>(random.between(-1.5, 1.5));
    s.damp = static_cast<float>(random.between(-0.5, 2.5));
    s.cross = static_cast<float>(random.between(-0.5, 2.5));
    const Biquad b = biquad_of(s);
    const std::complex<double> root = std::sqrt(std::complex<double>(b.a1 * b.a1 - 4 * b.a2));
    const double radius = std::max(std::abs(-b.a1 + root), std::abs(-b.a1 - root)) / 2;
    if (std::fabs(radius - 1) < 1e-6) continue;  // too near to call in double
    EXPECT_EQ(is_stable(s), radius < 1) << s.rate << " " << s.damp << " " << s.cross;
    ++(radius < 1 ? stable : unstable);
  }
  EXPECT_GT(stable, 300);
  EXPECT_GT(unstable, 300);
  EXPECT_FALSE(is_stable(Section{.rate = std::numeric_limits<float>::quiet_NaN()}));
  EXPECT_FALSE(is_stable(Section{.damp = -0.1f}));
}

TEST(ExactSection, WhatSinglePrecisionCannotHoldIsNotUsable) {
  EXPECT_TRUE(is_usable(ExactSection{}));
  EXPECT_EQ(rounded(ExactSection{}), Section{});
  EXPECT_FALSE(is_usable(second_order(prewarped(0.0, 48000), 1, {.low = 1})));
  EXPECT_FALSE(is_usable(second_order(1e-20, 1, {.low = 1}))) << "cross is subnormal";
  EXPECT_FALSE(is_usable(second_order(0.1, 1e-9, {.low = 1}))) << "its damping is below a unit roundoff";
  EXPECT_FALSE(is_usable(second_order(0.1, -1, {.low = 1}))) << "unstable";
  EXPECT_FALSE(is_usable(second_order(0.1, 1, {.low = 1e300}))) << "overflows";
  for (const double f : {-1.0, 0.0, 24000.0, 24000.1, std::nan("")}) EXPECT_TRUE(std::isnan(prewarped(f, 48000))) << f;
  EXPECT_TRUE(std::isnan(prewarped(1000, std::numeric_limits<double>::infinity())));
  EXPECT_TRUE(std::isnan(prewarped(1000, std::nan(""))));
}

struct Shape {
  const char* name;
  double k, peak;
  Numerator numerator;
  bool single;
};
constexpr Shape kShapes[] = {
    {"low-pass Q 0.7", 1.4142, 1, {.low = 1}, false},   {"high-pass Q 0.7", 1.4142, 1, {.high = 1}, false},
    {"low-pass Q 2.6", 0.39, 2.6, {.low = 1}, false},   {"high-pass Q 2.6", 0.39, 2.6, {.high = 1}, false},
    {"all-pass Q 1", 1, 1, {1, -1, 1}, false},          {"peaking +12 dB", 0.25, 4, {1, 1, 1}, false},
    {"peaking -12 dB", 1, 1, {1, 0.25, 1}, false},      {"low shelf +6 dB", 1.4142, 2, {1, 2, 2}, false},
    {"bandpass Q 10", 0.1, 1, {.band = 0.1}, false},    {"first-order low-pass", 0, 1, {.low = 1}, true},
    {"first-order high-pass", 0, 1, {.high = 1}, true}, {"first-order all-pass", 0, 1, {.high = -1, .low = 1}, true}};

TEST(RoundedSection, RespondsAsTheExactOneDownTo20HzAt192kHz) {
  int compared = 0;
  for (const double fs : kSampleRates)
    for (const double at : {20.0, 31.7, 100.0, 1234.0, 8000.0, 19999.0})
      for (const Shape& shape : kShapes) {
        const double t = prewarped(at, fs);
        const ExactSection exact =
            shape.single ? first_order(t, shape.numerator) : second_order(t, shape.k, shape.numerator);
        const Section single = rounded(exact);
        ASSERT_TRUE(is_stable(single));
        for (double f = 5.0; f < 0.499 * fs; f *= 1.07) {
          const auto wanted = response(exact, f, fs), got = response(single, f, fs);
          EXPECT_LE(std::abs(got - wanted), rounding_bound(exact) * shape.peak)
              << shape.name << " " << at << " " << f << " " << fs;
          if (std::abs(wanted) < 0.1 || at > fs / 4) continue;
          ++compared;
          EXPECT_NEAR(db(got), db(wanted), 1e-5) << shape.name << " " << at << " " << f << " " << fs;
        }
      }
  EXPECT_GT(compared, 20000);
}

// Where g is small there is room for `cross` and `mix_1` to take up what the others lost; nowhere may it cost anything.
TEST(RoundedSection, IsCloserThanTheNearestNumbersAre) {
  const auto worst_of = [](const ExactSection& exact, const Section& single, double at, double fs) {
    double worst = 0;
    for (const double ratio : {0.03, 0.1, 0.3, 0.7, 0.9, 0.97, 1.0, 1.03, 1.1, 1.5, 3.0, 10.0})
      if (at * ratio < 0.49 * fs)
        worst = std::max(worst, std::abs(response(single, at * ratio, fs) - response(exact, at * ratio, fs)));
    return worst;
  };
  for (const double fs : {48000.0, 192000.0})
    for (const Shape& shape : kShapes) {
      double with = 0, without = 0;
      for (double at = 20; at < fs / 200; at *= 1.03) {
        const double t = prewarped(at, fs);
        const ExactSection exact =
            shape.single ? first_order(t, shape.numerator) : second_order(t, shape.k, shape.numerator);
        const double with_here = worst_of(exact, rounded(exact), at, fs);
        const double without_here = worst_of(exact, nearest(exact), at, fs);
        EXPECT_LE(with_here, 2 * without_here + 3e-8) << shape.name << " " << at;  // the grid here is the finer one
        with = std::max(with, with_here);
        without = std::max(without, without_here);
      }
      EXPECT_LE(with, without) << shape.name << " at " << fs;
      if (fs > 100000 && !shape.single && shape.k < 0.5) {
        EXPECT_LT(with, without / 3) << shape.name << ": where Q makes it matter";
        EXPECT_LT(with, shape.peak * std::pow(10.0, -130.0 / 20)) << shape.name;
      }
    }
}

TEST(RoundedSection, ADirectFormOfTheSameFilterWouldBeOff) {  // the control: what the incremental form is for
  const double fs = 192000, g = prewarped(20, fs), k = std::numbers::sqrt2;
  const double h = 1 / (1 + g * (g + k));
  const auto f = [](double x) { return static_cast<double>(static_cast<float>(x)); };
  const double a1 = f(2 * (g * g - 1) * h), a2 = f((1 - k * g + g * g) * h), b0 = f(h), b1 = f(-2 * h);
  const std::complex<double> z1 = std::polar(1.0, -2 * std::numbers::pi * 25 / fs);
  const auto direct = (b0 + b1 * z1 + b0 * z1 * z1) / (1.0 + a1 * z1 + a2 * z1 * z1);
  const auto wanted = response(second_order(g, k, {.high = 1}), 25, fs);
  EXPECT_GT(std::fabs(db(direct) - db(wanted)), 0.1);
}

}  // namespace
}  // namespace rackproof::dsp
