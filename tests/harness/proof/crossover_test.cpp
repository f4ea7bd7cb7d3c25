// Must hold: the sum of the ways is judged from what the device does, by the crossover's own theory: it holds exactly
// for the alignments, slopes and polarities that are known to add up; what corrects drivers does not enter; and
// measured responses of the ways, where all have one, do.
#include <gmock/gmock.h>

#include <cmath>
#include <fstream>
#include <numbers>

#include "tests/harness/demo_rig.hpp"
#include "tests/harness/proof/three_ways.hpp"

namespace rackproof::proof {
namespace {

using namespace test;

using rig::Alignment;
using testing::Each;
using testing::ElementsAre;
using testing::HasSubstr;
using testing::IsEmpty;
using testing::Not;
using testing::SizeIs;

struct Sides {
  Alignment alignment;
  int slope;
};
class EveryAlignment : public testing::TestWithParam<Sides> {};
INSTANTIATE_TEST_SUITE_P(, EveryAlignment,
                         testing::Values(Sides{Alignment::linkwitz_riley, 12}, Sides{Alignment::linkwitz_riley, 24},
                                         Sides{Alignment::linkwitz_riley, 36}, Sides{Alignment::linkwitz_riley, 48},
                                         Sides{Alignment::butterworth, 6}, Sides{Alignment::butterworth, 12},
                                         Sides{Alignment::butterworth, 18}, Sides{Alignment::butterworth, 24},
                                         Sides{Alignment::butterworth, 30}, Sides{Alignment::butterworth, 36},
                                         Sides{Alignment::butterworth, 42}, Sides{Alignment::butterworth, 48},
                                         Sides{Alignment::bessel, 24}));

// Linkwitz-Riley adds to an all-pass with polarities that alternate with half the order, odd Butterworth with either.
TEST_P(EveryAlignment, SumHoldsWhereTheoryHasItFlat) {
  const auto [alignment, slope] = GetParam();
  for (const bool inverted : {false, true}) {
    rig::Rig rig = a_rig();
    rig.points = {a_point(1600, alignment, slope)};
    rig.ways[1].inverted = inverted;
    const bool flat = alignment == Alignment::linkwitz_riley
                          ? (slope / 12 % 2 == 1) == inverted
                          : alignment == Alignment::butterworth && slope / 6 % 2 == 1;
    const Prepared bench(rig);
    const std::vector<Finding> sums = check_crossover_sum(bench.subject);
    ASSERT_THAT(sums, SizeIs(2));  // left, right
    for (const Finding& sum : sums) {
      EXPECT_EQ(sum.holds, flat) << slope << (inverted ? " inverted: " : ": ") << sum.text;
      EXPECT_EQ(sum.allowed, 0.5);
      EXPECT_EQ(sum.unit, "dB");
      if (flat) {
        EXPECT_LT(sum.measured, 1e-3);
      } else {
        EXPECT_THAT(sum.text, HasSubstr("does not stay within"));
      }
      // A polarity mends the others: it is told, key and value.
      if (!flat && alignment == Alignment::linkwitz_riley) {
        EXPECT_GT(sum.measured, 60) << "a null";
        EXPECT_THAT(sum.text,
                    HasSubstr(inverted ? "way.high.polarity = \"normal\"" : "way.high.polarity = \"inverted\""));
      }
      if (!flat && alignment != Alignment::linkwitz_riley) EXPECT_THAT(sum.text, HasSubstr("linkwitz-riley"));
    }
    EXPECT_THAT(fallen(check_crossover_level(bench.subject)), IsEmpty());
  }
}

TEST(CrossoverSum, OfThreeWaysNeedsNoCorrectionOfDrivers) {
  rig::Rig rig = three_ways();
  const Prepared plain(rig);
  EXPECT_THAT(fallen(check_crossover_sum(plain.subject)), IsEmpty());
  rig.ways[0].gain_db = 6;
  rig.ways[0].delay_s = 4e-3;
  rig.ways[2].delay_s = 1e-3;
  rig.ways[2].gain_db = -10;
  rig.ways[0].highpass = a_filter(60, Alignment::butterworth);
  rig.ways[1].eq = {a_band(rig::EqType::peaking, 300, -9, 2)};
  rig.system_eq = {a_band(rig::EqType::lowshelf, 200, 8, 0.7)};
  rig.system_gain_db = -7;
  const Prepared corrected(rig);
  const std::vector<Finding> sums = check_crossover_sum(corrected.subject);
  EXPECT_THAT(fallen(sums), IsEmpty());
  EXPECT_LT(sums[0].measured, 1e-3);
  EXPECT_THAT(sums[0].text, HasSubstr("way.sub.highpass at 60 Hz"));  // what it does near the point is said
  EXPECT_THAT(fallen(check_crossover_level(corrected.subject)), IsEmpty());
  EXPECT_THAT(check_crossover_level(corrected.subject)[0].text, HasSubstr("low stands -6.0 dB against sub"));
}

TEST(CrossoverSum, WithoutAllPassesOrWithPointsTooCloseItIsTold) {
  rig::Rig rig = three_ways();
  rig.points = {a_point(800), a_point(1600)};
  rig.phase_matched = false;
  const Prepared apart(rig);
  EXPECT_THAT(fallen(check_crossover_sum(apart.subject)), ElementsAre("rig", "rig"));
  EXPECT_THAT(check_crossover_sum(apart.subject)[0].text, HasSubstr("phase_matched = true"));
  rig.phase_matched = true;
  const Prepared matched(rig);
  EXPECT_THAT(fallen(check_crossover_sum(matched.subject)), IsEmpty());
}

TEST(CrossoverSum, FaultsInTheDeviceAreFound) {
  const Prepared loud(three_ways(), with_fault(3, {.gain = 1.07f}));  // +0.59 dB
  EXPECT_THAT(fallen(check_crossover_sum(loud.subject)), ElementsAre("rig"));
  EXPECT_THAT(check_crossover_sum(loud.subject)[0].text, HasSubstr("Side left"));
  const Prepared late(three_ways(), with_fault(3, {.late_frames = 8}));  // 48 degrees at 1.6 kHz
  EXPECT_THAT(fallen(check_crossover_sum(late.subject)), ElementsAre("rig"));
  const Prepared turned(three_ways(), with_fault(0, {.gain = -1}));
  EXPECT_THAT(fallen(check_crossover_sum(turned.subject)), ElementsAre("rig", "rig"));
}

TEST(CrossoverSum, HalfADecibelIsBracketedOnBothSides) {
  for (const double spoilt_db : {1.0, -1.0}) {
    const Turn turn = turn_of(0, spoilt_db, [](double db) {
      const auto gain = static_cast<float>(std::pow(10, db / 20));
      return check_crossover_sum(Prepared(a_rig(), with_fault(kEveryOutput, {.gain = gain})).subject).at(0);
    });
    EXPECT_NEAR(turn.falls.measured, 0.5, 0.005);  // a hair is 0.004 dB
    EXPECT_NEAR(turn.holds.measured, 0.5, 0.005);
  }
}

TEST(CrossoverLevel, ATenthOfADecibelIsBracketedOnBothSides) {
  for (const double spoilt_db : {0.2, -0.2}) {
    const Turn turn = turn_of(0, spoilt_db, [](double db) {
      const auto gain = static_cast<float>(std::pow(10, db / 20));
      return check_crossover_level(Prepared(a_rig(), with_fault(0, {.gain = gain})).subject).at(0);
    });
    EXPECT_NEAR(turn.falls.measured, 0.1, 0.001);  // a hair is 0.0008 dB
    EXPECT_NEAR(turn.holds.measured, 0.1, 0.001);
  }
}

// An octave into what a side takes away, 24 dB/oct has taken 20 log10(1 + w^4), w = tan(pi f / fs) / tan(pi at / fs) or
// its inverse: 24.98 dB above, 24.70 below.
TEST(CrossoverLevel, IsReadInTheSlopeToo) {
  const Prepared bench(a_rig());
  const std::vector<Finding> levels = check_crossover_level(bench.subject);
  EXPECT_THAT(levels[0].text, HasSubstr("at 3.2 kHz -25.0 dB"));
  EXPECT_THAT(levels[2].text, HasSubstr("at 800 Hz -24.7 dB"));
}

TEST(CrossoverLevel, AFifthOfADecibelOnOneOutputIsFound) {
  for (std::size_t o = 0; o < 5; ++o) {
    const Prepared bench(three_ways(), with_fault(o, {.gain = 1.02f}));
    EXPECT_THAT(fallen(check_crossover_level(bench.subject)), ElementsAre(bench.compiled.outputs[o].name));
    EXPECT_NEAR(check_crossover_level(bench.subject)[o].measured, 0.172, 1e-3);
    EXPECT_THAT(fallen(check_crossover_sum(bench.subject)), IsEmpty());
  }
  const Prepared moved(three_ways(), altering([](dsp::OutputSettings& output) {
                         if (output.way == 2) output.way = 1;
                       }));
  EXPECT_THAT(fallen(check_crossover_level(moved.subject)), ElementsAre("high.left", "high.right"));
}

// 18 dB/oct Butterworth at 1.6 and 1.8 kHz: they meet close below -3 dB. Two octaves apart nobody plays in between.
TEST(CrossoverLevel, OfSidesSetApartIsWhereTheyMeet) {
  rig::Rig rig = a_rig();
  rig.points[0].low = a_filter(1600, Alignment::butterworth, 18);
  rig.points[0].high = a_filter(1800, Alignment::butterworth, 18);
  const Prepared close(rig);
  const std::vector<Finding> levels = check_crossover_level(close.subject);
  EXPECT_THAT(fallen(levels), IsEmpty());
  EXPECT_THAT(levels[0].text, HasSubstr("meet at 1.697 kHz"));  // sqrt(1600 * 1800) = 1697.06
  rig.points[0].high.at_hz = 6400;
  const Prepared gap(rig);
  EXPECT_THAT(fallen(check_crossover_level(gap.subject)), SizeIs(4));
  EXPECT_THAT(check_crossover_level(gap.subject)[0].text, HasSubstr("nobody plays"));
  EXPECT_EQ(check_crossover_level(gap.subject)[0].allowed, -10);
  rig.points[0].high.at_hz = 400;
  const Prepared overlap(rig);
  EXPECT_THAT(fallen(check_crossover_level(overlap.subject)), SizeIs(4));
  EXPECT_THAT(check_crossover_level(overlap.subject)[0].text, HasSubstr("wide range together"));
}

TEST(CrossoverLevel, WhereSidesSetApartMeetIsBracketed) {
  // Apart, nobody plays in between: -10 dB. Over one another, both play: -1 dB.
  for (const auto& [spoilt_hz, allowed_db] : {std::pair(6400.0, -10.0), std::pair(400.0, -1.0)}) {
    const Turn turn = turn_of(
        1800, spoilt_hz,
        [](double high_hz) {
          rig::Rig rig = a_rig();
          rig.points[0].low = a_filter(1600, Alignment::butterworth, 18);
          rig.points[0].high = a_filter(high_hz, Alignment::butterworth, 18);
          return check_crossover_level(Prepared(rig).subject).at(0);
        },
        12);
    EXPECT_NEAR(turn.falls.measured, allowed_db, 0.03);  // a hair is a hertz, and 18 dB/oct 0.02 dB a hertz
    EXPECT_EQ(turn.falls.allowed, allowed_db);
    EXPECT_THAT(turn.falls.text, HasSubstr("crossover.points[1]"));
  }
}

TEST(Crossover, OfOneWayThereIsNone) {
  const Prepared bench(one_way(an_amplifier("a", {{500, 8}}, 32), a_driver("d", 8, 300)));
  EXPECT_THAT(check_crossover_sum(bench.subject), SizeIs(1));
  EXPECT_THAT(fallen(check_crossover_sum(bench.subject)), IsEmpty());
  EXPECT_THAT(fallen(check_crossover_level(bench.subject)), IsEmpty());
}

TEST(Crossover, BothDemoRigsHold) {
  for (const char* name : {"two-way-top.toml", "three-way-mono-sub.toml"}) {
    const Prepared bench(rackproof::test::demo_rig(name));
    EXPECT_THAT(fallen(check_crossover_sum(bench.subject)), IsEmpty()) << name;
    EXPECT_THAT(fallen(check_crossover_level(bench.subject)), IsEmpty()) << name;
  }
}

class AcousticSum : public testing::Test {
 protected:
  /// A box of `level_db` whose sound is `late_s` behind, turned over or not.
  std::filesystem::path box(const std::string& name, double level_db, double late_s, bool turned) const {
    const std::filesystem::path file = folder_ / (name + ".csv");
    std::ofstream out(file);
    out << "frequency_hz,magnitude_db,phase_deg\n";
    for (double hz = 20; hz < 24000; hz *= std::pow(2.0, 1.0 / 96))
      out << hz << ',' << level_db << ',' << std::remainder(-360 * hz * late_s + (turned ? 180 : 0), 360.0) << '\n';
    return file;
  }
  void SetUp() override {
    folder_ = std::filesystem::path(testing::TempDir()) /
              ("acoustic_" + std::string(testing::UnitTest::GetInstance()->current_test_info()->name()));
    std::filesystem::create_directories(folder_);
  }
  void TearDown() override { std::filesystem::remove_all(folder_); }
  std::filesystem::path folder_;
};

TEST_F(AcousticSum, IsJudgedWhereAllWaysAreMeasured) {
  // The horn is 9 dB louder, its wiring turned over and half a metre back; gain, polarity and delay answer to that.
  rig::Rig rig = a_rig();
  rig.ways[0].highpass.reset();
  rig.ways[0].delay_s = 1.5e-3;
  rig.ways[1].gain_db = -9;
  rig.ways[1].inverted = true;
  EXPECT_THAT(fallen(check_crossover_sum(Prepared(rig).subject)), SizeIs(2));  // electrically a null
  rig.ways[0].response = box("low", 95, 0, false);
  EXPECT_THAT(fallen(check_crossover_sum(Prepared(rig).subject)), SizeIs(2)) << "one alone does not count";
  rig.ways[1].response = box("high", 104, 1.5e-3, true);
  const std::vector<Finding> sums = check_crossover_sum(Prepared(rig).subject);
  EXPECT_THAT(fallen(sums), IsEmpty()) << sums[0].text;
  EXPECT_LT(sums[0].measured, 0.05);
  EXPECT_EQ(sums[0].allowed, 3);
  EXPECT_THAT(sums[0].text, HasSubstr("acoustic"));
  // Controls: each correction taken away is a fault that is found.
  for (const auto& spoil : std::vector<std::function<void(rig::Rig&)>>{
           [](rig::Rig& r) { r.ways[1].inverted = false; }, [](rig::Rig& r) { r.ways[1].gain_db = 0; },
           [](rig::Rig& r) { r.ways[0].delay_s = 1.2e-3; }}) {
    rig::Rig spoilt = rig;
    spoil(spoilt);
    EXPECT_THAT(fallen(check_crossover_sum(Prepared(spoilt).subject)), SizeIs(2));
  }
}

TEST_F(AcousticSum, ThreeDecibelsAroundTheMedianAreBracketed) {
  rig::Rig rig = a_rig();
  rig.ways[0].highpass.reset();
  rig.ways[0].response = box("low", 95, 0, false);
  rig.ways[1].response = box("high", 95, 0, false);
  for (const double spoilt_db : {14.0, -14.0}) {
    const Turn turn = turn_of(0, spoilt_db, [&](double db) {
      rig::Rig louder = rig;
      louder.ways[1].gain_db += db;
      return check_crossover_sum(Prepared(louder).subject).at(0);
    });
    EXPECT_NEAR(turn.falls.measured, 3, 0.05);  // a hair is 0.055 dB, half of it from the median
    EXPECT_NEAR(turn.holds.measured, 3, 0.05);
  }
}

}  // namespace
}  // namespace rackproof::proof
