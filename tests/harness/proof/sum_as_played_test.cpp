// Must hold: ways that do not meet at one level, that take from each other around their point, or that leave a hole,
// fall, with the key that mends it, and mended so they hold; the nearest sound rig is not accused; each limit is
// bracketed; what is not given is asked for by its key.
#include <gmock/gmock.h>

#include <cmath>
#include <filesystem>
#include <fstream>

#include "tests/harness/proof/sheets.hpp"

namespace rackproof::proof {
namespace {

using namespace test;

using rig::Alignment;
using testing::AllOf;
using testing::HasSubstr;
using testing::Not;

Finding sum_of_rig(const rig::Rig& rig, DeviceMaker make = make_chain) {
  return only(check_sum_as_played(Prepared(rig, std::move(make)).subject));
}
/// `way.low.delay = "0.52 ms"` and the like, done.
rig::Rig changed(rig::Rig rig, const Change& change) {
  const double number = std::strtod(change.value.c_str() + 1, nullptr);
  for (rig::Way& way : rig.ways) {
    const std::string key = "way." + way.name;
    if (change.key == key + ".gain") way.gain_db = number;
    if (change.key == key + ".delay") way.delay_s = 1e-3 * number;
    if (change.key == key + ".polarity") way.inverted = change.value == "\"inverted\"";
    if (change.key == key + ".eq[1]") way.eq.clear();
    if (change.key == key + ".highpass") way.highpass.reset();
  }
  if (change.key == "system.eq[1]") rig.system_eq.clear();
  return rig;
}

TEST(SumAsPlayed, HoldsForASoundRigAndSaysHowClose) {
  const Finding f = sum_of_rig(two_ways_with_sheets());
  EXPECT_TRUE(f.holds) << f.text;
  EXPECT_TRUE(f.judged);
  EXPECT_THAT(f.text, AllOf(HasSubstr("dB louder than"), HasSubstr("below both in phase"),
                            HasSubstr("below the median"), HasSubstr("play as one")));
}

struct Fault {
  const char* name;
  std::function<void(rig::Rig&)> spoil;
  const char* key;  ///< what the text names
};
class EveryFault : public testing::TestWithParam<Fault> {};
constexpr double kHalfPeriod_s = 0.5 / 1600;
INSTANTIATE_TEST_SUITE_P(
    SumAsPlayed, EveryFault,
    testing::Values(
        Fault{"WayTwentyDecibelsOff", [](rig::Rig& r) { r.ways[1].gain_db = -20; }, "way.high.gain"},
        Fault{"WayTwentyDecibelsUp", [](rig::Rig& r) { r.ways[0].gain_db = 20; }, "way.low.gain"},
        Fault{"HalfAPeriodLate", [](rig::Rig& r) { r.ways[1].delay_s = kHalfPeriod_s; }, "way.high.delay"},
        Fault{"HalfAPeriodOfDepth", [](rig::Rig& r) { *r.ways[1].depth_m += kHalfPeriod_s * 343; }, "way.low.delay"},
        Fault{"Polarity", [](rig::Rig& r) { r.ways[1].inverted = true; }, "way.high.polarity = \"normal\""},
        Fault{"AllPassAtThePoint", [](rig::Rig& r) { r.ways[1].eq = {a_band(rig::EqType::allpass, 1600, 0, 0.7)}; },
              "way.high.eq[1] (allpass"},
        Fault{"TwelveDecibelsAtThePoint",
              [](rig::Rig& r) { r.ways[0].eq = {a_band(rig::EqType::peaking, 1600, 12, 1)}; },
              "way.low.eq[1] (peaking"},
        Fault{"SecondHighPassInTheBand",
              [](rig::Rig& r) { r.ways[1].highpass = a_filter(4000, Alignment::butterworth); }, "way.high.highpass"},
        Fault{"SystemLowPass", [](rig::Rig& r) { r.system_eq = {a_band(rig::EqType::lowpass, 500, 0, 0.7)}; },
              "system.eq[1] (lowpass"},
        Fault{"HoleInAWay", [](rig::Rig& r) { r.ways[0].eq = {a_band(rig::EqType::peaking, 300, -24, 0.5)}; },
              "way.low.eq[1]"},
        Fault{"DriversSwapped", [](rig::Rig& r) { std::swap(r.ways[0].driver, r.ways[1].driver); }, "driver.horn"},
        Fault{"SensitivityOfAnotherDriver", [](rig::Rig& r) { r.drivers[1].sensitivity_db = 94; },
              "driver.horn.sensitivity"},
        Fault{"SeriesForParallel",
              [](rig::Rig& r) {
                r.ways[0].drivers = 4;
                r.ways[0].gain_db = -12;
                r.ways[0].in_series = true;
              },
              "in series"}),
    [](const auto& of) { return of.param.name; });

TEST_P(EveryFault, FallsWithItsKeyAndMendedItHolds) {
  rig::Rig rig = two_ways_with_sheets();
  ASSERT_TRUE(sum_of_rig(rig).holds) << "the nearest sound rig";
  GetParam().spoil(rig);
  const Finding f = sum_of_rig(rig);
  EXPECT_FALSE(f.holds) << f.text;
  EXPECT_GT(f.measured, f.allowed);
  EXPECT_THAT(f.text, HasSubstr(GetParam().key));
  EXPECT_THAT(f.text, Not(HasSubstr("this build")));
  if (!f.change) return;
  const Finding mended = sum_of_rig(changed(rig, *f.change));
  EXPECT_TRUE(mended.holds) << f.change->key << " = " << f.change->value << ": " << mended.text;
}

TEST(SumAsPlayed, SixDecibelsBetweenTheSidesAreBracketed) {
  rig::Rig rig = two_ways_with_sheets();
  for (const std::size_t way : {0u, 1u})
    for (const double gain_db : {5.9, 6.1, -5.9, -6.1}) {
      rig.ways[0].gain_db = rig.ways[1].gain_db = 0;
      rig.ways[way].gain_db = gain_db;
      const Finding f = sum_of_rig(rig);
      EXPECT_EQ(f.holds, std::abs(gain_db) < 6) << gain_db << f.text;
      EXPECT_NEAR(f.measured, std::abs(gain_db), 0.02);  // a line is at most 0.5 Hz from the point
    }
}
// Two equal sides that are p apart lose -20 log10 cos(p / 2): 3 dB at 90 degrees. A delay's phase grows with frequency,
// so that the upper end of the half octave counts: t = 0.25 / (1600 sqrt 2) less what the level of the sides grants.
TEST(SumAsPlayed, ThreeDecibelsBelowBothInPhaseAreBracketed) {
  rig::Rig rig = two_ways_with_sheets();
  double last_that_held = 0, first_that_fell = 0;
  for (double late_s = 1.2e-4; late_s < 2e-4 && first_that_fell == 0; late_s += 2e-6) {
    rig.ways[1].delay_s = late_s;
    const Finding f = sum_of_rig(rig);
    (f.holds ? last_that_held : first_that_fell) = f.measured;
  }
  EXPECT_GT(last_that_held, 2.85);
  EXPECT_LE(last_that_held, 3.02);
  EXPECT_GT(first_that_fell, 3.0);
  EXPECT_LT(first_that_fell, 3.2);
}
TEST(SumAsPlayed, OddButterworthLosesThreeDecibelsByDesignAndHolds) {
  rig::Rig rig = two_ways_with_sheets();
  rig.ways[0].highpass.reset();  // which turns the phase by some degrees more
  for (const int slope : {18, 30, 42}) {
    rig.points[0] = a_point(1600, Alignment::butterworth, slope);
    const Finding f = sum_of_rig(rig);
    EXPECT_TRUE(f.holds) << slope << f.text;
    EXPECT_NEAR(f.measured, 3.01, 0.01);  // 10 log10 2
  }
  rig.ways[1].delay_s = 6e-5;  // the control: 35 degrees more, or less
  rig.ways[1].inverted = true;
  const Finding turned = sum_of_rig(rig);
  rig.ways[1].inverted = false;
  EXPECT_TRUE(!turned.holds || !sum_of_rig(rig).holds);
}
TEST(SumAsPlayed, TenDecibelsOfAHoleAreBracketed) {
  for (const double gain_db : {-10.9, -11.5}) {
    rig::Rig rig = two_ways_with_sheets();
    // Broad, so that a third of an octave is as deep as its middle; the rest of six octaves is the median.
    rig.ways[0].eq = {a_band(rig::EqType::peaking, 250, gain_db, 1.0)};
    const Finding f = sum_of_rig(rig);
    EXPECT_EQ(f.holds, gain_db > -11.2) << f.text;
    EXPECT_NEAR(f.measured, -0.895 * gain_db, 0.1);  // the mean over a third is less deep than its middle: read here
  }
}

TEST(SumAsPlayed, LevelsAreThoseOfAmplifiersDriversAndWiring) {
  rig::Rig rig = two_ways_with_sheets();
  const auto told = [&](const char* words) { EXPECT_THAT(sum_of_rig(rig).text, HasSubstr(words)); };
  rig.ways[0].drivers = 2;  // in parallel: twice the pressure
  told("low plays 6.0 dB louder than high");
  rig.ways[0].in_series = true;  // each has half of the volts
  told("plays 0.0 dB louder");
  rig.ways[0].drivers = 1;
  rig.drivers[0].impedance_ohm = 16;  // 1 W takes 3 dB more of volts
  told("high plays 3.0 dB louder than low");
  rig.drivers[0].impedance_ohm = 8;
  rig.amplifiers[0].gain_db = 36;
  told("low plays 4.0 dB louder than high");
  rig.amplifiers[0].gain_db = 32;
  rig.system_gain_db = 20;  // common to both
  told("plays 0.0 dB louder");
}

TEST(SumAsPlayed, EachSideIsJudgedAndTheDeviceIsMeasured) {
  rig::Rig rig = two_ways_with_sheets();
  rig.feeds.push_back({"right", 2, {}});
  const Prepared bench(rig, with_fault(3, {.gain = 0.1f}));  // high.right
  const std::vector<Finding> findings = check_sum_as_played(bench.subject);
  ASSERT_EQ(findings.size(), 2u);
  EXPECT_TRUE(findings[0].holds) << findings[0].text;
  EXPECT_FALSE(findings[1].holds);
  EXPECT_THAT(findings[1].text, HasSubstr("Side right"));
  EXPECT_NEAR(findings[1].measured, 20, 0.1);
}

TEST(SumAsPlayed, WhatIsMissingIsSaidByItsKey) {
  const Finding blind = sum_of_rig([] {
    rig::Rig rig = two_ways_with_sheets();
    for (rig::Driver& driver : rig.drivers) driver.sensitivity_db.reset();
    rig.ways[0].depth_m.reset();
    rig.ways[1].gain_db = -20;
    return rig;
  }());
  EXPECT_TRUE(blind.holds);
  EXPECT_FALSE(blind.judged);
  EXPECT_THAT(blind.text, AllOf(HasSubstr("driver.cone.sensitivity, driver.horn.sensitivity would let it judge"),
                                HasSubstr("way.low.depth would let it judge"), Not(HasSubstr("way.high.depth"))));
  rig::Rig rig = two_ways_with_sheets();
  rig.ways[0].depth_m.reset();
  rig.ways[1].inverted = true;  // a phase, which cannot be told without the depths
  const Finding level_only = sum_of_rig(rig);
  EXPECT_TRUE(level_only.holds) << level_only.text;
  EXPECT_TRUE(level_only.judged);
  EXPECT_THAT(level_only.text, AllOf(HasSubstr("way.low.depth would let it judge"), Not(HasSubstr("in phase, at"))));
  rig.ways[1].gain_db = -20;
  EXPECT_FALSE(sum_of_rig(rig).holds) << "levels are judged all the same";
}

TEST(SumAsPlayed, OfOneWayIsItsBandWithoutHoles) {
  rig::Rig rig = one_way(an_amplifier("a", {{500, 8}}, 32), a_driver("box", 8, 300));
  rig.drivers[0].sensitivity_db = 97;
  rig.ways[0].highpass = a_filter(55, Alignment::butterworth);
  EXPECT_TRUE(sum_of_rig(rig).holds);
  rig.ways[0].eq = {a_band(rig::EqType::highpass, 600, 0, 0.7)};
  const Finding f = sum_of_rig(rig);
  EXPECT_FALSE(f.holds);
  EXPECT_THAT(f.text, HasSubstr("way.full.eq[1] (highpass at 600 Hz) takes"));
  // A way that ends where an eq makes it end: a sub by itself.
  rig.ways[0].eq = {a_band(rig::EqType::lowpass, 100, 0, 0.707)};
  EXPECT_TRUE(sum_of_rig(rig).holds) << sum_of_rig(rig).text;
}

class AsMeasured : public testing::Test {
 protected:
  std::filesystem::path box(const std::string& name, double level_db, double late_s) const {
    const std::filesystem::path file = folder_ / (name + ".csv");
    std::ofstream out(file);
    out << "frequency_hz,magnitude_db,phase_deg\n";
    for (double hz = 20; hz < 24000; hz *= std::pow(2.0, 1.0 / 48))
      out << hz << ',' << level_db << ',' << std::remainder(-360 * hz * late_s, 360.0) << '\n';
    return file;
  }
  void SetUp() override {
    folder_ = std::filesystem::path(testing::TempDir()) / "sum_as_measured";
    std::filesystem::create_directories(folder_);
  }
  void TearDown() override { std::filesystem::remove_all(folder_); }
  std::filesystem::path folder_;
};
// A response is measured through the amplifier: it stands for all that is behind the controller.
TEST_F(AsMeasured, ResponsesStandForAmplifierDriverAndDepth) {
  rig::Rig rig = a_rig();
  rig.feeds.resize(1);
  rig.ways[0].response = box("low", 95, 0.4e-3);
  rig.ways[1].response = box("high", 95, 0.4e-3);
  EXPECT_TRUE(sum_of_rig(rig).holds) << sum_of_rig(rig).text;
  rig.ways[1].response = box("high", 95, 0.4e-3 + kHalfPeriod_s);
  EXPECT_FALSE(sum_of_rig(rig).holds);
  rig.ways[1].response = box("high", 104, 0.4e-3);
  EXPECT_FALSE(sum_of_rig(rig).holds);
  rig.ways[1].gain_db = -9;
  EXPECT_TRUE(sum_of_rig(rig).holds) << sum_of_rig(rig).text;
  rig.ways[0].response.reset();
  EXPECT_FALSE(sum_of_rig(rig).judged) << "one alone does not count";
}

}  // namespace
}  // namespace rackproof::proof
