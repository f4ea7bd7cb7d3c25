// Must hold: a power limiter that keeps its claim holds, and one that lets more heat pass, or takes what the coil may
// have, falls; a driver that can be fed more and has no power limiter falls; no rig is blamed for its own numbers. The
// heat and the estimate of the coil's warmth are what their own formulas say.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <numbers>
#include <random>
#include <string>
#include <vector>

#include "harness/proof/thermal_model.hpp"
#include "proof_rig.hpp"

namespace rackproof::proof::test {
namespace {

using testing::HasSubstr;

DeviceMaker power(float threshold_factor, float forget_factor = 1) {
  return altering([=](dsp::OutputSettings& o) {
    o.power.threshold_rms *= threshold_factor;
    o.power.forget = std::min(1.0f / 32, o.power.forget * forget_factor);
  });
}
std::string fallen_texts(const std::vector<Finding>& findings) {
  std::string texts;
  for (const Finding& f : findings)
    if (!f.holds) texts += *f.output + ": " + f.text + "\n";
  return texts;
}
std::string judged(const std::string& text, DeviceMaker make = make_chain) {
  return fallen_texts(check_thermal_limit(Prepared(text, std::move(make)).subject));
}
/// A rig of one way and one feed, quick to judge.
std::string one_way(const std::string& thermal_time = "0.2 s") {
  std::string text = edited(kRig, "thermal_time = \"0.5 s\"", "thermal_time = \"" + thermal_time + "\"");
  text = edited(text, "right = 2\n", "");
  text = edited(edited(text, "points = [ { at = \"1.6 kHz\", alignment = \"linkwitz-riley\", slope = \"24 dB/oct\" } ]",
                       "points = []"),
                text.substr(text.find("[[way]]\nname = \"high\"")), "");
  return edited(text, "eq = [ { type = \"peaking\", at = \"240 Hz\", gain = \"-3.5 dB\", q = 1.4 } ]\n", "");
}

TEST(ThermalLimit, ASoundRigHoldsAndGivesNothingAway) {
  const std::vector<Finding> findings = check_thermal_limit(Prepared(kRig).subject);
  EXPECT_EQ(fallen_texts(findings), "");
  for (const Finding& f : findings) {
    const double share = std::pow(f.measured / f.allowed, 2) * 1.01;
    EXPECT_GT(share, 0.94) << *f.output;  // the stimulus gets near
    EXPECT_THAT(f.text, HasSubstr("K above the air"));
    EXPECT_THAT(f.text, HasSubstr("The power limiter holds"));
  }
  const Prepared prepared(kRig);
  EXPECT_DOUBLE_EQ(findings[0].allowed, *prepared.compiled.outputs[0].thermal_volts_rms * std::sqrt(1.01));
}
TEST(ThermalLimit, TwoPercentMoreHeatThanIsAllowedFallsAndOnePercentLessHolds) {
  const std::string text = one_way();
  const Finding sound = check_thermal_limit(Prepared(text).subject)[0];
  const double to_allowed = sound.allowed / sound.measured;
  const auto louder = [&](double heat) {
    const auto gain = static_cast<float>(to_allowed * std::sqrt(heat));
    return judged(text, mapping([gain](float x) { return gain * x; }));
  };
  EXPECT_THAT(louder(1.02), HasSubstr("do not drive loudspeakers with this build"));
  EXPECT_THAT(louder(1.005), HasSubstr("do not drive loudspeakers with this build"));
  EXPECT_EQ(louder(0.995), "");
}
TEST(ThermalLimit, AThresholdThatIsOffFallsBothWays) {
  const std::string text = one_way();
  EXPECT_THAT(judged(text, power(1.035f)), HasSubstr("overheats"));  // 0.3 dB
  EXPECT_EQ(judged(text, power(1.003f)), "");
  EXPECT_EQ(judged(text, power(0.995f)), "");
  EXPECT_THAT(judged(text, power(0.98f)), HasSubstr("changes"));  // 0.18 dB lower, it takes what is allowed
}
TEST(ThermalLimit, ATimeThatIsOffFallsBothWays) {
  const std::string text = one_way();
  EXPECT_THAT(judged(text, power(1, 1.0f / 6)), HasSubstr("overheats"));
  EXPECT_THAT(judged(text, power(1, 0.9f)), HasSubstr("overheats"));
  EXPECT_EQ(judged(text, power(1, 0.995f)), "");
  EXPECT_EQ(judged(text, power(1, 1.02f)), "");
  EXPECT_THAT(judged(text, power(1, 1.5f)), HasSubstr("changes"));
}
TEST(ThermalLimit, OneThatSettlesLowFalls) {
  // Volts that are taken from everything alike change nothing of a comparison: only the settled level tells.
  const std::string text = one_way();
  const auto quieter = [&](float db) {
    const float gain = std::pow(10.0f, db / 20);
    return judged(text, mapping([gain](float x) { return gain * x; }));
  };
  EXPECT_EQ(quieter(-0.05f), "");
  EXPECT_THAT(quieter(-0.6f), HasSubstr("less than it was set to"));  // 0.15 dB of its own besides
}
/// RMS over peak of the sum of sin(k t) sinc(k / (2 count + 1)) / k over the first `count` odd k.
double rms_of_flat(int count) {
  constexpr int kSteps = 20000;
  double peak = 0, squares = 0;
  for (int n = 0; n < kSteps; ++n) {
    double sum = 0;
    for (int k = 1; k < 2 * count; k += 2) {
      const double x = std::numbers::pi * k / (2 * count + 1);
      sum += std::sin(2 * std::numbers::pi * k * n / kSteps) * std::sin(x) / x / k;
    }
    peak = std::max(peak, std::abs(sum));
    squares += sum * sum;
  }
  return std::sqrt(squares / kSteps) / peak;
}
TEST(ThermalLimit, AWayWithoutOneFallsWhereItsDriverCanBeFedMore) {
  const std::string text = edited(kRig, "thermal = { below_rating = \"1 dB\" }\n", "");
  const Prepared prepared(text);
  const auto fell = fallen(check_thermal_limit(prepared.subject), "thermal-limit");
  ASSERT_EQ(fell.size(), 1u);
  EXPECT_EQ(fell[0].output, "low");
  EXPECT_THAT(fell[0].text, HasSubstr("way.low.thermal = { below_rating ="));
  // Of a note at 78 Hz the way lets through what lies up to 2.1 kHz: 13 harmonics, whose crest is 0.41 dB. 84.06 V peak,
  // 80.2 V RMS, 804 W. To 0.3 %: what the filters' ripple and the detector leave.
  EXPECT_NEAR(fell[0].measured, 105.83 * std::pow(10, -2 / 20.0) * rms_of_flat(13), 0.25);
  EXPECT_NEAR(fell[0].allowed, std::sqrt(350.0 * 8), 1e-9);
  EXPECT_THAT(fell[0].text, HasSubstr("A lasting flat-topped wave at"));
  EXPECT_EQ(fell[0].change, (Change{"way.low.thermal", "{ below_rating = \"1 dB\" }"}));
  // Of all 32 harmonics of a way without a point 81.3 V, 826 W: a cone of 835 W needs none, one of 815 W does.
  const std::string alone = edited(one_way(), "thermal = { below_rating = \"1 dB\" }\n", "");
  EXPECT_EQ(judged(edited(alone, "350 W", "835 W")), "");
  EXPECT_NE(judged(edited(alone, "350 W", "815 W")), "");
  // Where the way's filters leave no harmonic it is a sine: 59.4 V RMS, 441 W.
  const std::string low = edited(alone, "delay = \"0.3 ms\"\n",
                                 "delay = \"0.3 ms\"\neq = [ { type = \"lowpass\", at = \"90 Hz\", q = 0.54 }, "
                                 "{ type = \"lowpass\", at = \"90 Hz\", q = 1.3 } ]\n");
  EXPECT_EQ(judged(edited(low, "350 W", "450 W")), "");
  EXPECT_THAT(judged(edited(low, "350 W", "430 W")), HasSubstr("A lasting sine at"));
}
// Filters turn harmonics against one another. What they leave in phase at the driver is what counts: a high way, whose
// low-order harmonics the crossover turns the most.
TEST(ThermalLimit, AFlatTopThatTheFiltersMakeIsSeenToo) {
  const std::string text = edited(kRig, "thermal = { below_rating = \"2 dB\" }\n", "");
  // 40.04 V peak: 28.3 V RMS of a sine, 100 W; 36.0 V of four harmonics, whose crest is 0.92 dB, 162 W.
  for (const char* watts : {"110 W", "158 W"})
    EXPECT_THAT(judged(edited(text, "60 W", watts)), HasSubstr("way.high.thermal")) << watts;
  EXPECT_EQ(judged(edited(text, "60 W", "201 W")), "");  // 40.1 V: nothing is above its own peak
}
// The note itself lies above 0.42 of the sample rate there.
TEST(ThermalLimit, AWayThatBeginsAboveTheDetectorsBandIsJudgedToo) {
  const std::string text =
      edited(edited(kRig, "thermal = { below_rating = \"2 dB\" }\n", ""), "at = \"1.6 kHz\"", "at = \"21 kHz\"");
  EXPECT_THAT(judged(text), HasSubstr("A lasting sine at 21"));
}
TEST(ThermalLimit, APeakLimiterThatHoldsLowerIsNoFault) {
  const Prepared prepared(edited(one_way(), "below_clip = \"2 dB\"", "below_clip = \"9 dB\""));
  const std::vector<Finding> findings = check_thermal_limit(prepared.subject);
  EXPECT_EQ(fallen_texts(findings), "");
  EXPECT_THAT(findings[0].text, HasSubstr("peak limiter holds it lower"));
}
TEST(ThermalLimit, TheSlowestCoilAndTheFastestAreJudged) {
  std::vector<const char*> times{"50 ms"};
  if (!kSanitized) times.push_back("60 s");
  for (const char* time : times) {
    const std::string text = one_way(time);
    EXPECT_EQ(judged(text), "") << time;
    EXPECT_THAT(judged(text, power(1.05f)), HasSubstr("overheats")) << time;
    EXPECT_THAT(judged(text, power(0.93f)), HasSubstr("level is given away")) << time;
  }
}
// Filters that leave next to nothing of the band are not the power limiter's fault, and nothing of it can be judged there.
TEST(ThermalLimit, AWayThatItsFiltersSilenceIsNotGivenAway) {
  std::string eq = "eq = [ ";
  for (int n = 0; n < 4; ++n) eq += std::string(n == 0 ? "" : ", ") + "{ type = \"lowpass\", at = \"40 Hz\", q = 0.7 }";
  const std::string text = edited(one_way(), "gain = \"-3 dB\"\n", "gain = \"-40 dB\"\n" + eq + " ]\n");
  const Prepared prepared(text);
  const Finding f = check_thermal_limit(prepared.subject).at(0);
  EXPECT_TRUE(f.holds) << f.text;
  EXPECT_THAT(f.text, HasSubstr("Nothing that can come in"));
}
TEST(ThermalLimit, NoSoundRigIsBlamed) {
  const std::string text = one_way("0.1 s");
  const std::string limit =
      "limit = { below_clip = \"2 dB\", look_ahead = \"2 ms\", hold = \"10 ms\", release = \"100 ms\" }";
  const auto with_limit = [&](const std::string& other) { return edited(text, limit, other); };
  EXPECT_EQ(judged(with_limit("")), "") << "no peak limiter at all";
  EXPECT_EQ(judged(with_limit("limit = { below_clip = \"2 dB\", look_ahead = \"0 ms\", true_peak = false }")), "");
  EXPECT_EQ(judged(with_limit("limit = { below_clip = \"2 dB\", look_ahead = \"20 ms\", release = \"5 s\" }")), "");
  EXPECT_EQ(judged(with_limit("limit = { below_clip = \"2 dB\", hold = \"200 ms\", release = \"1 ms\" }")), "");
  // The sine's crest and the ceiling on either side of one another.
  for (const char* below : {"3.8 dB", "4 dB", "4.2 dB"})
    EXPECT_EQ(judged(with_limit(std::string("limit = { below_clip = \"") + below + "\" }")), "") << below;
  for (const char* below : {"0 dB", "6 dB", "25 dB"})
    EXPECT_EQ(judged(edited(text, "thermal = { below_rating = \"1 dB\" }",
                            std::string("thermal = { below_rating = \"") + below + "\" }")),
              "")
        << below;
  for (const char* rate : {"44.1 kHz", "192 kHz"})
    EXPECT_EQ(judged(edited(text, "sample_rate = \"48 kHz\"", std::string("sample_rate = \"") + rate + "\"")), "")
        << rate;
  EXPECT_EQ(judged(edited(text, "delay = \"0.3 ms\"", "delay = \"0.3 ms\"\ndrivers = 2\nwiring = \"series\"")), "");
}

TEST(ThermalHeat, IsAPoleASample) {
  std::mt19937 rng(1);
  std::vector<float> x(5000);
  for (float& sample : x) sample = static_cast<float>(rng()) * 0x1p-32f;
  Heat heat(0.01, 48000);
  heat.add(std::span(x).first(1234));
  heat.add(std::span(x).subspan(1234));
  double expected = 0, most = 0;
  for (std::size_t n = 0; n < x.size(); ++n) {  // by its definition, not by its recurrence
    if (n + 1 < x.size() && n % 100 != 0) continue;
    expected = 0;
    for (std::size_t k = 0; k <= n; ++k)
      expected += -std::expm1(-1 / 480.0) * std::exp(-static_cast<double>(n - k) / 480) * static_cast<double>(x[k]) *
                  static_cast<double>(x[k]);
    most = std::max(most, expected);
  }
  EXPECT_NEAR(heat.now(), expected, 1e-12);
  EXPECT_GE(heat.greatest(), most);
  EXPECT_LT(heat.greatest(), 1.1 * most);
}
TEST(CoilModel, SettlesAtItsRatingAndNeverAboveWhatItIsFed) {
  rig::Driver driver;
  driver.impedance_ohm = 8;
  driver.continuous_power_watts = 200;
  driver.thermal_time_s = 3;
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
  driver.continuous_power_watts = 100;
  driver.thermal_time_s = 2;
  CoilModel coarse(driver), fine(driver);
  for (int n = 0; n < 300; ++n) coarse.step(1600, 0.02);
  for (int n = 0; n < 30000; ++n) fine.step(1600, 0.0002);
  // The resistance is kept for a step: its error is that of half a step, 0.01 s of 2 s, in a part of the rise.
  EXPECT_NEAR(coarse.rise_kelvin() / fine.rise_kelvin(), 1, 0.005);
}

}  // namespace
}  // namespace rackproof::proof::test
