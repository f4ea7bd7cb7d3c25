// Must hold: each type is the prototype H(s) of the note, in closed form and through the note's own b and a; what a
// width or gain means can be read from the response; what is out of range is refused and nothing is written.
#include "dsp/design/eq.hpp"

#include <gtest/gtest.h>

#include <limits>

#include "dsp/design/response.hpp"
#include "tests/dsp/design/design_reference.hpp"

namespace rackproof::dsp {
namespace {
using namespace reference;

constexpr EqType kTypes[] = {EqType::lowpass, EqType::highpass, EqType::bandpass, EqType::notch,
                             EqType::allpass, EqType::peaking,  EqType::lowshelf, EqType::highshelf};

ExactSection made(const EqSettings& eq, double fs) {
  ExactSection s;
  EXPECT_TRUE(design(eq, fs, s));
  return s;
}

/// The note's b0..b2 over a0..a2, in its own order of operations, extended precision.
Complex cookbook(const EqSettings& eq, double fs, double frequency_hz) {
  const Wide pi = std::numbers::pi_v<Wide>;
  const Wide A = std::pow(Wide{10}, Wide{eq.gain_db} / 40), w0 = 2 * pi * Wide{eq.at_hz} / Wide{fs}, c = std::cos(w0);
  const Wide width = eq.width_value, sine = std::sin(w0);
  const Wide alpha = eq.width == EqWidth::q               ? sine / (2 * width)
                     : eq.width == EqWidth::bandwidth_oct ? sine * std::sinh(std::log(Wide{2}) / 2 * width * w0 / sine)
                                                          : sine / 2 * std::sqrt((A + 1 / A) * (1 / width - 1) + 2);
  const Wide r = 2 * std::sqrt(A) * alpha;
  Wide b[3] = {}, a[3] = {1 + alpha, -2 * c, 1 - alpha};
  const auto set = [](Wide(&to)[3], Wide x, Wide y, Wide z) { to[0] = x, to[1] = y, to[2] = z; };
  switch (eq.type) {
    case EqType::lowpass:
      set(b, (1 - c) / 2, 1 - c, (1 - c) / 2);
      break;
    case EqType::highpass:
      set(b, (1 + c) / 2, -(1 + c), (1 + c) / 2);
      break;
    case EqType::bandpass:
      set(b, alpha, 0, -alpha);
      break;
    case EqType::notch:
      set(b, 1, -2 * c, 1);
      break;
    case EqType::allpass:
      set(b, 1 - alpha, -2 * c, 1 + alpha);
      break;
    case EqType::peaking:
      set(b, 1 + alpha * A, -2 * c, 1 - alpha * A);
      set(a, 1 + alpha / A, -2 * c, 1 - alpha / A);
      break;
    case EqType::lowshelf:
      set(b, A * ((A + 1) - (A - 1) * c + r), 2 * A * ((A - 1) - (A + 1) * c), A * ((A + 1) - (A - 1) * c - r));
      set(a, (A + 1) + (A - 1) * c + r, -2 * ((A - 1) + (A + 1) * c), (A + 1) + (A - 1) * c - r);
      break;
    case EqType::highshelf:
      set(b, A * ((A + 1) + (A - 1) * c + r), -2 * A * ((A - 1) + (A + 1) * c), A * ((A + 1) + (A - 1) * c - r));
      set(a, (A + 1) - (A - 1) * c + r, 2 * ((A - 1) - (A + 1) * c), (A + 1) - (A - 1) * c - r);
      break;
  }
  const Complex z1 = std::polar(Wide{1}, -2 * pi * Wide{frequency_hz} / Wide{fs});
  return (b[0] + z1 * (b[1] + z1 * b[2])) / (a[0] + z1 * (a[1] + z1 * a[2]));
}

TEST(Eq, IsTheNotesFilterForEveryTypeAndWidth) {
  Random random(11);
  int seen = 0;
  for (int i = 0; i < 6000; ++i) {
    const double fs = kSampleRates[random.below(6)];
    EqSettings eq{.type = kTypes[random.below(8)],
                  .at_hz = random.log_between(15, 0.45 * fs),
                  .gain_db = random.between(-18, 18)};
    const bool shelf = eq.type == EqType::lowshelf || eq.type == EqType::highshelf;
    eq.width = static_cast<EqWidth>(random.below(shelf ? 3 : 2));
    eq.width_value = eq.width == EqWidth::shelf_slope ? random.between(0.2, 1.0) : random.log_between(0.2, 4);
    ExactSection s;
    ASSERT_TRUE(design(eq, fs, s));
    const double f = random.log_between(10, 0.49 * fs);
    const Complex expected = cookbook(eq, fs, f);
    // Single digits of 1e-13 are the design's own; the note's 1 + a1 + a2 loses up to (fs / 6 f)^2 of 2^-64.
    EXPECT_LT(std::abs(Complex(response(s, f, fs)) - expected), 1e-9 * std::max(Wide{1}, std::abs(expected)))
        << static_cast<int>(eq.type) << " at " << eq.at_hz << " f " << f;
    ++seen;
  }
  EXPECT_EQ(seen, 6000);
}

TEST(Eq, GainIsWhatItSaysWhereItSaysIt) {
  for (const double fs : kSampleRates)
    for (const double at : {25.0, 1000.0, 15000.0})
      for (const double gain : {-24.0, -3.5, 0.01, 6.0, 18.0}) {
        const auto level = [&](EqType type, double f) {
          return db(response(made({type, at, gain, EqWidth::q, 0.9}, fs), f, fs));
        };
        const double nyquist = fs / 2;
        EXPECT_NEAR(level(EqType::peaking, at), gain, 1e-9);
        EXPECT_NEAR(level(EqType::peaking, 0), 0, 1e-9);
        EXPECT_NEAR(level(EqType::peaking, nyquist), 0, 1e-9);
        EXPECT_NEAR(level(EqType::lowshelf, 0), gain, 1e-9);
        EXPECT_NEAR(level(EqType::lowshelf, at), gain / 2, 1e-9);
        EXPECT_NEAR(level(EqType::lowshelf, nyquist), 0, 1e-9);
        EXPECT_NEAR(level(EqType::highshelf, 0), 0, 1e-9);
        EXPECT_NEAR(level(EqType::highshelf, at), gain / 2, 1e-9);
        EXPECT_NEAR(level(EqType::highshelf, nyquist), gain, 1e-9);
      }
}

TEST(Eq, BoostThenCutOfTheSameSizeIsNothing) {
  for (const EqType type : {EqType::peaking, EqType::lowshelf, EqType::highshelf})
    for (const double f : {20.0, 90.0, 100.0, 110.0, 5000.0}) {
      const auto up = response(made({type, 100, 7.3, EqWidth::q, 2}, 48000), f, 48000);
      const auto down = response(made({type, 100, -7.3, EqWidth::q, 2}, 48000), f, 48000);
      EXPECT_LT(std::abs(up * down - 1.0), 1e-11) << f;
    }
}

TEST(Eq, ZeroGainIsTheIdentityToTheBit) {
  for (const EqType type : {EqType::peaking, EqType::lowshelf, EqType::highshelf}) {
    Section s{.mix_v = 7};
    ASSERT_TRUE(design({type, 100, 0.0, EqWidth::q, 2}, 48000, s));
    EXPECT_EQ(s, Section{});
    EXPECT_TRUE(std::signbit(s.mix_1) && std::signbit(s.mix_2));
  }
}

TEST(Eq, GainDoesNotTouchTypesWithoutOne) {
  for (const EqType type : {EqType::lowpass, EqType::highpass, EqType::bandpass, EqType::notch, EqType::allpass}) {
    Section plain, with;
    ASSERT_TRUE(design({type, 100, 0.0, EqWidth::q, 2}, 48000, plain));
    ASSERT_TRUE(design({type, 100, 12.0, EqWidth::q, 2}, 48000, with));
    EXPECT_EQ(plain, with);
    EXPECT_NE(plain, Section{});
  }
}

TEST(Eq, ShelfSlopeOneIsTheSteepestThatIsMonotone) {
  const auto overshoots = [](double slope) {
    double before = -1e9;
    bool falls = false;
    const ExactSection s = made({EqType::highshelf, 1000, 12, EqWidth::shelf_slope, slope}, 48000);
    for (double f = 10; f < 23900; f *= 1.01) {
      const double level = db(response(s, f, 48000));
      falls = falls || level < before - 1e-9;
      before = level;
    }
    return falls;
  };
  EXPECT_FALSE(overshoots(0.5));
  EXPECT_FALSE(overshoots(1.0));
  EXPECT_TRUE(overshoots(1.1)) << "the control";
}

TEST(Eq, WhatIsOutOfRangeIsRefusedAndNothingWritten) {
  const double nan = std::nan(""), infinite = std::numeric_limits<double>::infinity();
  const EqSettings good{EqType::lowshelf, 1000, 6, EqWidth::q, 1};
  const auto with = [&](auto change) {
    EqSettings eq = good;
    change(eq);
    return eq;
  };
  std::vector<EqSettings> bad;
  for (const double x : {0.0, -1.0, 24000.0, 30000.0, nan, infinite})
    bad.push_back(with([&](EqSettings& e) { e.at_hz = x; }));
  for (const double x : {0.0, -1.0, nan, 1e-300, 1e12}) bad.push_back(with([&](EqSettings& e) { e.width_value = x; }));
  for (const double x : {60.1, -60.1, nan, infinite}) bad.push_back(with([&](EqSettings& e) { e.gain_db = x; }));
  bad.push_back({EqType::peaking, 1000, 6, EqWidth::shelf_slope, 1});
  bad.push_back({EqType::lowpass, 1000, 0, EqWidth::shelf_slope, 1});
  bad.push_back({EqType::highshelf, 1000, 12, EqWidth::shelf_slope, 30});
  bad.push_back({EqType::peaking, 23999.9, 6, EqWidth::bandwidth_oct, 4});
  bad.push_back({static_cast<EqType>(99), 1000, 6, EqWidth::q, 1});
  const Section mark{.mix_v = 42};
  for (const EqSettings& eq : bad) {
    Section s = mark;
    EXPECT_FALSE(design(eq, 48000, s)) << &eq - bad.data();
    EXPECT_EQ(s, mark);
  }
  Section s = mark;
  for (const double fs : {0.0, -48000.0, 1999.0, nan, infinite}) EXPECT_FALSE(design(good, fs, s)) << fs;
  EXPECT_EQ(s, mark);
  EXPECT_TRUE(design(good, 48000, s)) << "the control";
}

TEST(Eq, WhateverIsGivenOutIsStableAndFinite) {
  Random random(12);
  int given = 0;
  for (int i = 0; i < 20000; ++i) {
    const double fs = kSampleRates[random.below(6)];
    const EqSettings eq{kTypes[random.below(8)], random.log_between(1e-3, fs), random.between(-70, 70),
                        static_cast<EqWidth>(random.below(3)), random.log_between(1e-6, 1e6)};
    Section s;
    if (!design(eq, fs, s)) continue;
    ++given;
    EXPECT_TRUE(is_stable(s));
    for (const float x : {s.mix_v, s.mix_1, s.mix_2, s.rate, s.damp, s.cross}) EXPECT_TRUE(std::isfinite(x));
  }
  EXPECT_GT(given, 5000);
}

}  // namespace
}  // namespace rackproof::dsp
