// Must hold: limit-onset, transparent-below and release say what the limiter does, to the tolerance that they state;
// a limiter that is off by a little more falls, one that is off by a little less holds.
#include <gmock/gmock.h>

#include <cmath>

#include "proof_rig.hpp"

namespace rackproof::proof::test {
namespace {

using testing::HasSubstr;

float db(double value) { return static_cast<float>(std::pow(10, value / 20)); }
DeviceMaker ceiling_off_by(double decibels) {
  return altering([=](dsp::OutputSettings& o) { o.peak.ceiling *= db(decibels); });
}
DeviceMaker release_off_by(double factor) {
  return altering([=](dsp::OutputSettings& o) {
    const double keep = static_cast<double>(o.peak.release_keep);
    o.peak.release_keep = static_cast<float>(std::pow(keep, 1 / factor));
  });
}

TEST(LimitOnset, HoldsWithinATenthOfADecibelAndFallsBeyond) {
  EXPECT_EQ(fallen_ids(check_limit_onset(Prepared(kRig).subject)), "");
  EXPECT_EQ(fallen_ids(check_limit_onset(Prepared(kRig, ceiling_off_by(0.05)).subject)), "");
  for (const double off : {0.2, -0.2}) {
    const Prepared prepared(kRig, ceiling_off_by(off));
    const auto fell = fallen(check_limit_onset(prepared.subject), "limit-onset");
    ASSERT_EQ(fell.size(), 3u) << off;
    for (const Finding& f : fell) EXPECT_NEAR(f.measured, off, 0.05);  // crests between samples, and 1 dB a second
  }
}
TEST(LimitOnset, ALimiterThatNeverActsIsFarBeyondTheThreshold) {
  const Prepared prepared(kRig, altering([](dsp::OutputSettings& o) { o.peak.enabled = false; }));
  // Out of step by its look-ahead, or untouched: either way it cannot hold.
  EXPECT_EQ(fallen(check_limit_onset(prepared.subject), "limit-onset").size(), 3u);
}
TEST(TransparentBelow, OneBitOfOneSampleIsTooMuch) {
  EXPECT_EQ(fallen_ids(check_transparent_below(Prepared(kRig).subject)), "");
  const Prepared early(kRig, ceiling_off_by(-2));
  EXPECT_EQ(fallen(check_transparent_below(early.subject), "transparent-below").size(), 3u);
  const Prepared power(kRig, altering([](dsp::OutputSettings& o) { o.power.threshold_rms *= 0.2f; }));
  EXPECT_NE(fallen_ids(check_transparent_below(power.subject)), "");
  // A device that changes a single sample by one unit in the last place, where limits are in.
  const Prepared once(kRig, [](const dsp::ChainSettings& settings) {
    if (!settings.outputs[0].peak.enabled) return make_chain(settings);
    return spoiling([]() -> Spoil {
      return [done = false](std::span<float* const> rows, std::size_t) mutable {
        if (!done) rows[1][40] = std::nextafter(rows[1][40], 1.0f), done = true;
      };
    })(settings);
  });
  const auto fell = fallen(check_transparent_below(once.subject), "transparent-below");
  ASSERT_EQ(fell.size(), 1u);
  EXPECT_EQ(fell[0].measured, 2) << "in both of its runs";
}
TEST(Release, IsWhatIsSetWithinTenPercent) {
  EXPECT_EQ(fallen_ids(check_release(Prepared(kRig).subject)), "");
  EXPECT_EQ(fallen_ids(check_release(Prepared(kRig, release_off_by(1.05)).subject)), "");
  for (const double factor : {1.15, 0.85}) {
    const Prepared prepared(kRig, release_off_by(factor));
    const auto fell = fallen(check_release(prepared.subject), "release");
    ASSERT_EQ(fell.size(), 3u) << factor;
    EXPECT_NEAR(fell[0].measured, 100 * factor, 1);  // 1 ms of 100: the fit's own error is below 0.1 %
  }
}
TEST(Release, MeasuresFromAMillisecondToSeconds) {
  for (const char* set : {"1 ms", "3 ms", "5 s"}) {
    const std::string text = edited(edited(kRig, "release = \"100 ms\"", std::string("release = \"") + set + "\""),
                                    "hold = \"10 ms\"", "hold = \"12 ms\"");  // the note stays clean by the hold
    EXPECT_EQ(fallen_ids(check_release(Prepared(text).subject)), "") << set;
  }
}
TEST(Release, TooShortForTheBandFallsAndWhatItProposesIsEnough) {
  const std::string short_text =
      edited(edited(kRig, "release = \"100 ms\"", "release = \"2 ms\""), "hold = \"10 ms\"", "hold = \"0 ms\"");
  const Prepared prepared(short_text);
  const auto fell = fallen(check_release(prepared.subject), "release");
  ASSERT_EQ(fell.size(), 1u);
  EXPECT_EQ(fell[0].output, "low");
  EXPECT_EQ(fell[0].unit, "%");
  EXPECT_GT(fell[0].measured, 10);
  const std::string line = "way.low.limit.release = ";
  const std::size_t at = fell[0].text.find(line);
  ASSERT_NE(at, std::string::npos) << fell[0].text;
  const std::string value =
      fell[0].text.substr(at + line.size(), fell[0].text.find(" ms\"", at) + 4 - at - line.size());
  EXPECT_EQ(fallen_ids(check_release(Prepared(edited(short_text, "\"2 ms\", hold = \"0 ms\", release = \"2 ms\"",
                                                     "\"2 ms\", release = " + value))
                                         .subject)),
            "")
      << value;
  EXPECT_THAT(fell[0].text, HasSubstr("way.low.limit.hold"));
}

}  // namespace
}  // namespace rackproof::proof::test
