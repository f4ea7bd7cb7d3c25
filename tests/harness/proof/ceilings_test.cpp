// Must hold: a sound rig holds in all four ceilings, and each fault falls in the check that is meant for it, which
// names the key that mends it; and mended as it says, the rig holds.
#include <gmock/gmock.h>

#include <algorithm>
#include <cmath>

#include "proof_rig.hpp"

namespace rackproof::proof::test {
namespace {

using testing::HasSubstr;
const char* const kLowLimit =
    R"(limit = { below_clip = "2 dB", look_ahead = "2 ms", hold = "10 ms", release = "100 ms" })";

TEST(Ceilings, ASoundRigHoldsAndSaysHowClose) {
  const Prepared prepared(kRig);
  const std::vector<Finding> findings = check_ceilings(prepared.subject);
  EXPECT_EQ(findings.size(), 4 * prepared.compiled.outputs.size());
  EXPECT_EQ(fallen_ids(findings), "");
  for (const Finding& f : findings) {
    EXPECT_LE(f.measured, f.allowed) << f.id;
    if (f.id != "peak-limit") continue;
    // The signals are hot enough to matter: they drive the limiter up against its ceiling, to a thousandth of a dB.
    EXPECT_GT(f.measured, f.allowed - 0.001) << f.output.value();
  }
}
TEST(Ceilings, ALimiterThatLetsThroughAHundredthOfADecibelFalls) {
  const Prepared prepared(kRig, altering([](dsp::OutputSettings& o) { o.peak.ceiling *= 1.00115f; }));
  EXPECT_EQ(fallen_ids(check_ceilings(prepared.subject)), "peak-limit");
}
TEST(Ceilings, AWayWithoutLimiterFallsAndIsToldTheLine) {
  const Prepared prepared(edited(kRig, kLowLimit, ""));
  const std::vector<Finding> findings = check_ceilings(prepared.subject);
  for (const char* id : {"peak-limit", "amplifier-clip", "true-peak"}) {
    const auto fell = fallen(findings, id);
    ASSERT_EQ(fell.size(), 1u) << id;
    EXPECT_EQ(fell[0].output, "low");
    EXPECT_THAT(fell[0].text, HasSubstr("way.low.limit = { below_clip = \"2 dB\" }"));
  }
}
TEST(Ceilings, AThresholdAtClipItselfFallsThoughNoSampleIsAboveIt) {
  const Prepared prepared(edited(kRig, "below_clip = \"2 dB\"", "below_clip = \"0 dB\""));
  const std::vector<Finding> findings = check_ceilings(prepared.subject);
  for (const char* id : {"peak-limit", "amplifier-clip"}) {
    ASSERT_EQ(fallen(findings, id).size(), 1u) << id;
    EXPECT_THAT(fallen(findings, id)[0].text, HasSubstr("way.low.limit.below_clip = \"2 dB\""));
  }
}
TEST(Ceilings, ADriverThatTakesLessThanClipIsMarginEnough) {
  const std::string text =
      edited(edited(kRig, "below_clip = \"2 dB\"", "below_clip = \"0 dB\""), "continuous_power = \"350 W\"",
             "continuous_power = \"350 W\"\npeak_power = \"600 W\"");
  const Prepared prepared(text);
  EXPECT_EQ(fallen_ids(check_ceilings(prepared.subject)), "");
}
TEST(Ceilings, ADetectorThatSeesOnlySamplesFallsInTruePeak) {
  const Prepared prepared(kRig, altering([](dsp::OutputSettings& o) { o.peak.true_peak = false; }));
  const auto fell = fallen(check_ceilings(prepared.subject), "true-peak");
  ASSERT_EQ(fell.size(), 2u);  // both high outputs; below 1.6 kHz there is not much between samples
  for (const Finding& f : fell) EXPECT_GT(f.measured, f.allowed + 1);
}
TEST(Ceilings, TwoDecibelsOfMarginAreNotEnoughForTheWaveWhereTheSamplesAloneAreWatched) {
  const std::string unwatched = edited(kRig, "release = \"60 ms\" }", "release = \"60 ms\", true_peak = false }");
  const std::string close = edited(unwatched, "below_clip = \"3 dB\"", "below_clip = \"2 dB\"");
  const Prepared prepared(close);
  const auto fell = fallen(check_ceilings(prepared.subject), "true-peak");
  ASSERT_EQ(fell.size(), 2u);
  EXPECT_THAT(fell[0].text, HasSubstr("way.high.limit.true_peak = true"));
  // The other cure that it proposes: more margin, by as much as it says.
  const std::string line = "way.high.limit.below_clip = ";
  const std::size_t at = fell[0].text.find(line);
  ASSERT_NE(at, std::string::npos) << fell[0].text;
  const std::string value =
      fell[0].text.substr(at + line.size(), fell[0].text.find(" dB\"", at) + 4 - at - line.size());
  const Prepared mended(edited(unwatched, "below_clip = \"3 dB\"", "below_clip = " + value));
  EXPECT_EQ(fallen_ids(check_ceilings(mended.subject)), "") << value;
}
// A desk driven far into clip sends hardly anything but full scale, one way or the other.
TEST(Ceilings, HalfADecibelIsTooLittleForNoiseThatIsAllClipped) {
  const auto judged_at = [](const char* below) {
    const Prepared prepared(edited(kRig, "below_clip = \"3 dB\"", std::string("below_clip = \"") + below + "\""));
    return fallen(check_ceilings(prepared.subject), "amplifier-clip");
  };
  const std::vector<Finding> fell = judged_at("0.5 dB");
  ASSERT_EQ(fell.size(), 2u);
  EXPECT_THAT(fell[0].text, HasSubstr("white noise, all of it clipped"));
  if (!kSanitized) {
    EXPECT_EQ(judged_at("1 dB").size(), 0u);
  }
}
// 3 dB are enough for every signal that a desk sends, and not for samples that are chosen to swing between two of them.
TEST(Ceilings, SamplesMadeToSwingBetweenThemCountWhereNothingWatchesTheWave) {
  const std::string unwatched = edited(kRig, "release = \"60 ms\" }", "release = \"60 ms\", true_peak = false }");
  const Prepared prepared(unwatched);
  const std::vector<Finding> findings = check_ceilings(prepared.subject);
  for (const char* id : {"amplifier-clip", "true-peak"}) {
    const auto fell = fallen(findings, id);
    ASSERT_EQ(fell.size(), 2u) << id;
    EXPECT_THAT(fell[0].text, HasSubstr("made to swing the furthest")) << id;
    EXPECT_THAT(fell[0].text, HasSubstr("Set way.high.limit.true_peak = true, or way.high.limit.below_clip = ")) << id;
  }
}
// Nothing of a signal may be left inside a delay when it is judged: an output reads the same however late it is.
TEST(Ceilings, AnOutputThatIsLateIsJudgedLikeOneThatIsNot) {
  const auto findings_at = [](const char* low, const char* high) {
    Prepared prepared(edited(edited(edited(kRig, "delay = \"0.3 ms\"", low), "name = \"high\"\n", high),
                             "release = \"60 ms\" }", "release = \"60 ms\", true_peak = false }"));
    prepared.subject.brief = true;
    return check_ceilings(prepared.subject);
  };
  const auto soon = findings_at("delay = \"0.3 ms\"", "name = \"high\"\n");
  const auto late = findings_at("delay = \"900.3 ms\"", "name = \"high\"\ndelay = \"900 ms\"\n");
  ASSERT_EQ(soon.size(), late.size());
  for (std::size_t n = 0; n < soon.size(); ++n) {
    EXPECT_NEAR(soon[n].measured, late[n].measured, 1e-3) << soon[n].id << " " << *soon[n].output;
    EXPECT_EQ(soon[n].holds, late[n].holds) << soon[n].id << " " << *soon[n].output;
  }
}
// The driver's peak power sets the threshold. Where the limiter watches samples alone the wave must keep to it as well.
TEST(Ceilings, AWaveThatNothingWatchesPassesWhatItsDriverTakes) {
  const std::string driven =
      edited(edited(kRig, "continuous_power = \"60 W\"", "continuous_power = \"60 W\"\npeak_power = \"240 W\""),
             "below_clip = \"3 dB\"", "below_clip = \"1 dB\"");
  if (!kSanitized) {
    EXPECT_EQ(fallen_ids(check_ceilings(Prepared(driven).subject)), "");
  }
  const std::string unwatched = edited(driven, "release = \"60 ms\" }", "release = \"60 ms\", true_peak = false }");
  const auto fell = fallen(check_ceilings(Prepared(unwatched).subject), "true-peak");
  ASSERT_EQ(fell.size(), 2u);
  // 240 W at 8 ohm: 43.82 V, of 173.62 V at full scale (+18 dBu and 26 dB); 0.4 dB is what the detector's claim leaves.
  EXPECT_NEAR(fell[0].allowed, 20 * std::log10(std::sqrt(240.0 * 8) / 173.616) + 0.4, 0.001);
  EXPECT_THAT(fell[0].text, HasSubstr("the peak power of its driver"));
}
TEST(Ceilings, AConverterThatIsTheFirstToClipFalls) {
  // An amplifier with little gain: the converter's own full scale holds the threshold, and nothing holds the wave.
  const std::string text = edited(edited(kRig, "gain = \"26 dB\"", "gain = \"8 dB\""), "release = \"60 ms\" }",
                                  "release = \"60 ms\", true_peak = false }");
  const Prepared prepared(text);
  const std::vector<Finding> findings = check_ceilings(prepared.subject);
  ASSERT_EQ(fallen(findings, "converter-clip").size(), 2u);
  EXPECT_THAT(fallen(findings, "converter-clip")[0].text, HasSubstr("way.high.limit.below_clip"));
  EXPECT_EQ(fallen(findings, "amplifier-clip").size(), 0u);
  // With the wave watched the same rig is sound: the converter's full scale is a threshold like any other.
  const Prepared watched(edited(kRig, "gain = \"26 dB\"", "gain = \"8 dB\""));
  EXPECT_EQ(fallen_ids(check_ceilings(watched.subject)), "");
}
float ratio(double decibels) { return static_cast<float>(std::pow(10, decibels / 20)); }
const Finding& of(const std::vector<Finding>& findings, const std::string& id, const std::string& output) {
  return *std::ranges::find_if(findings, [&](const Finding& f) { return f.id == id && f.output == output; });
}
// A device that is louder by x dB behind its limiters reads x dB more: from what a sound one reads each limit is met
// from both sides, one a little below it, the other a little above.
TEST(Ceilings, TheLimitsOfConverterAmplifierAndWaveAreBracketed) {
  const Prepared prepared(kRig);
  const std::vector<Finding> sound = check_ceilings(prepared.subject);
  constexpr std::size_t kLeft = 1, kRight = 2;  // of low, high.left, high.right
  const auto left_db = [&](const char* id, std::size_t output) {
    const Finding& f = of(sound, id, prepared.compiled.outputs[output].name);
    return f.id == "amplifier-clip" ? 20 * std::log10(f.allowed / f.measured) : f.allowed - f.measured;
  };
  std::vector<const char*> ids{"true-peak"};
  if (!kSanitized) ids.insert(ids.end(), {"converter-clip", "amplifier-clip"});
  for (const char* id : ids) {
    ASSERT_GT(left_db(id, kLeft), 0.02) << id;
    const float below = ratio(left_db(id, kLeft) - 0.01), above = ratio(left_db(id, kRight) + 0.01);
    const Prepared louder(kRig, spoiling([=]() -> Spoil {
                            return [=](std::span<float* const> rows, std::size_t frames) {
                              for (std::size_t n = 0; n < frames; ++n) rows[kLeft][n] *= below;
                              for (std::size_t n = 0; n < frames; ++n) rows[kRight][n] *= above;
                            };
                          }));
    const std::vector<Finding> findings = check_ceilings(louder.subject);
    EXPECT_TRUE(of(findings, id, "high.left").holds) << id;
    EXPECT_FALSE(of(findings, id, "high.right").holds) << id;
  }
}
// The gain of a limiter without look-ahead and with a release of a millisecond moves within the wave itself.
TEST(Ceilings, ALimiterThatIsTooFastForItsWaveIsTheFilesBusiness) {
  const std::string hurried = edited(kRig, "look_ahead = \"1 ms\", hold = \"2 ms\", release = \"60 ms\"",
                                     "look_ahead = \"0 ms\", release = \"1 ms\"");
  for (const Finding& f : fallen(check_ceilings(Prepared(hurried).subject), "true-peak")) {
    EXPECT_THAT(f.text, HasSubstr("way.high.limit.release = \"100 ms\""));
    EXPECT_THAT(f.text, testing::Not(HasSubstr("this build")));
  }
}
TEST(Ceilings, AnAmplifierDrivenIntoClipFallsEvenIfTheThresholdSaysOtherwise) {
  const Prepared prepared(kRig, mapping([](float x) { return 1.6f * x; }));
  EXPECT_THAT(fallen_ids(check_ceilings(prepared.subject)), HasSubstr("amplifier-clip"));
}

}  // namespace
}  // namespace rackproof::proof::test
