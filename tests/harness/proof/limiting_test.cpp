// Must hold: limit-onset, transparent-below, release and limiter-tone say what the limiter does, to the tolerance that
// they state; a limiter that is off by a little more falls, one that is off by a little less holds.
#include <gmock/gmock.h>

#include <cmath>
#include <cstdlib>

#include "proof_rig.hpp"

namespace rackproof::proof::test {
namespace {

using testing::HasSubstr;

float db(double value) { return static_cast<float>(std::pow(10, value / 20)); }
DeviceMaker ceiling_off_by(double decibels) {
  return altering([=](dsp::OutputSettings& o) { o.peak.ceiling *= db(decibels); });
}
/// What lies below zero is smaller by a share of itself: even harmonics, the second the strongest.
DeviceMaker lopsided(double share) {
  return mapping([less = static_cast<float>(1 - share)](float x) { return x < 0 ? less * x : x; });
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
// The low way's band lies below 0.3 of the rate: 0.1 dB late, and 0.05 more early, for what the detector may read high.
TEST(LimitOnset, BothSidesAreBracketed) {
  const auto judge = [](double off_db) {
    Prepared prepared(kRig, ceiling_off_by(off_db));
    prepared.subject.brief = true;  // one sine in the band, which swells by 4 dB a second
    return check_limit_onset(prepared.subject).at(0);
  };
  for (const auto& [spoilt_db, allowed_db] : {std::pair(0.3, 0.1), std::pair(-0.3, -0.15)}) {
    const Turn turn = turn_of(0, spoilt_db, judge);
    // From crest to crest of some 300 Hz by 0.013 dB.
    EXPECT_NEAR(turn.falls.measured, allowed_db, 0.015);
    EXPECT_NEAR(turn.falls.allowed, allowed_db, 1e-9);
    EXPECT_NEAR(turn.holds.measured, allowed_db, 0.015);
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
        if (!done) {
          rows[1][40] = std::nextafter(rows[1][40], 1.0f);
          done = true;
        }
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
TEST(Release, TenPercentAreBracketedOnBothSides) {
  const auto fallen_at = [](double factor) {
    const Prepared prepared(kRig, release_off_by(factor));
    return fallen(check_release(prepared.subject), "release").size();
  };
  for (const double factor : {0.905, 1.095}) EXPECT_EQ(fallen_at(factor), 0u) << factor;
  for (const double factor : {0.895, 1.105}) EXPECT_EQ(fallen_at(factor), 3u) << factor;
}
// The release is read from values above zero, which this fault leaves alone; the low note's harmonics grow with it.
TEST(Release, TenPercentOfHarmonicsAreBracketed) {
  const Turn turn =
      turn_of(0, 0.8, [](double share) { return check_release(Prepared(kRig, lopsided(share)).subject).at(0); });
  EXPECT_EQ(turn.falls.unit, "%");
  EXPECT_EQ(turn.falls.allowed, 10);
  EXPECT_NEAR(turn.falls.measured, 10, 0.1);  // a hair is 0.3 % of the lower half
  const std::size_t at = turn.holds.text.find("gets ");
  ASSERT_NE(at, std::string::npos) << turn.holds.text;
  EXPECT_NEAR(std::atof(turn.holds.text.c_str() + at + 5), 10, 0.1);
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
TEST(LimiterTone, OfASoundRigHoldsForEveryLimiter) {
  const auto findings = check_limiter_tone(Prepared(kRig).subject);
  ASSERT_EQ(findings.size(), 3u);
  for (const Finding& f : findings) {
    EXPECT_TRUE(f.holds) << f.text;
    EXPECT_LT(f.measured, -25);
    EXPECT_GT(f.measured, -120) << "a limiter that holds 6 dB leaves something";
  }
}
TEST(LimiterTone, TwentyFiveDecibelsAreBracketed) {
  const Turn turn =
      turn_of(0, 0.8, [](double share) { return check_limiter_tone(Prepared(kRig, lopsided(share)).subject).at(0); });
  EXPECT_NEAR(turn.falls.measured, -25, 0.3);  // a hair is 0.2 % of the lower half, of less than 10 %
  EXPECT_NEAR(turn.holds.measured, -25, 0.3);
  EXPECT_EQ(turn.falls.allowed, -25);
}
// A gain that follows the wave itself is the file's business, and what the check proposes is enough.
TEST(LimiterTone, AHurriedLimiterFallsByItsKeyAndTheChangeMendsIt) {
  const std::string slow = "hold = \"10 ms\", release = \"100 ms\"", hurried = "hold = \"0 ms\", release = \"1 ms\"";
  const std::string text = edited(kRig, slow, hurried);
  const auto fell = fallen(check_limiter_tone(Prepared(text).subject), "limiter-tone");
  ASSERT_EQ(fell.size(), 1u);
  EXPECT_EQ(fell[0].output, "low");
  EXPECT_THAT(fell[0].text, testing::Not(HasSubstr("this build")));
  ASSERT_TRUE(fell[0].change.has_value());
  ASSERT_EQ(fell[0].change->key, "way.low.limit.release");
  const std::string mended = edited(text, hurried, "hold = \"0 ms\", release = " + fell[0].change->value);
  EXPECT_EQ(fallen_ids(check_limiter_tone(Prepared(mended).subject)), "") << fell[0].change->value;
}

}  // namespace
}  // namespace rackproof::proof::test
