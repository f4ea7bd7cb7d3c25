// Must hold: a way that lets its driver move below its band falls, whatever the file calls its filters; a channel that
// sees less than its amplifier is rated for falls.
#include <gmock/gmock.h>

#include "tests/harness/proof/three_ways.hpp"

namespace rackproof::proof {
namespace {

using namespace test;

using rig::Alignment;
using testing::AllOf;
using testing::Each;
using testing::ElementsAre;
using testing::HasSubstr;
using testing::IsEmpty;
using testing::Not;

std::vector<Finding> highpass_of(const rig::Rig& rig, DeviceMaker make = make_chain) {
  return check_driver_highpass(Prepared(rig, std::move(make)).subject);
}

TEST(DriverHighpass, HoldsWhereTheSignalFallsBelowTheBand) {
  const std::vector<Finding> findings = highpass_of(three_ways());
  EXPECT_THAT(fallen(findings), IsEmpty());
  // Butterworth of fourth order at a quarter of its corner: 10 log10(1 + 4^8) = 48.2 dB, the band's level 0 .. -6 dB.
  EXPECT_NEAR(findings[0].measured, -48.2, 4);
}
TEST(DriverHighpass, FallsWithoutOneOnTheLowestWay) {
  rig::Rig rig = three_ways();
  rig.ways[0].highpass.reset();
  const std::vector<Finding> findings = highpass_of(rig);
  EXPECT_THAT(fallen(findings), ElementsAre("sub"));
  EXPECT_THAT(findings[0].text, AllOf(HasSubstr("way.sub.highpass"), HasSubstr("no high-pass is given")));
  rig.ways[0].highpass = a_filter(30, Alignment::butterworth, 6);  // 12 dB at a quarter: too little
  EXPECT_THAT(fallen(highpass_of(rig)), ElementsAre("sub"));
  rig.ways[0].highpass = a_filter(30, Alignment::butterworth, 12);
  EXPECT_THAT(fallen(highpass_of(rig)), IsEmpty());
}
TEST(DriverHighpass, MayBeAnEqBandOfTheWayOrTheSystem) {
  rig::Rig rig = three_ways();
  rig.ways[0].highpass.reset();
  rig.ways[0].eq = {a_band(rig::EqType::highpass, 30, 0, 0.7)};
  EXPECT_THAT(fallen(highpass_of(rig)), IsEmpty());
  rig.system_eq.swap(rig.ways[0].eq);
  EXPECT_THAT(fallen(highpass_of(rig)), IsEmpty());
}
TEST(DriverHighpass, AFirstOrderCrossoverIsSaidButHolds) {
  rig::Rig rig = three_ways();
  rig.points[1] = a_point(1600, Alignment::butterworth, 6);
  const std::vector<Finding> findings = highpass_of(rig);
  EXPECT_THAT(fallen(findings), IsEmpty());
  EXPECT_THAT(findings[3].text, HasSubstr("6 dB/oct is little"));
  EXPECT_THAT(findings[1].text, Not(HasSubstr("6 dB/oct")));
}
/// Of a sub with a high-pass of 12 dB/oct and one narrow lift.
Finding sub_lifted(double highpass_hz, double at_hz, double gain_db) {
  rig::Rig rig = three_ways();
  rig.ways[0].highpass = a_filter(highpass_hz, Alignment::butterworth, 12);
  rig.ways[0].eq = {a_band(rig::EqType::peaking, at_hz, gain_db, 4)};
  return highpass_of(rig)[0];
}
// A peaking band adds its gain in full at its middle, here the quarter of the corner that is judged; two octaves up,
// in the way's band, it adds next to nothing.
TEST(DriverHighpass, TwentyDecibelsForTheLowestWayAreBracketed) {
  // 10 log10(1 + 4^4) = 24.1 dB at 7.5 Hz
  const auto with_boost = [](double gain_db) { return sub_lifted(30, 7.5, gain_db); };
  const double without_db = with_boost(0).measured;
  const Finding holds = with_boost(-20.3 - without_db), falls = with_boost(-19.7 - without_db);
  EXPECT_TRUE(holds.holds) << holds.measured;
  EXPECT_FALSE(falls.holds) << falls.measured;
  EXPECT_EQ(falls.allowed, -20);
  EXPECT_NEAR(falls.measured, -19.7, 0.1);
}
// Shelves whose lift is gone again at the quarter: 20 Hz, half of the corner, is judged as well.
TEST(DriverHighpass, SixDecibelsAtHalfOfTheCornerAreBracketed) {
  // 10 log10(1 + 2^4) = 12.3 dB at 20 Hz
  const auto with_boost = [](double gain_db) { return sub_lifted(40, 20, gain_db); };
  const Finding holds = with_boost(3.5), falls = with_boost(4.5);
  EXPECT_TRUE(holds.holds) << holds.measured;
  EXPECT_EQ(holds.allowed, -20) << "the quarter is told where both hold";
  EXPECT_FALSE(falls.holds) << falls.measured;
  EXPECT_EQ(falls.allowed, -6);
  EXPECT_NEAR(falls.measured, 4.5 - 12.3 + 2.3, 0.1) << "the band's median is 2.3 dB under its top";
  EXPECT_THAT(falls.text, AllOf(HasSubstr("at 20 Hz, half of its corner of 40 Hz"), HasSubstr("way.sub.eq[1]")));
  EXPECT_EQ(falls.change, (Change{"way.sub.eq[1]", ""}));
}
// The same band moves the cone as far from the venue file. What the venue takes protects nothing: it is gone tomorrow.
TEST(DriverHighpass, WhatTheVenueAddsIsJudgedAndWhatItTakesIsNot) {
  rig::Rig rig = three_ways();
  rig.ways[0].highpass = a_filter(30, Alignment::butterworth, 12);
  const auto with_venue = [&](const rig::EqBand& band) {
    rig::Venue venue;
    venue.all.eq = {band};
    return check_driver_highpass(Prepared(rig, venue).subject);
  };
  const std::vector<Finding> findings = with_venue(a_band(rig::EqType::lowshelf, 40, 6, 0.7));
  EXPECT_THAT(fallen(findings), ElementsAre("sub"));
  EXPECT_THAT(findings[0].text, AllOf(HasSubstr("with tonight's venue"), HasSubstr("venue.eq[1]")));
  EXPECT_THAT(fallen(with_venue(a_band(rig::EqType::highshelf, 40, -10, 0.7))), IsEmpty()) << "a quieter band";
  rig.ways[0].highpass.reset();
  EXPECT_THAT(fallen(with_venue(a_band(rig::EqType::highpass, 30, 0, 0.7))), ElementsAre("sub"));
}
// A boost just below a horn's point undoes it where its diaphragm moves the furthest, and is gone two octaves down.
TEST(DriverHighpass, HalfOfTheCornerIsJudgedForTheWaysAboveToo) {
  rig::Rig rig = three_ways();
  const auto lifted = [&](int slope, double gain_db) {
    rig.points[1] = a_point(1600, slope == 6 ? Alignment::butterworth : Alignment::linkwitz_riley, slope);
    rig.ways[2].eq = {a_band(rig::EqType::peaking, 800, gain_db, 4)};
    return highpass_of(rig)[3];
  };
  // 20 log10(1 + 2^2) = 14.0 dB of 12 dB/oct, 10 log10(1 + 2^2) = 7.0 dB of 6 dB/oct, and the band's median.
  for (const auto& [slope, taken_db, allowed_db] : {std::tuple(12, 14.0, -6.0), {6, 7.0, -4.0}}) {
    const Finding holds = lifted(slope, taken_db + allowed_db - 1.5), falls = lifted(slope, taken_db + allowed_db + 1);
    EXPECT_TRUE(holds.holds) << holds.text;
    EXPECT_FALSE(falls.holds) << falls.text;
    EXPECT_EQ(falls.allowed, allowed_db);
    EXPECT_NEAR(falls.measured, allowed_db + 1, 1);
    EXPECT_THAT(falls.text, AllOf(HasSubstr("at 800 Hz, half of its corner of 1.6 kHz"), HasSubstr("eq[1]")));
  }
}
TEST(DriverHighpass, TenDecibelsForTheWaysAboveAreBracketed) {
  rig::Rig rig = three_ways();
  rig.points[1] = a_point(1600, Alignment::butterworth, 6);  // 10 log10(1 + 4^2) = 12.3 dB at 400 Hz
  const auto with_boost = [&](double gain_db) {
    rig.ways[2].eq = {a_band(rig::EqType::peaking, 400, gain_db, 4)};
    return highpass_of(rig)[3];
  };
  const double without_db = with_boost(0).measured;
  const Finding holds = with_boost(-10.3 - without_db), falls = with_boost(-9.7 - without_db);
  EXPECT_TRUE(holds.holds) << holds.measured;
  EXPECT_FALSE(falls.holds) << falls.measured;
  EXPECT_EQ(falls.allowed, -10);
  EXPECT_NEAR(falls.measured, -9.7, 0.1);
}
// Once the median of an empty list: points and high-passes that begin where the sample rate nearly ends.
TEST(DriverHighpass, JudgesBandsThatBeginAboveFourTenthsOfTheRate) {
  struct Edge {
    std::uint32_t rate_hz;
    double at_hz;
  };
  for (const auto [rate_hz, at_hz] : {Edge{48000, 19300}, Edge{44100, 17700}, Edge{96000, 38500}, Edge{48000, 23900}}) {
    rig::Rig rig = three_ways();
    rig.controller.sample_rate_hz = rate_hz;
    rig.points[1] = a_point(at_hz);
    EXPECT_THAT(fallen(highpass_of(rig)), IsEmpty()) << at_hz;
    rig = three_ways();
    rig.controller.sample_rate_hz = rate_hz;
    rig.ways[2].highpass = a_filter(at_hz, Alignment::butterworth);
    EXPECT_THAT(fallen(highpass_of(rig)), IsEmpty()) << at_hz;
  }
}
TEST(DriverHighpass, IsMeasuredNotRead) {
  const auto no_sections = altering([](dsp::OutputSettings& output) { output.sections = {}; });
  EXPECT_THAT(fallen(highpass_of(three_ways(), no_sections)), ElementsAre("sub"));
  const auto no_split = [](const dsp::ChainSettings& settings) {
    Altered altered(settings);
    for (dsp::OutputSettings& output : altered.outputs) output.way = 0;
    return make_chain(altered.settings);
  };
  EXPECT_THAT(fallen(highpass_of(three_ways(), no_split)),
              ElementsAre("low.left", "low.right", "high.left", "high.right"));
}

TEST(Load, FallsBelowTheLowestRating) {
  rig::Rig rig = a_rig();            // 8 ohm drivers; lows rated to 4 ohm, highs to 8
  rig.drivers[0].impedance_ohm = 4;  // exactly the load that is rated
  EXPECT_THAT(fallen(check_load(Prepared(rig).subject)), IsEmpty());
  rig.drivers[0].impedance_ohm = 3.9;
  EXPECT_THAT(fallen(check_load(Prepared(rig).subject)), ElementsAre("low.left", "low.right"));
  rig.drivers[0].impedance_ohm = 8;
  const auto fallen_with = [&](std::uint32_t lows, std::uint32_t highs) {
    rig.ways[0].drivers = lows;
    rig.ways[1].drivers = highs;
    return fallen(check_load(Prepared(rig).subject));
  };
  EXPECT_THAT(fallen_with(1, 1), IsEmpty());
  EXPECT_THAT(fallen_with(2, 1), IsEmpty());  // just at the rating
  EXPECT_THAT(fallen_with(3, 1), ElementsAre("low.left", "low.right"));
  EXPECT_THAT(fallen_with(2, 2), ElementsAre("high.left", "high.right"));
  rig.amplifiers[0].bridged = true;  // each side sees half
  EXPECT_THAT(fallen_with(1, 1), IsEmpty());
  EXPECT_THAT(fallen_with(2, 1), ElementsAre("low.left", "low.right"));
  const Prepared bench(rig);
  const Finding finding = check_load(bench.subject)[0];
  EXPECT_EQ(finding.measured, 2);
  EXPECT_EQ(finding.allowed, 4);
  EXPECT_THAT(finding.text,
              AllOf(HasSubstr("way.low.drivers"), HasSubstr("amplifier.lows.ratings"), HasSubstr("bridged = false")));
}

}  // namespace
}  // namespace rackproof::proof
