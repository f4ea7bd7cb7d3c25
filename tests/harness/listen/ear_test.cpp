// Must hold: a volt at an output is as many pascals as the driver's sheet says, as late as the box is deep; what is
// missing is refused under its key.
#include "harness/listen/ear.hpp"

#include <gmock/gmock.h>

#include <cmath>
#include <fstream>
#include <numbers>

#include "tests/harness/calibration/a_rig.hpp"
#include "tests/harness/scratch.hpp"

namespace rackproof::listen {
namespace {

using testing::AllOf;
using testing::ElementsAre;
using testing::HasSubstr;
using testing::IsEmpty;

rig::Rig heard_rig() {
  rig::Rig rig = a_rig();
  rig.drivers[0].sensitivity_db = 98;
  rig.drivers[1].sensitivity_db = 104;
  rig.ways[0].depth_m = 0.2;
  rig.ways[1].depth_m = 0.05;
  return rig;
}
std::string refusal_of(const rig::Rig& rig) {
  const CompiledRig compiled = compile(rig);
  try {
    const Ear ear(rig, compiled);
  } catch (const InputError& error) {
    return error.what();
  }
  return "none";
}

TEST(Ear, OneWattIsAsLoudAsTheSheetSays) {
  rig::Rig rig = heard_rig();
  rig.controller.temperature_degc = 30;
  const CompiledRig compiled = compile(rig);
  const Ear ear(rig, compiled);
  EXPECT_FALSE(ear.measured());
  EXPECT_THAT(ear.without_depth(), IsEmpty());
  // 1 W into 8 ohm is sqrt(8) V RMS at the driver: a sine of that RMS at the low output, ahead of an amplifier of 32 dB
  // behind a converter whose full scale is +18 dBu RMS for a sine.
  const double sine_full_scale_volts = volts_of_dbu(18) * std::pow(10, 32 / 20.0);
  const double sample_peak = std::sqrt(8.0) / sine_full_scale_volts;
  const double rms_pa = sample_peak * std::abs(ear.at(0, 100)) / std::numbers::sqrt2;
  EXPECT_NEAR(level_db(rms_pa), 98, 1e-9);
  EXPECT_NEAR(level_db(1), 93.9794, 1e-4);  // 1 Pa over 20 uPa
  EXPECT_EQ(level_db(0), -400);
  // 0.2 m at 331.3 + 0.606 x 30 m/s are 0.5723 ms: at 1 kHz 206 degrees late.
  EXPECT_NEAR(
      std::remainder(std::arg(ear.at(1, 1000)) + 2 * std::numbers::pi * 1000 * 0.2 / 349.48, 2 * std::numbers::pi), 0,
      1e-9);
  // Two in parallel are 6.02 dB louder at the same volts.
  rig.ways[0].drivers = 2;
  const CompiledRig two = compile(rig);
  EXPECT_NEAR(std::abs(Ear(rig, two).at(0, 100)) / std::abs(ear.at(0, 100)), 2, 1e-9);
  rig.ways[1].depth_m.reset();
  EXPECT_THAT(Ear(rig, two).without_depth(), ElementsAre("way.high.depth"));
}

TEST(Ear, WhatIsMissingIsRefusedUnderItsKey) {
  rig::Rig rig = heard_rig();
  EXPECT_EQ(refusal_of(rig), "none");
  rig.drivers[1].sensitivity_db.reset();
  EXPECT_THAT(refusal_of(rig), AllOf(HasSubstr("a.toml"), HasSubstr("driver.horn.sensitivity is not given"),
                                     HasSubstr("sensitivity = \"98 dB\"")));
  EXPECT_THAT(refusal_of(rig), testing::Not(HasSubstr("driver.cone.sensitivity")));
  // A response for one way alone is no help, and is said not to be.
  const rackproof::test::Scratch scratch;
  std::ofstream(scratch / "horn.csv") << "frequency_hz,magnitude_db,phase_deg\n100,-20,0\n20000,-20,0\n";
  rig.ways[1].response = scratch / "horn.csv";
  EXPECT_THAT(refusal_of(rig), HasSubstr("way.low.response has not"));
}

TEST(Ear, MeasuredResponsesTakeThePlaceOfSheets) {
  const rackproof::test::Scratch scratch;
  rig::Rig rig = a_rig();  // no sheets at all
  std::ofstream(scratch / "low.csv") << "frequency_hz,magnitude_db,phase_deg\n20,-20,0\n20000,-20,90\n";
  std::ofstream(scratch / "high.csv") << "frequency_hz,magnitude_db,phase_deg\n100,-26,0\n20000,-14,0\n";
  rig.ways[0].response = scratch / "low.csv";
  rig.ways[1].response = scratch / "high.csv";
  const CompiledRig compiled = compile(rig);
  const Ear ear(rig, compiled);
  EXPECT_TRUE(ear.measured());
  EXPECT_NEAR(std::abs(ear.at(0, 700)), 0.1, 1e-12);
  EXPECT_NEAR(std::arg(ear.at(0, std::sqrt(20.0 * 20000))), std::numbers::pi / 4, 1e-9);  // half-way in log frequency
  EXPECT_NEAR(level_db(std::abs(ear.at(2, std::sqrt(100.0 * 20000))) * kReference_pa), -20, 1e-9);
}

}  // namespace
}  // namespace rackproof::listen
