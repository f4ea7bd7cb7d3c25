// Must hold: what is advised follows from what is held, each threshold on both sides; and a rig that does as it was told
// is held so no longer.
#include "harness/proof/advice.hpp"

#include <gmock/gmock.h>
#include <sndfile.h>

#include <cmath>
#include <numbers>

#include "harness/proof/checks/checks.hpp"
#include "harness/proof/stimulation.hpp"
#include "proof_rig.hpp"
#include "tests/harness/scratch.hpp"

namespace rackproof::proof::test {
namespace {

using rackproof::test::Scratch;
using testing::ElementsAre;
using testing::HasSubstr;
using testing::IsEmpty;

analysis::Held held(double p95_db) {
  return {.mean_db = p95_db / 2, .p95_db = p95_db, .greatest_db = p95_db + 1, .over_1_db = 0.2, .over_3_db = 0.1};
}
Holding peak_holds(double p95_db, double rms_volts = 5) { return {held(p95_db), {}, held(p95_db), rms_volts}; }
Holding power_holds(double p95_db) { return {{}, held(p95_db), held(p95_db), 40}; }

std::vector<Advice> advised(const std::string& rig, const std::vector<Holding>& holdings) {
  const Prepared prepared(rig);
  return advice_of(prepared.rig, prepared.compiled, holdings);
}
std::vector<std::string> codes(const std::vector<Advice>& advice) {
  std::vector<std::string> list;
  for (const Advice& one : advice) list.push_back(one.code);
  return list;
}
const Advice& of(const std::vector<Advice>& advice, const std::string& code) {
  for (const Advice& one : advice)
    if (one.code == code) return one;
  throw std::logic_error("not advised: " + code);
}

/// The low's amplifier clips at 105.8 V peak and its limit stands 2 dB below, at 84.1 V.
std::string with_low_peak(const char* watts) {
  return edited(kRig, "continuous_power = \"350 W\"",
                std::string("continuous_power = \"350 W\"\npeak_power = ") + watts);
}

// kRig's outputs: low, high.left, high.right.
TEST(Advice, BeginsWhereMoreThanOneDecibelIsHeldForMoreThanATwentiethOfTheTime) {
  EXPECT_THAT(advised(kRig, {peak_holds(0.99), {}, {}}), IsEmpty());
  const std::vector<Advice> advice = advised(kRig, {peak_holds(1.01), {}, {}});
  EXPECT_THAT(codes(advice), ElementsAre("feed-down", "larger-amplifier"));
  EXPECT_EQ(advice[0].decibels, 1);
  EXPECT_THAT(advice[0].outputs, ElementsAre("low"));
}
TEST(Advice, TheFeedGoesDownByWhatTheWorstOutputIsHeldInWholeDecibels) {
  const std::vector<Advice> advice = advised(kRig, {peak_holds(2.2), peak_holds(7.3), peak_holds(0.5)});
  const Advice& down = of(advice, "feed-down");
  EXPECT_EQ(down.decibels, 8);
  EXPECT_THAT(down.outputs, ElementsAre("low", "high.left"));
  EXPECT_THAT(down.text, HasSubstr("Turn the feeds left and right down 8 dB"));  // the sum hears both
  EXPECT_THAT(of(advised(kRig, {{}, peak_holds(7.01), {}}), "feed-down").text,
              HasSubstr("Turn the feed left down 7 dB"));  // the histogram's own error asks for nothing
}
TEST(Advice, ALargerAmplifierAsFarAsTheDriverTakesIt) {
  // sqrt(1400 W x 8 ohm) = 105.8 V peak: 2 dB over the limit.
  const std::string rig = with_low_peak("\"1400 W\"");
  EXPECT_EQ(of(advised(rig, {peak_holds(1.4), {}, {}}), "larger-amplifier").decibels, 2);
  const Advice part = of(advised(rig, {peak_holds(5), {}, {}}), "larger-amplifier");
  EXPECT_EQ(part.decibels, 2);
  EXPECT_THAT(part.text, HasSubstr("1109 W into 8 ohm in place of 700 W"));  // 2 dB more
  EXPECT_THAT(part.text, HasSubstr("Driver cone takes no more than that"));
  // 1.1 dB of room, and 0.9.
  EXPECT_EQ(of(advised(with_low_peak("\"1138 W\""), {peak_holds(5), {}, {}}), "larger-amplifier").decibels, 1);
  EXPECT_THAT(codes(advised(with_low_peak("\"1087 W\""), {peak_holds(5), {}, {}})),
              ElementsAre("feed-down", "stronger-drivers", "limits-agree"));
  // What its sheet does not say nobody knows.
  const Advice unknown = of(advised(kRig, {peak_holds(5), {}, {}}), "larger-amplifier");
  EXPECT_FALSE(unknown.decibels);
  EXPECT_THAT(unknown.text, HasSubstr("driver.cone.peak_power"));
}
TEST(Advice, NoLargerAmplifierWhereTheDriverSetsTheLimitOrIsHotAlready) {
  EXPECT_THAT(codes(advised(with_low_peak("\"800 W\""), {peak_holds(2), {}, {}})),
              ElementsAre("feed-down", "stronger-drivers"));
  EXPECT_THAT(codes(advised(with_low_peak("\"1400 W\""), {power_holds(2), {}, {}})),
              ElementsAre("feed-down", "stronger-drivers"));
  // The power limit is 47.2 V RMS. Held by 1 dB on average, 42 V become 47.1 V at most, and 43 V would pass it.
  EXPECT_THAT(codes(advised(with_low_peak("\"1400 W\""), {peak_holds(2, 42), {}, {}})),
              ElementsAre("feed-down", "larger-amplifier"));
  EXPECT_THAT(codes(advised(with_low_peak("\"1400 W\""), {peak_holds(2, 43), {}, {}})),
              ElementsAre("feed-down", "stronger-drivers"));
}
TEST(Advice, MoreGainWhereTheConverterSetsTheLimit) {
  // 0 dBFS is 0.775 V RMS, 43.6 V peak behind 32 dB; 2 dB below clip are 84.1 V: 5.7 dB more.
  const std::string rig =
      edited(with_low_peak("\"1400 W\""), "output_full_scale = \"+18 dBu\"", "output_full_scale = \"0 dBu\"");
  const Advice gain = of(advised(rig, {peak_holds(9), {}, {}}), "more-gain");
  EXPECT_EQ(gain.decibels, 5);
  EXPECT_THAT(gain.text, HasSubstr("amplifier.lows.gain"));
  EXPECT_EQ(of(advised(rig, {peak_holds(2.5), {}, {}}), "more-gain").decibels, 3);
}
TEST(Advice, WaysThatAreHeldUnlikeOneAnotherShouldAgree) {
  EXPECT_THAT(codes(advised(kRig, {peak_holds(2.9), {}, {}})), testing::Not(testing::Contains("limits-agree")));
  const Advice agree = of(advised(kRig, {peak_holds(1), peak_holds(4.1), {}}), "limits-agree");
  EXPECT_THAT(agree.outputs, ElementsAre("high.left", "low"));
  EXPECT_NEAR(*agree.decibels, 3.1, 1e-9);
  EXPECT_THAT(agree.text, HasSubstr("towards the lows"));
  EXPECT_THAT(agree.text, HasSubstr("way.low.limit.below_clip"));
  EXPECT_THAT(of(advised(kRig, {peak_holds(4.1), {}, {}}), "limits-agree").text, HasSubstr("towards the highs"));
}

// ---- what is told helps -------------------------------------------------------------------------------------------

/// 400 Hz into the low way alone, `over_db` above its limit.
class Followed : public testing::Test {
 protected:
  Recording record_at(const std::string& rig, double over_db, double feed_db = 0) {
    const Prepared prepared(rig);
    const double hz = 400;
    if (amplitude_ == 0)
      amplitude_ = prepared.compiled.outputs[0].limit_volts_peak / prepared.compiled.outputs[0].full_scale_volts_peak /
                   gain_at(prepared.subject, 0, hz);
    const double level = amplitude_ * std::pow(10, (over_db + feed_db) / 20);
    SF_INFO info{};
    info.samplerate = 48000;
    info.channels = 2;
    info.format = SF_FORMAT_WAV | SF_FORMAT_FLOAT;
    const auto file = scratch_ / "tone.wav";
    SNDFILE* const out = sf_open(file.c_str(), SFM_WRITE, &info);
    std::vector<float> samples;
    for (int n = 0; n < 2 * 48000; ++n) {
      const double swell = std::min(1.0, n / 4800.0);  // filters that are struck ring beyond the tone's own crest
      const double sample = level * swell * std::sin(2 * std::numbers::pi * hz * n / 48000);
      samples.insert(samples.end(), 2, static_cast<float>(sample));
    }
    sf_writef_float(out, samples.data(), 2 * 48000);
    sf_close(out);
    return record(prepared.subject, file);
  }
  Scratch scratch_;
  double amplitude_ = 0;
};
/// No power limiter, and a driver that takes 170 V peak: only the peak limiter is at work.
std::string without_heat() {
  std::string rig =
      edited(kRig, "continuous_power = \"350 W\"", "continuous_power = \"3500 W\"\npeak_power = \"3600 W\"");
  return edited(rig, "thermal = { below_rating = \"1 dB\" }\n", "");
}
TEST_F(Followed, TheFeedTurnedDownLeavesTheLimitersAtRest) {
  const Recording hot = record_at(without_heat(), 5.4);
  EXPECT_NEAR(hot.tracks[0].peak_held.p95_db, 5.4, 0.05);
  const double down_db = *of(hot.advice, "feed-down").decibels;
  EXPECT_EQ(down_db, 6);
  const Recording turned = record_at(without_heat(), 5.4, -down_db);
  EXPECT_LT(turned.tracks[0].held.p95_db, 0.05);
  EXPECT_THAT(turned.advice, IsEmpty());
  EXPECT_THAT(codes(record_at(without_heat(), 5.4, -4.0).advice), testing::Contains("feed-down")) << "not enough";
}
TEST_F(Followed, TheLargerAmplifierPassesWhatWasHeld) {
  const Recording hot = record_at(without_heat(), 2.6);
  EXPECT_EQ(of(hot.advice, "larger-amplifier").decibels, 3);
  // 3 dB: twice the power, all but a trifle.
  const Recording larger = record_at(edited(without_heat(), "power = \"700 W\"", "power = \"1397 W\""), 2.6);
  EXPECT_LT(larger.tracks[0].held.p95_db, 0.05);
  EXPECT_THAT(larger.advice, IsEmpty());
}

}  // namespace
}  // namespace rackproof::proof::test
