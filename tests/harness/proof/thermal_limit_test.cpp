// Must hold: the power limiter settles where its driver's rating wants it, in its time; a driver that can be fed more
// and has no power limiter falls. The estimate of the coil's heat is what its own formula says.
#include <gmock/gmock.h>

#include <cmath>

#include "harness/proof/thermal_model.hpp"
#include "proof_rig.hpp"

namespace rackproof::proof::test {
namespace {

using testing::HasSubstr;

DeviceMaker power(float threshold_factor, float forget_factor = 1) {
  return altering([=](dsp::OutputSettings& o) {
    o.power.threshold_rms *= threshold_factor, o.power.forget = std::min(1.0f, o.power.forget * forget_factor);
  });
}

TEST(ThermalLimit, HoldsWithinThreeTenthsOfADecibelAndFallsBeyond) {
  EXPECT_EQ(fallen_ids(check_thermal_limit(Prepared(kRig).subject)), "");
  EXPECT_EQ(fallen_ids(check_thermal_limit(Prepared(kRig, power(1.023f)).subject)), "") << "0.2 dB high";
  for (const float factor : {1.059f, 0.944f}) {  // +-0.5 dB
    const Prepared prepared(kRig, power(factor));
    EXPECT_EQ(fallen(check_thermal_limit(prepared.subject), "thermal-limit").size(), 3u) << factor;
  }
}
TEST(ThermalLimit, OneThatIsSixTimesTooSlowHasNotSettledInItsTime) {
  const Prepared prepared(kRig, power(1, 1.0f / 6));
  EXPECT_EQ(fallen(check_thermal_limit(prepared.subject), "thermal-limit").size(), 3u);
}
TEST(ThermalLimit, AWayWithoutOneFallsWhereItsDriverCanBeFedMore) {
  const std::string text = edited(kRig, "thermal = { below_rating = \"1 dB\" }\n", "");
  const Prepared prepared(text);
  const auto fell = fallen(check_thermal_limit(prepared.subject), "thermal-limit");
  ASSERT_EQ(fell.size(), 1u);
  EXPECT_EQ(fell[0].output, "low");
  EXPECT_THAT(fell[0].text, HasSubstr("way.low.thermal = { below_rating ="));
  // The peak limiter lets a sine of its threshold pass: 84.06 V peak, 59.4 V RMS, 441 W.
  EXPECT_NEAR(fell[0].measured, 105.83 * std::pow(10, -2 / 20.0) / std::sqrt(2.0), 0.1);
  EXPECT_NEAR(fell[0].allowed, std::sqrt(350.0 * 8), 1e-9);
  // A cone that takes 450 W for long needs none; one of 430 W does.
  EXPECT_EQ(fallen_ids(check_thermal_limit(Prepared(edited(text, "350 W", "450 W")).subject)), "");
  EXPECT_EQ(fallen_ids(check_thermal_limit(Prepared(edited(text, "350 W", "430 W")).subject)), "thermal-limit");
}
TEST(ThermalLimit, APeakLimiterThatHoldsLowerIsNoFault) {
  const Prepared prepared(edited(kRig, "below_clip = \"2 dB\"", "below_clip = \"9 dB\""));
  const std::vector<Finding> findings = check_thermal_limit(prepared.subject);
  EXPECT_EQ(fallen_ids(findings), "");
  EXPECT_THAT(findings[0].text, HasSubstr("peak limiter holds it lower"));
}
TEST(ThermalLimit, ATimeConstantOfMinutesIsJudgedOnItsWay) {
  std::string text = edited(kRig, "thermal_time = \"0.5 s\"", "thermal_time = \"150 s\"");
  text = edited(text, "right = 2\n", "");
  text = edited(edited(text, "points = [ { at = \"1.6 kHz\", alignment = \"linkwitz-riley\", slope = \"24 dB/oct\" } ]",
                       "points = []"),
                text.substr(text.find("[[way]]\nname = \"high\"")), "");
  text = edited(text, "eq = [ { type = \"peaking\", at = \"240 Hz\", gain = \"-3.5 dB\", q = 1.4 } ]\n", "");
  EXPECT_EQ(fallen_ids(check_thermal_limit(Prepared(text).subject)), "");
  EXPECT_EQ(fallen_ids(check_thermal_limit(Prepared(text, power(1, 0.5f)).subject)), "thermal-limit");
}

TEST(CoilModel, SettlesAtItsRatingAndNeverAboveWhatItIsFed) {
  rig::Driver driver;
  driver.impedance_ohm = 8, driver.continuous_power_watts = 200, driver.thermal_time_s = 3;
  CoilModel coil(driver);
  double before = 0;
  for (int n = 0; n < 100000; ++n) {  // 1000 s
    coil.step(200 * 8, 0.01);
    ASSERT_GE(coil.rise_kelvin(), before - 1e-9);
    before = coil.rise_kelvin();
  }
  EXPECT_NEAR(coil.rise_kelvin(), CoilModel::kRiseAtRatingKelvin, 0.01);
  EXPECT_DOUBLE_EQ(coil.greatest_rise_kelvin(), coil.rise_kelvin());
  for (int n = 0; n < 100000; ++n) coil.step(0, 0.01);
  EXPECT_NEAR(coil.rise_kelvin(), 0, 0.01);
  EXPECT_NEAR(coil.greatest_rise_kelvin(), CoilModel::kRiseAtRatingKelvin, 0.01);
}
TEST(CoilModel, TheLengthOfAStepHardlyMatters) {
  rig::Driver driver;
  driver.continuous_power_watts = 100, driver.thermal_time_s = 2;
  CoilModel coarse(driver), fine(driver);
  for (int n = 0; n < 300; ++n) coarse.step(1600, 0.02);
  for (int n = 0; n < 30000; ++n) fine.step(1600, 0.0002);
  // The resistance is kept for a step: its error is that of half a step, 0.01 s of 2 s, in a part of the rise.
  EXPECT_NEAR(coarse.rise_kelvin() / fine.rise_kelvin(), 1, 0.005);
}

}  // namespace
}  // namespace rackproof::proof::test
