// Must hold: what held_biquad.hpp claims. Errors as computed outside; noise as a simulation in the format's own
// arithmetic makes it; what is unstable, silent or beyond the format is refused, its neighbour is not.
#include "harness/firmware/held_biquad.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <complex>
#include <numbers>
#include <random>
#include <vector>

namespace rackproof::firmware {
namespace {

using std::numbers::pi;

/// W3C Audio EQ Cookbook, written here once more, apart from the core's designs.
enum class Kind { high_pass, low_pass, notch, peaking };
dsp::Biquad cookbook(Kind kind, double at_hz, double rate_hz, double q, double gain_db = 0) {
  const double w = 2 * pi * at_hz / rate_hz, c = std::cos(w), alpha = std::sin(w) / (2 * q);
  const double a = std::pow(10, gain_db / 40);
  const double over = kind == Kind::peaking ? alpha / a : alpha;
  double b0 = 1, b1 = -2 * c, b2 = 1;  // of a notch
  if (kind == Kind::high_pass) {
    b0 = b2 = (1 + c) / 2;
    b1 = -(1 + c);
  }
  if (kind == Kind::low_pass) {
    b0 = b2 = (1 - c) / 2;
    b1 = 1 - c;
  }
  if (kind == Kind::peaking) {
    b0 = 1 + alpha * a;
    b2 = 1 - alpha * a;
  }
  const double a0 = 1 + over;
  return {b0 / a0, b1 / a0, b2 / a0, -2 * c / a0, (1 - over) / a0};
}
NumberFormat number(const char* name) { return number_format_from(name).value(); }

struct Known {
  const char* format;
  Kind kind;
  double rate_hz, q, gain_db, error_db, at_hz;
};
// Computed outside with the cookbook's formulas, in Python (its struct module rounds to binary32), magnitudes on 2001
// frequencies from 10 Hz to 20 kHz, all at 20 Hz; printed to three places. Single precision and Q5.23 have the same
// step between 1 and 2, where a1 lies.
constexpr Known kKnown[] = {{"float32", Kind::high_pass, 48000, 0.5412, 0, 0.029, 10},
                            {"q2.22", Kind::high_pass, 48000, 0.5412, 0, -1.356, 10},
                            {"q2.22", Kind::high_pass, 48000, 1.3066, 0, 0.232, 10},
                            {"float32", Kind::high_pass, 96000, 0.5412, 0, 0.114, 10},
                            {"float32", Kind::high_pass, 96000, 1.3066, 0, 0.237, 10},
                            {"q5.23", Kind::high_pass, 96000, 1.3066, 0, -2.598, 10},
                            {"q2.22", Kind::high_pass, 96000, 1.3066, 0, 4.082, 10},
                            {"q5.23", Kind::peaking, 48000, 1.4, -3, 0.165, 11.0},
                            {"q2.22", Kind::peaking, 48000, 1.4, -3, -0.342, 11.6},
                            {"float32", Kind::peaking, 96000, 1, 6, 0.134, 14.2}};
TEST(HeldBiquadError, IsTheOneComputedOutside) {
  for (const Known& known : kKnown) {
    const dsp::Biquad exact = cookbook(known.kind, 20, known.rate_hz, known.q, known.gain_db);
    const auto made = hold(exact, number(known.format), known.rate_hz).held;
    ASSERT_TRUE(made) << known.format;
    // Printed to 0.001 and on another grid; a peak between two of its points is flat to 0.001 as well.
    EXPECT_NEAR(made->worst_error_db, known.error_db, 0.0015) << known.format << " Q " << known.q;
    EXPECT_NEAR(made->worst_error_at_hz, known.at_hz, 0.3) << known.format << " Q " << known.q;
  }
}

TEST(HeldBiquadError, OfANarrowResonanceIsNotMissed) {
  // 0.1 Hz wide at 10 kHz: the points of the grid are 38 Hz apart there. Expected: straight from the two responses,
  // every tenth of a millihertz.
  const dsp::Biquad exact = cookbook(Kind::peaking, 10000.3, 48000, 1e5, 12);
  const auto made = hold(exact, number("q2.22"), 48000).held;
  ASSERT_TRUE(made);
  const auto size = [](const dsp::Biquad& s, double hz) {
    const std::complex<double> z = std::polar(1.0, -2 * pi * hz / 48000);
    return std::abs((s.b0 + s.b1 * z + s.b2 * z * z) / (1.0 + s.a1 * z + s.a2 * z * z));
  };
  double most = 0;
  for (double hz = 9999.3; hz < 10001.3; hz += 1e-4)
    most = std::max(most, std::abs(20 * std::log10(size(made->section, hz) / size(exact, hz))));
  EXPECT_GT(most, 0.1) << "no case at all";
  EXPECT_NEAR(std::abs(made->worst_error_db), most, 0.001 * most);
}

TEST(HeldBiquadError, OfANotchAndAStopBandIsSetAgainst40DbUnderTheLargestGain) {
  // A notch that lets through 80 dB less than beside it, where nothing should: 20 log10(1 + 1e-4 / 1e-2) = 0.086 dB.
  dsp::Biquad notch = cookbook(Kind::notch, 1000, 48000, 5);
  const auto fine = hold(notch, number("q2.30"), 48000).held;
  ASSERT_TRUE(fine);
  EXPECT_LT(std::abs(fine->worst_error_db), 0.001) << "its bottom is no -300 dB, and that is no error";
  // Coarser: the bottom of the rounded notch, straight from its numerator, tells the least that the error must be.
  const auto coarse = hold(notch, number("q2.14"), 48000).held;
  ASSERT_TRUE(coarse);
  const std::complex<double> z = std::polar(1.0, -2 * pi * 1000 / 48000);
  const dsp::Biquad& s = coarse->section;
  const double bottom = std::abs((s.b0 + s.b1 * z + s.b2 * z * z) / (1.0 + s.a1 * z + s.a2 * z * z));
  EXPECT_GE(std::abs(coarse->worst_error_db), 20 * std::log10(1 + bottom / 0.01) - 0.01);
  // A stop band: of a low-pass at 100 Hz four steps are left of b1; at 20 kHz all that it lets through is 60 dB down.
  const auto low = hold(cookbook(Kind::low_pass, 100, 48000, 0.7071), number("q2.16"), 48000).held;
  ASSERT_TRUE(low);
  EXPECT_LT(std::abs(low->worst_error_db), 200);
}

TEST(HeldBiquadPoles, AreWhereTheFormulasPutThem) {
  EXPECT_NEAR(pole_radius({1, 0, 0, -1.8, 0.81}), 0.9, 1e-8);  // both at 0.9: a double root is known to half the digits
  EXPECT_NEAR(pole_radius({1, 0, 0, -1.5, 0.56}), 0.8, 1e-15);  // 0.7 and 0.8
  EXPECT_NEAR(pole_radius({1, 0, 0, -1.0, 0.64}), 0.8, 1e-15);  // a pair: sqrt(a2)
  EXPECT_NEAR(pole_radius({1, 0, 0, -0.5, 0}), 0.5, 1e-15);     // of first order
  EXPECT_EQ(pole_radius({}), 0);
  // The other convention of signs: poles of z^2 - 2 z - 1, at 1 + sqrt(2) = 2.414.
  const dsp::Biquad low = cookbook(Kind::high_pass, 20, 48000, 0.7071);
  EXPECT_NEAR(pole_radius({low.b0, low.b1, low.b2, -low.a1, -low.a2}), 2.414, 0.005);  // 20 Hz is not 0
}

TEST(HeldBiquadPoles, OnTheCircleAreUnstableAndOneStepInsideAreNot) {
  const double step = 0x1p-22;
  EXPECT_FALSE(is_stable({1, 0, 0, -1, 1}));
  EXPECT_TRUE(is_stable({1, 0, 0, -1, 1 - step}));
  EXPECT_FALSE(is_stable({1, 0, 0, -1.75, 0.75})) << "a pole at 1";
  EXPECT_TRUE(is_stable({1, 0, 0, -1.75 + step, 0.75}));
  EXPECT_FALSE(is_stable({1, 0, 0, 1.75, 0.75})) << "a pole at -1";
  EXPECT_TRUE(is_stable({1, 0, 0, 1.75 - step, 0.75}));
  // 28 Hz in 16 bits: a1 rounds to -2 + step, a2 to 1 - step, which is a pole at 1.
  const Holding made = hold(cookbook(Kind::high_pass, 28, 48000, 1.3066), number("q2.14"), 48000);
  ASSERT_FALSE(made.held);
  EXPECT_EQ(made.refusal.why, NotHeld::Why::unstable);
  EXPECT_GE(made.refusal.pole_radius, 1.0);
}

TEST(HeldBiquad, BeyondTheFormatAndSilentAreRefused) {
  const Holding beyond = hold(cookbook(Kind::high_pass, 1000, 48000, 0.7071), number("q1.31"), 48000);
  ASSERT_FALSE(beyond.held);
  EXPECT_EQ(beyond.refusal.why, NotHeld::Why::beyond);
  EXPECT_STREQ(kCoefficientNames[beyond.refusal.coefficient], "b1");
  const Holding quiet = hold({1e-8, 2e-8, 1e-8, -0.5, 0.1}, number("q2.20"), 48000);
  ASSERT_FALSE(quiet.held);
  EXPECT_EQ(quiet.refusal.why, NotHeld::Why::silent);
}

TEST(HeldBiquadNoise, GainIsTheSumOfSquaresOfTheImpulseResponse) {
  for (const dsp::Biquad& s : {cookbook(Kind::high_pass, 200, 48000, 0.7), cookbook(Kind::notch, 5000, 48000, 20),
                               dsp::Biquad{1, 0, 0, -0.9, 0}, dsp::Biquad{}}) {
    double sum = 0, y1 = 0, y2 = 0;
    for (int n = 0; n < 200000; ++n) {
      const double y = (n == 0 ? 1.0 : 0.0) - s.a1 * y1 - s.a2 * y2;
      sum += y * y;
      y2 = y1;
      y1 = y;
    }
    EXPECT_NEAR(noise_gain(s), sum, 1e-9 * sum);
  }
}

/// Level of `noise` as AES17 has it.
double dbfs_of(const std::vector<double>& noise) {
  double sum = 0;
  for (const double x : noise) sum += x * x;
  return 10 * std::log10(2 * sum / static_cast<double>(noise.size()));
}
/// Both structures in real arithmetic, each stored value through `store`, each product and each sum through `step`.
template <class Step, class Store>
struct Simulated {
  Step step;
  Store store;
  double direct_form_1(const dsp::Biquad& s, double x) {
    const double y = store(
        step(step(step(step(step(s.b0 * x) + step(s.b1 * x1)) + step(s.b2 * x2)) - step(s.a1 * y1)) - step(s.a2 * y2)));
    x2 = x1;
    x1 = x;
    y2 = y1;
    y1 = y;
    return y;
  }
  double transposed(const dsp::Biquad& s, double x) {
    const double y = store(step(step(s.b0 * x) + s1));
    s1 = store(step(step(step(s.b1 * x) - step(s.a1 * y)) + s2));
    s2 = store(step(step(s.b2 * x) - step(s.a2 * y)));
    return y;
  }
  double x1 = 0, x2 = 0, y1 = 0, y2 = 0, s1 = 0, s2 = 0;
};
template <class Step, class Store>
Simulated(Step, Store) -> Simulated<Step, Store>;
constexpr auto kWhole = [](double v) { return v; };

TEST(HeldBiquadNoise, OfFixedPointIsThatOfASimulation) {
  const NumberFormat q2_22 = number("q2.22");
  // Sums of products of 22 by 22 bits are exact in double.
  const auto rounded = [](double v) { return std::round(v * 0x1p22) * 0x1p-22; };
  for (const dsp::Biquad& exact :
       {cookbook(Kind::high_pass, 100, 48000, 0.7071), cookbook(Kind::peaking, 1000, 48000, 2, -6),
        cookbook(Kind::low_pass, 2000, 48000, 1.3)}) {
    const auto made = hold(exact, q2_22, 48000).held;
    ASSERT_TRUE(made);
    Simulated one{kWhole, kWhole}, two{kWhole, kWhole};
    Simulated rounded_one{kWhole, rounded}, rounded_two{kWhole, rounded};
    Simulated each{rounded, rounded}, each_two{rounded, rounded};
    std::mt19937 rng(3);
    std::vector<double> first, second, first_each, second_each;
    for (int n = 0; n < 400000; ++n) {
      const double x = rounded((static_cast<double>(rng()) * 0x1p-32 - 0.5) * 0.5);
      const double right_one = one.direct_form_1(made->section, x), right_two = two.transposed(made->section, x);
      first.push_back(rounded_one.direct_form_1(made->section, x) - right_one);
      second.push_back(rounded_two.transposed(made->section, x) - right_two);
      first_each.push_back(each.direct_form_1(made->section, x) - right_one);
      second_each.push_back(each_two.transposed(made->section, x) - right_two);
    }
    // The slowest pole (100 Hz) leaves some 3000 independent values: 10 log10(1 + 3 sqrt(2 / 3000)) = 0.3 dB.
    EXPECT_NEAR(dbfs_of(first), made->direct_form_1_dbfs, 0.3);
    EXPECT_NEAR(dbfs_of(second), made->transposed_direct_form_2_dbfs, 0.3);
    // Each product rounded: five roundings in both, more where coefficients are alike, as the file says.
    for (const double more : {dbfs_of(first_each) - made->direct_form_1_dbfs,
                              dbfs_of(second_each) - made->transposed_direct_form_2_dbfs + 10 * std::log10(3)}) {
      EXPECT_GT(more, 7.0 - 0.3);
      EXPECT_LT(more, 9.0 + 0.3);
    }
  }
}

TEST(HeldBiquadNoise, OfFloatingPointIsThatOfASimulation) {
  const auto single = [](double v) { return static_cast<double>(static_cast<float>(v)); };
  for (const dsp::Biquad& exact :
       {cookbook(Kind::high_pass, 60, 48000, 0.7071), cookbook(Kind::peaking, 500, 48000, 2, -6),
        cookbook(Kind::low_pass, 400, 48000, 0.9)}) {
    const auto made = hold(exact, number("float32"), 48000).held;
    ASSERT_TRUE(made);
    double most_first = -1000, most_second = -1000;
    for (int f = 0; f < 24; ++f) {
      const double hz = 11.3 * std::pow(20000 / 11.3, f / 23.0);
      Simulated one{kWhole, kWhole}, two{kWhole, kWhole};
      Simulated float_one{single, single}, float_two{single, single};
      std::vector<double> first, second;
      for (int n = 0; n < 30000; ++n) {
        const double x = single(std::sin(2 * pi * hz / 48000 * n + 0.3));
        const double right_one = one.direct_form_1(made->section, x), right_two = two.transposed(made->section, x);
        const double error_one = float_one.direct_form_1(made->section, x) - right_one;
        const double error_two = float_two.transposed(made->section, x) - right_two;
        if (n < 6000) continue;
        first.push_back(error_one);
        second.push_back(error_two);
      }
      most_first = std::max(most_first, dbfs_of(first));
      most_second = std::max(most_second, dbfs_of(second));
    }
    // A sine's roundings are not white (they repeat with it), and the worst of 24 frequencies is not the worst of all:
    // 3 dB, where another count of roundings, or p off by one bit (6 dB), would be seen.
    EXPECT_NEAR(most_first, made->direct_form_1_dbfs, 3);
    EXPECT_NEAR(most_second, made->transposed_direct_form_2_dbfs, 3);
  }
}

}  // namespace
}  // namespace rackproof::firmware
