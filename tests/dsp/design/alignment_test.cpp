// Must hold: the levels and phases that define each alignment, to double precision at every sample rate; and the
// theorem of CrossoverSum, against brute force over every pair of like sides: no pair is called an all-pass that is
// none, or the other way round.
#include "dsp/design/alignment.hpp"

#include <gtest/gtest.h>

#include <tuple>

#include "dsp/design/response.hpp"
#include "tests/dsp/design/design_reference.hpp"

namespace rackproof::dsp {
namespace {
using namespace reference;

const double kHalfPowerDb = 10 * std::log10(0.5);

struct Side {
  Alignment alignment;
  int order;
};
std::vector<Side> all_sides() {
  std::vector<Side> sides;
  for (int n = 1; n <= 8; ++n) sides.push_back({Alignment::butterworth, n});
  for (int n = 2; n <= 8; ++n) sides.push_back({Alignment::bessel, n});
  for (int n = 2; n <= 8; n += 2) sides.push_back({Alignment::linkwitz_riley, n});
  return sides;
}
ExactList made(Side side, Pass pass, double at, double fs) {
  ExactList list;
  EXPECT_TRUE(design({side.alignment, pass, side.order, at}, fs, list)) << side.order << " " << at << " " << fs;
  return list;
}
CrossoverSum sum_of(Side low, double low_hz, Side high, double high_hz, bool same, double fs) {
  CrossoverSum sum;
  EXPECT_TRUE(
      design({{low.alignment, Pass::low, low.order, low_hz}, {high.alignment, Pass::high, high.order, high_hz}, same},
             fs, sum));
  return sum;
}

class EveryPlace : public testing::TestWithParam<std::tuple<double, double>> {
 protected:
  double fs() const { return std::get<0>(GetParam()); }
  double at() const { return std::get<1>(GetParam()); }
};
INSTANTIATE_TEST_SUITE_P(, EveryPlace,
                         testing::Combine(testing::ValuesIn(kSampleRates),
                                          testing::Values(20.0, 32.0, 95.0, 1600.0, 12000.0, 20000.0)));

TEST_P(EveryPlace, LevelAtTheStatedFrequencyIsTheOneThatDefinesTheAlignment) {
  for (const Side side : all_sides())
    for (const Pass pass : {Pass::low, Pass::high}) {
      const ExactList list = made(side, pass, at(), fs());
      const double expected = side.alignment == Alignment::linkwitz_riley ? 2 * kHalfPowerDb : kHalfPowerDb;
      EXPECT_NEAR(db(response(list, at(), fs())), expected, 1e-9) << side.order;
      EXPECT_NEAR(db(response(rounded(list), at(), fs())), expected, 8.7 * rounding_bound(list)) << side.order;
      if (at() < fs() / 4) {
        EXPECT_NEAR(db(response(rounded(list), at(), fs())), expected, 1e-5) << side.order;
      }
      EXPECT_EQ(std::abs(response(list, 0, fs())), pass == Pass::low ? 1.0 : 0.0) << "at DC, exactly";
      EXPECT_NEAR(std::abs(response(list, fs() / 2, fs())), pass == Pass::low ? 0.0 : 1.0, 1e-12);
    }
}

TEST_P(EveryPlace, FallsAsItsOrderSaysAtEveryFrequency) {
  for (const Side side : all_sides()) {
    if (side.alignment == Alignment::bessel) continue;
    const bool squared = side.alignment == Alignment::linkwitz_riley;
    const int n = squared ? side.order / 2 : side.order;
    const ExactList low = made(side, Pass::low, at(), fs()), high = made(side, Pass::high, at(), fs());
    for (double f = 5; f < 0.499 * fs(); f *= 1.31) {
      const double w = static_cast<double>((bilinear(f, fs()) / bilinear(at(), fs())).real());
      const double fall = 1 / std::sqrt(1 + std::pow(w, 2 * n)), rise = 1 / std::sqrt(1 + std::pow(w, -2 * n));
      EXPECT_NEAR(std::abs(response(low, f, fs())), squared ? fall * fall : fall, 1e-11) << side.order << " " << f;
      EXPECT_NEAR(std::abs(response(high, f, fs())), squared ? rise * rise : rise, 1e-11) << side.order << " " << f;
    }
  }
}

TEST(Alignment, SectionsComeWithLowQFirstAndAsFewAsTheOrderNeeds) {
  for (const Side side : all_sides())
    for (const Pass pass : {Pass::low, Pass::high}) {
      const ExactList list = made(side, pass, 700, 48000);
      EXPECT_EQ(list.count, static_cast<std::size_t>(side.order + 1) / 2);
      for (std::size_t i = 1; i < list.count; ++i)
        EXPECT_LE(q_of(list.sections[i - 1]), q_of(list.sections[i]) * (1 + 1e-9)) << side.order;
    }
  EXPECT_NEAR(q_of(made({Alignment::linkwitz_riley, 2}, Pass::low, 700, 48000).sections[0]), 0.5, 1e-12);
}

// Bessel by its definition: the denominator is the reverse Bessel polynomial, at every frequency, for one scale of s.
TEST(Bessel, DenominatorIsTheReverseBesselPolynomial) {
  for (int n = 2; n <= 8; ++n) {
    Wide coefficient[9] = {};
    for (int i = 0; i <= n; ++i)
      coefficient[i] = std::tgamma(Wide(2 * n - i + 1)) /
                       (std::pow(Wide{2}, n - i) * std::tgamma(Wide(i + 1)) * std::tgamma(Wide(n - i + 1)));
    const auto analogue = [&](Wide w) {
      Complex sum = 0;
      for (int i = n; i >= 0; --i) sum = sum * Complex(0, w) + coefficient[i];
      return coefficient[0] / sum;
    };
    Wide below = 0.1L, above = 10;  // where |H|^2 is 1/2
    for (int i = 0; i < 80; ++i) {
      const Wide middle = (below + above) / 2;
      (std::norm(analogue(middle)) > 0.5L ? below : above) = middle;
    }
    const double fs = 48000, at = 1000;
    const ExactList low = made({Alignment::bessel, n}, Pass::low, at, fs),
                    high = made({Alignment::bessel, n}, Pass::high, at, fs);
    for (double f = 10; f < 23500; f *= 1.2) {
      const Wide w = (bilinear(f, fs) / bilinear(at, fs)).real();
      EXPECT_LT(std::abs(Complex(response(low, f, fs)) - analogue(w * below)), 1e-12) << n << " " << f;
      EXPECT_LT(std::abs(Complex(response(high, f, fs)) - std::conj(analogue(below / w))), 1e-12) << n << " " << f;
    }
  }
}

TEST_P(EveryPlace, LinkwitzRileySidesAreInPhaseOrOpposed) {
  for (int order = 2; order <= 8; order += 2) {
    const ExactList low = made({Alignment::linkwitz_riley, order}, Pass::low, at(), fs());
    const ExactList high = made({Alignment::linkwitz_riley, order}, Pass::high, at(), fs());
    const auto ratio = response(high, at(), fs()) / response(low, at(), fs());
    EXPECT_NEAR(ratio.real(), order % 4 == 0 ? 1.0 : -1.0, 1e-11) << order;
    EXPECT_NEAR(ratio.imag(), 0.0, 1e-11) << order;
  }
}

// The theorem, and that nothing else is called an all-pass: for like sides of every alignment, order and polarity.
TEST_P(EveryPlace, SumIsTheStatedAllPassOrNone) {
  int all_passes = 0, nulls = 0;
  for (const Side side : all_sides())
    for (const bool same : {true, false}) {
      const CrossoverSum sum = sum_of(side, at(), side, at(), same, fs());
      const ExactList low = made(side, Pass::low, at(), fs()), high = made(side, Pass::high, at(), fs());
      const SectionList low_single = rounded(low), high_single = rounded(high), all_pass_single = rounded(sum.all_pass);
      double ripple_db = 0, worst = 0, worst_single = 0, deepest = 1;
      std::vector<double> frequencies = {at()};
      for (double f = 4; f < 0.4999 * fs(); f *= 1.05) frequencies.push_back(f);
      for (const double f : frequencies) {
        const double sign = same ? 1 : -1;
        const auto l = response(low, f, fs()), h = response(high, f, fs()), added = l + sign * h;
        ripple_db = std::max(ripple_db, std::fabs(db(std::max(std::abs(added), 1e-15))));
        deepest = std::min(deepest, std::abs(added) / (std::abs(l) + std::abs(h)));
        worst = std::max(worst, std::abs(added - response(sum.all_pass, f, fs())));
        const auto single = response(low_single, f, fs()) + sign * response(high_single, f, fs());
        worst_single = std::max(worst_single, std::abs(single - response(all_pass_single, f, fs())));
      }
      SCOPED_TRACE(testing::Message() << "alignment " << int(side.alignment) << " order " << side.order << " same "
                                      << same);
      EXPECT_EQ(sum.is_all_pass, ripple_db < 1e-6);
      EXPECT_EQ(sum.has_null, db(deepest) < kNullDb);
      EXPECT_NEAR(sum.equal_at_hz, at(), 1e-9 * fs());
      if (sum.is_all_pass) {
        ++all_passes;
        EXPECT_LT(worst, 1e-9);
        EXPECT_LT(ripple_db, 1e-9);
        EXPECT_LT(worst_single, rounding_bound(low) + rounding_bound(high) + rounding_bound(sum.all_pass));
        EXPECT_GT(sum.loss_db, -3.011);
        for (const ExactSection& s : sum.all_pass.view()) EXPECT_TRUE(is_usable(s));
      } else {
        EXPECT_GT(ripple_db, 0.3) << "the control: what is called none is none by far";
        EXPECT_EQ(sum.all_pass.count, 0u);
      }
      nulls += sum.has_null;
    }
  EXPECT_EQ(all_passes, 4 + 8) << "Linkwitz-Riley one polarity of each, odd Butterworth both of 1, 3, 5, 7";
  EXPECT_GE(nulls, 4 + 4) << "Linkwitz-Riley and even Butterworth, the wrong polarity of each";
}

TEST(CrossoverSum, OddButterworthKeepsThePolesThatTheSignLeaves) {
  const auto qs = [](int order, bool same) {
    std::vector<double> list;
    const Side side{Alignment::butterworth, order};
    const CrossoverSum sum = sum_of(side, 1000, side, 1000, same, 48000);
    for (const ExactSection& s : sum.all_pass.view()) {
      const bool single = std::fabs((1 - s.damp) * (1 - s.cross) + s.rate * s.rate) < 1e-12;
      list.push_back(single ? 0 : std::round(q_of(s) * 1e6) / 1e6);
    }
    return list;
  };
  using List = std::vector<double>;
  EXPECT_EQ(qs(1, true), List{});
  EXPECT_EQ(qs(1, false), List{0});
  EXPECT_EQ(qs(3, true), List{1});
  EXPECT_EQ(qs(3, false), List{0});
  EXPECT_EQ(qs(5, true), List{0.618034});
  EXPECT_EQ(qs(5, false), (List{0, 1.618034}));
  EXPECT_EQ(qs(7, true), (List{0.554958, 2.24698}));
  EXPECT_EQ(qs(7, false), (List{0, 0.801938}));
}

TEST(CrossoverSum, SidesThatDifferAreNoAllPass) {
  const Side lr4{Alignment::linkwitz_riley, 4}, lr8{Alignment::linkwitz_riley, 8}, bw3{Alignment::butterworth, 3};
  EXPECT_TRUE(sum_of(lr4, 1000, lr4, 1000, true, 48000).is_all_pass) << "the control";
  EXPECT_FALSE(sum_of(lr4, 1000, lr4, 1000.001, true, 48000).is_all_pass);
  EXPECT_FALSE(sum_of(lr4, 1000, lr8, 1000, true, 48000).is_all_pass);
  EXPECT_FALSE(sum_of(bw3, 1000, lr4, 1000, true, 48000).is_all_pass);
  EXPECT_FALSE(sum_of(bw3, 1600, bw3, 1800, false, 48000).is_all_pass);
}

TEST(CrossoverSum, NullIsFoundWhereSidesThatDifferMeet) {
  const Side lr4{Alignment::linkwitz_riley, 4};
  const CrossoverSum apart = sum_of(lr4, 1600, lr4, 1700, false, 48000);
  EXPECT_TRUE(apart.has_null);
  EXPECT_GT(apart.equal_at_hz, 1600);
  EXPECT_LT(apart.equal_at_hz, 1700);
  EXPECT_FALSE(sum_of(lr4, 1600, lr4, 1700, true, 48000).has_null);
  EXPECT_LT(sum_of(lr4, 1600, lr4, 1600, false, 48000).loss_db, -200) << "a true null";
}

TEST(CrossoverSum, WaysBelowKeepInPhaseThroughATree) {  // three ways, mixed polarities: the tree adds up to all-passes
  const double fs = 96000;
  for (const Side lower :
       {Side{Alignment::linkwitz_riley, 4}, Side{Alignment::linkwitz_riley, 2}, Side{Alignment::butterworth, 3}})
    for (const Side upper :
         {Side{Alignment::linkwitz_riley, 8}, Side{Alignment::linkwitz_riley, 6}, Side{Alignment::butterworth, 1}})
      for (int signs = 0; signs < 8; ++signs) {
        const double p[3] = {signs & 1 ? -1.0 : 1.0, signs & 2 ? -1.0 : 1.0, signs & 4 ? -1.0 : 1.0};
        const CrossoverSum below = sum_of(lower, 200, lower, 200, p[0] == p[1], fs);
        const CrossoverSum above = sum_of(upper, 3000, upper, 3000, p[1] == p[2], fs);
        if (!below.is_all_pass || !above.is_all_pass) continue;
        for (double f = 10; f < 40000; f *= 1.3) {
          const auto h = [&](Side side, Pass pass, double at) { return response(made(side, pass, at, fs), f, fs); };
          const auto sum =
              p[0] * h(lower, Pass::low, 200) * response(above.all_pass, f, fs) +
              h(lower, Pass::high, 200) * (p[1] * h(upper, Pass::low, 3000) + p[2] * h(upper, Pass::high, 3000));
          EXPECT_NEAR(std::abs(sum), 1.0, 1e-11) << f;
        }
      }
}

TEST(Alignment, WhatIsOutOfRangeIsRefusedAndNothingWritten) {
  const double nan = std::nan("");
  const FilterSettings good{Alignment::butterworth, Pass::high, 4, 100};
  std::vector<FilterSettings> bad;
  for (const double at : {0.0, -5.0, 24000.0, 1e9, nan}) bad.push_back({Alignment::butterworth, Pass::high, 4, at});
  for (const int order : {-1, 0, 9, 1000}) bad.push_back({Alignment::butterworth, Pass::low, order, 100});
  for (const int order : {0, 1, 9}) bad.push_back({Alignment::bessel, Pass::low, order, 100});
  for (const int order : {0, 1, 3, 5, 7, 9, 10}) bad.push_back({Alignment::linkwitz_riley, Pass::low, order, 100});
  bad.push_back({static_cast<Alignment>(9), Pass::low, 4, 100});
  bad.push_back({Alignment::butterworth, Pass::high, 8, 1e-20});
  for (const FilterSettings& settings : bad) {
    SectionList list;
    list.push(Section{.mix_v = 42});
    EXPECT_FALSE(design(settings, 48000, list)) << &settings - bad.data();
    EXPECT_EQ(list.count, 1u);
    EXPECT_EQ(list.sections[0].mix_v, 42.0f);
    CrossoverSum sum;
    sum.equal_at_hz = 42;
    EXPECT_FALSE(design({good, settings, true}, 48000, sum));
    EXPECT_FALSE(design({settings, good, true}, 48000, sum));
    EXPECT_EQ(sum.equal_at_hz, 42);
  }
  SectionList list;
  EXPECT_TRUE(design(good, 48000, list)) << "the control";
}

}  // namespace
}  // namespace rackproof::dsp
