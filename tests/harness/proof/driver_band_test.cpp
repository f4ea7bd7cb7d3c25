// Must hold: a driver that gets more than a quarter of its level an octave outside its band falls, whoever feeds it
// that (a point, a missing filter, a boost, the venue, the device itself); one that does not holds; both limits are
// bracketed; without a sheet the text says which keys would let it judge.
#include <gmock/gmock.h>

#include "harness/proof/path_parts.hpp"
#include "tests/harness/proof/sheets.hpp"

namespace rackproof::proof {
namespace {

using namespace test;

using rig::Alignment;
using testing::AllOf;
using testing::ElementsAre;
using testing::HasSubstr;
using testing::IsEmpty;

std::vector<Finding> band_of(const rig::Rig& rig, DeviceMaker make = make_chain) {
  return check_driver_band(Prepared(rig, std::move(make)).subject);
}

TEST(DriverBand, HoldsWhereWaysStayInsideTheirDrivers) {
  const std::vector<Finding> findings = band_of(two_ways_with_sheets());
  ASSERT_EQ(findings.size(), 2u);
  EXPECT_THAT(fallen(findings), IsEmpty()) << findings[0].text << findings[1].text;
  for (const Finding& f : findings) {
    EXPECT_TRUE(f.judged);
    EXPECT_EQ(f.unit, "dB");
    EXPECT_LE(f.measured, f.allowed);
  }
  EXPECT_THAT(findings[1].text, HasSubstr("an octave below 1.2 kHz and lower, at 600 Hz (-12 at most)"));
}

TEST(DriverBand, WhatTonightsVenueTakesHidesNothing) {
  rig::Rig rig = two_ways_with_sheets();
  rig.points[0] = a_point(1000, Alignment::linkwitz_riley, 12);
  rig.system_eq = {a_band(rig::EqType::peaking, 600, 6, 1)};
  rig::Venue venue;
  venue.all.eq = {a_band(rig::EqType::peaking, 560, -10, 1)};
  const std::vector<Finding> alone = band_of(rig), with = check_driver_band(Prepared(rig, venue).subject);
  EXPECT_FALSE(alone[1].holds) << alone[1].text;
  EXPECT_FALSE(with[1].holds) << with[1].text;
  EXPECT_EQ(with[1].measured, alone[1].measured);
  EXPECT_THAT(with[1].text, HasSubstr(", without tonight's venue: "));
  EXPECT_THAT(alone[1].text, testing::Not(HasSubstr("tonight")));
}

TEST(DriverBand, AHornCrossedAnOctaveTooLowFallsAndTheChangeMendsIt) {
  rig::Rig rig = two_ways_with_sheets();
  rig.points[0] = a_point(600);
  const std::vector<Finding> findings = band_of(rig);
  EXPECT_THAT(fallen(findings), ElementsAre("high.left"));
  EXPECT_NEAR(findings[1].measured, -6.02, 0.1);
  EXPECT_EQ(findings[1].allowed, -12);
  EXPECT_EQ(findings[1].change, (Change{"crossover.points[1].at", "\"1.2 kHz\""}));
  EXPECT_THAT(findings[1].text, AllOf(HasSubstr("Driver horn may be used from 1.2 kHz up"),
                                      HasSubstr("Set crossover.points[1].at = \"1.2 kHz\"")));
  rig.points[0] = a_point(1200);
  EXPECT_THAT(fallen(band_of(rig)), IsEmpty());
}

// Butterworth of order n at f leaves -10 log10(1 + w^2n) an octave below f', w = tan(pi f / fs) / tan(pi f' / 2 fs).
TEST(DriverBand, TwelveDecibelsAnOctaveOutsideAreBracketed) {
  rig::Rig rig = two_ways_with_sheets();
  const auto measured_with = [&](double at_hz) {
    rig.points[0] = a_point(at_hz, Alignment::butterworth, 24);
    return band_of(rig)[1];
  };
  // w^8 = 10^1.2 - 1: w = 1.403, f = 841 Hz.
  const Finding holds = measured_with(850), falls = measured_with(830);
  EXPECT_TRUE(holds.holds) << holds.text;
  EXPECT_FALSE(falls.holds) << falls.text;
  EXPECT_NEAR(falls.measured, -11.6, 0.15);
}
TEST(DriverBand, ThreeDecibelsJustOutsideAreBracketed) {
  for (const bool low : {true, false}) {
    rig::Rig rig = two_ways_with_sheets();
    if (low) rig.ways[0].highpass = a_filter(30, Alignment::butterworth, 48);  // -0.1 dB where the boost stands
    if (!low) rig.points[0] = a_point(7000, Alignment::linkwitz_riley, 48);
    const double at_hz = low ? 38 : 4400;  // just below 45 Hz, just above 4 kHz
    for (const double gain_db : {2.7, 3.3}) {
      rig.ways[0].eq = {a_band(rig::EqType::peaking, at_hz, gain_db, 8)};
      const Finding f = band_of(rig)[0];
      const bool just_outside_is_the_worst = f.allowed == 3;
      EXPECT_EQ(f.holds || !just_outside_is_the_worst, gain_db < 3) << f.text;
      if (gain_db < 3) continue;
      EXPECT_NEAR(f.measured, gain_db, 0.25);  // less what the filters take there
      EXPECT_THAT(f.text, HasSubstr("way.low.eq[1]"));
    }
  }
}

TEST(DriverBand, WhoeverFeedsItIsFound) {
  rig::Rig rig = two_ways_with_sheets();
  rig.ways[0].highpass.reset();  // nothing below 45 Hz
  EXPECT_THAT(fallen(band_of(rig)), ElementsAre("low.left"));
  EXPECT_EQ(band_of(rig)[0].change->key, "way.low.highpass");
  EXPECT_THAT(band_of(rig)[0].change->value, HasSubstr("\"45 Hz\""));

  rig = two_ways_with_sheets();
  rig.ways[0].highpass = a_filter(55, Alignment::butterworth, 6);
  EXPECT_EQ(band_of(rig)[0].change, (Change{"way.low.highpass.slope", "\"24 dB/oct\""}));

  rig = two_ways_with_sheets();
  rig.ways[1].eq = {a_band(rig::EqType::peaking, 600, 25, 1)};
  EXPECT_THAT(fallen(band_of(rig)), ElementsAre("high.left"));
  EXPECT_THAT(band_of(rig)[1].text, HasSubstr("way.high.eq[1] (peaking, +25 dB at 600 Hz) adds"));

  rig = two_ways_with_sheets();  // ways swapped: each driver gets the other's band
  std::swap(rig.ways[0].driver, rig.ways[1].driver);
  EXPECT_THAT(fallen(band_of(rig)), ElementsAre("low.left", "high.left"));

  rig = two_ways_with_sheets();  // open at the top, and the driver ends at 7 kHz
  rig.drivers[1].highest_hz = 7000;
  EXPECT_THAT(fallen(band_of(rig)), ElementsAre("high.left"));
  rig.drivers[1].highest_hz = 11000;  // an octave above is beyond what is heard
  EXPECT_THAT(fallen(band_of(rig)), IsEmpty());

  const auto no_split = [](const dsp::ChainSettings& settings) {
    Altered altered(settings);
    for (dsp::OutputSettings& output : altered.outputs) output.way = 0;
    return make_chain(altered.settings);
  };
  EXPECT_THAT(fallen(band_of(two_ways_with_sheets(), no_split)), ElementsAre("high.left"));  // measured, not read
}

// A horn's shelf, the usual one, lifts the median of its way and changes nothing below its band.
TEST(DriverBand, WhatIsLiftedAtOneEndHidesNothingAtTheOther) {
  rig::Rig rig = two_ways_with_sheets();
  rig.points[0] = a_point(960, Alignment::linkwitz_riley, 12);
  const Finding plain = band_of(rig)[1];
  rig.ways[1].eq = {a_band(rig::EqType::highshelf, 6000, 10, 0.7)};
  const Finding lifted = band_of(rig)[1];
  EXPECT_FALSE(plain.holds);
  EXPECT_FALSE(lifted.holds) << lifted.text;
  EXPECT_NEAR(lifted.measured, plain.measured, 1) << "less what the shelf lifts at the edge itself, 0.1 dB, and the "
                                                     "median of another shape";
  EXPECT_THAT(lifted.text, HasSubstr("less what its eq lifts there"));
  rig.points[0] = a_point(1600);
  EXPECT_THAT(fallen(band_of(rig)), IsEmpty()) << "a sound horn with its shelf";
  // The same at the other end: a cone with a shelf for its lows, open too far up.
  rig = two_ways_with_sheets();
  rig.drivers[0].highest_hz = 800;
  rig.drivers[1].lowest_hz.reset();
  rig.points[0] = a_point(1000, Alignment::linkwitz_riley, 12);
  EXPECT_THAT(fallen(band_of(rig)), ElementsAre("low.left"));
  rig.ways[0].eq = {a_band(rig::EqType::lowshelf, 150, 10, 0.7)};
  EXPECT_THAT(fallen(band_of(rig)), ElementsAre("low.left"));
}

TEST(DriverBand, TheVenueCounts) {
  rig::Venue venue;
  venue.all.eq = {a_band(rig::EqType::peaking, 22, 26, 2)};
  EXPECT_THAT(fallen(band_of(two_ways_with_sheets())), IsEmpty());
  const std::vector<Finding> findings = check_driver_band(Prepared(two_ways_with_sheets(), venue).subject);
  EXPECT_THAT(fallen(findings), ElementsAre("low.left"));
  EXPECT_THAT(findings[0].text, HasSubstr("venue.eq[1]"));
}

TEST(DriverBand, WithoutASheetItSaysWhatWouldLetItJudge) {
  const std::vector<Finding> findings = band_of(a_rig());
  EXPECT_THAT(fallen(findings), IsEmpty());
  EXPECT_FALSE(findings[0].judged);
  EXPECT_THAT(findings[0].text, AllOf(HasSubstr("driver.cone.lowest"), HasSubstr("driver.cone.highest"),
                                      HasSubstr("would let it judge")));
  rig::Rig rig = two_ways_with_sheets();
  rig.drivers[0].highest_hz.reset();
  const Finding half = band_of(rig)[0];
  EXPECT_TRUE(half.judged);
  EXPECT_THAT(half.text, HasSubstr("driver.cone.highest would let it judge the other side"));
}

// A narrow way of a wide driver: its own level is that of where it plays.
TEST(DriverBand, AWideDriverInANarrowWayIsNotAccused) {
  rig::Rig rig = three_ways();
  rig.points = {a_point(100), a_point(400)};
  rig.drivers[0].lowest_hz = 25;
  rig.drivers[0].highest_hz = 15000;
  rig.drivers[1].lowest_hz = 60;
  EXPECT_THAT(fallen(band_of(rig)), IsEmpty());
}

TEST(PathParts, AreThoseOfTheFileAndMultiplyToWhatIsMeasured) {
  rig::Rig rig = three_ways();
  rig.phase_matched = false;
  rig.system_gain_db = -3;
  rig.system_eq = {a_band(rig::EqType::peaking, 240, -3.5, 1.4)};
  rig.ways[1].gain_db = 2;
  rig.ways[1].eq = {a_band(rig::EqType::notch, 300, 0, 4)};
  rig.ways[1].highpass = a_filter(80, Alignment::bessel, 12);
  const std::vector<PathPart> parts = parts_of_path(rig, nullptr, 1, "");
  std::vector<std::string> keys;
  for (const PathPart& part : parts) keys.push_back(part.key);
  EXPECT_THAT(keys, ElementsAre("system.gain", "system.eq[1]", "crossover.points[1]", "crossover.points[2]",
                                "way.low.highpass", "way.low.eq[1]", "way.low.gain"));
  const Prepared bench(rig);
  for (const double hz : {60.0, 250.0, 2000.0}) {
    double db = 0;
    for (const PathPart& part : parts) db += part.level_db(hz, 48000);
    EXPECT_NEAR(db, finite_db(gain_at(bench.subject, 1, hz)), 0.01) << hz;  // single precision of a dozen sections
  }
  EXPECT_THAT(what_takes(parts, 300, 48000), HasSubstr("way.low.eq[1] (notch at 300 Hz) takes"));
  EXPECT_EQ(slowest_of(parts, 48000)->key, "way.low.eq[1]");  // q / (pi f) = 4.2 ms; the point's sides 2.3
}

}  // namespace
}  // namespace rackproof::proof
