// Must hold: the theorem of live_rig.hpp, and of dsp/chain/switch.hpp as this program uses it.
#include "harness/live/live_rig.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <memory>
#include <string>
#include <vector>

#include "dsp/chain/chain.hpp"
#include "tests/harness/live/played.hpp"
#include "tests/harness/refusal.hpp"

namespace rackproof::live {
namespace {

using rackproof::test::refusal_of;
using test::noise_rows;
using test::play;
using test::prime;
using test::replaced;
using test::Rows;
using test::tuning_of;
using test::two_way;

constexpr std::size_t kFeeds = 2, kOutputs = 4;

float ceiling_of(const Tuning& tuning, std::size_t output) {
  return tuning.compiled.settings().outputs[output].peak.ceiling;
}
float largest(const std::vector<float>& row, std::size_t from = 0) {
  float most = 0;
  for (std::size_t n = from; n < row.size(); ++n) most = std::max(most, std::fabs(row[n]));
  return most;
}

TEST(LiveRig, BeginsMutedThenIsTheChainBitForBitWhateverTheBlock) {
  const Rows loud = noise_rows(kFeeds, 48'000, 0.7f, 1);
  const Tuning tuning = tuning_of(two_way());
  dsp::Chain chain;
  std::vector<std::byte> memory(dsp::Chain::required_bytes(tuning.compiled.settings()));
  ASSERT_EQ(chain.configure(tuning.compiled.settings(), memory), dsp::Setup::ok);
  const Rows right = play(chain, loud, kOutputs, 48'000);
  for (const std::size_t block : {32u, 48u, 64u, 1000u, 1024u}) {
    LiveRig rig(tuning_of(two_way()));
    const Rows early = play(rig, noise_rows(kFeeds, 12'800, 0.7f, 2), kOutputs, 64);
    for (const std::vector<float>& row : early) ASSERT_EQ(largest(row), 0.0f) << "heard before it was primed";
    LiveRig quiet(tuning_of(two_way()));
    const std::size_t primed = prime(quiet, kFeeds, kOutputs);
    EXPECT_GE(primed, 24'000u) << "half a second";
    EXPECT_LE(primed, 48'000u);
    EXPECT_TRUE(play(quiet, loud, kOutputs, block) == right) << "blocks of " << block;
  }
}

TEST(LiveRig, RetunedFourHundredTimesUnderLoudNoiseNothingPassesTheCeilings) {
  // One output a way: half the time.
  const std::string high = replaced(two_way(), "[[way]]", "[[way]]\nfeeds = \"sum\""),
                    low = replaced(high, "below_clip = \"2 dB\"", "below_clip = \"9 dB\"");
  constexpr std::size_t kWays = 2;
  const std::array tunings{tuning_of(high), tuning_of(low)};
  LiveRig rig(tuning_of(high));
  prime(rig, kFeeds, kWays);
  // +18 dBFS: far above every ceiling, so that the limiters are at work all the time.
  const Rows noise = noise_rows(kFeeds, 64 * 97, 7.9f, 3);
  std::array<const float*, kFeeds> from{};
  std::array<std::vector<float>, kWays> out;
  std::array<float*, kWays> to{};
  for (std::size_t o = 0; o < kWays; ++o) {
    out[o].resize(64);
    to[o] = out[o].data();
  }
  std::size_t above_greater = 0, above_lower = 0, retunes = 0, at = 0;
  double hottest = 0;
  std::array<float, kWays> most_under_low{}, most{};
  while (retunes < 400) {
    const bool to_low = retunes % 2 == 0;
    rig.retune(tuning_of(to_low ? low : high));
    const std::uint64_t before = rig.retunes();
    for (std::size_t since = 0; rig.retunes() == before || since % 640 != 0; since += 64) {
      for (std::size_t f = 0; f < kFeeds; ++f) from[f] = &noise[f][at];
      at = (at + 64) % noise[0].size();
      rig.process(from, to, 64);
      rig.proceed();
      for (std::size_t o = 0; o < kWays; ++o) {
        const float now = largest(out[o]), greater = ceiling_of(tunings[0], o), lower = ceiling_of(tunings[1], o);
        most[o] = std::max(most[o], now);
        above_greater += now > greater;
        // The offer is taken up at the next point of the grid, which is this block's first frame.
        if (to_low && since >= 256) {
          above_lower += now > lower;
          most_under_low[o] = std::max(most_under_low[o], now);
        }
      }
    }
    for (const OutputReading& output : rig.readings().read().outputs)
      if (output.heat) hottest = std::max(hottest, *output.heat);
    ++retunes;
  }
  EXPECT_EQ(above_greater, 0u);
  EXPECT_EQ(above_lower, 0u);
  EXPECT_LE(hottest, 1.01) << "the theorem of the power limiter: 1 % at most";
  EXPECT_GT(hottest, 0.9) << "the test heats the coils";
  for (std::size_t o = 0; o < kWays; ++o) {  // the ceilings are reached: the test is loud enough to find an excess
    EXPECT_GT(most[o], 0.99f * ceiling_of(tunings[0], o));
    EXPECT_GT(most_under_low[o], 0.5f * ceiling_of(tunings[1], o));
    EXPECT_GT(ceiling_of(tunings[0], o), 2.0f * ceiling_of(tunings[1], o));
  }
}

TEST(LiveRig, WhatCannotBeFadedToIsRefusedInWordsAndTheRigGoesOn) {
  LiveRig rig(tuning_of(two_way()));
  prime(rig, kFeeds, kOutputs);
  const std::vector<std::pair<std::string, std::string>> changes{
      {"sample_rate = \"48 kHz\"", "sample_rate = \"96 kHz\""},
      {"left = 1\nright = 2", "port = 1\nright = 2"},
      {"name = \"high\"", "name = \"top\""}};
  const std::vector<std::string> words{"96000 Hz", "port, right", "top.left"};
  for (std::size_t i = 0; i < changes.size(); ++i) {
    const std::string said =
        refusal_of([&] { rig.retune(tuning_of(replaced(two_way(), changes[i].first, changes[i].second))); });
    EXPECT_NE(said.find("rig.toml"), said.npos) << said;
    EXPECT_NE(said.find(words[i]), said.npos) << said;
    EXPECT_NE(said.find("stop and start again"), said.npos) << said;
    EXPECT_FALSE(rig.changing());
  }
  EXPECT_EQ(rig.heard().compiled.outputs[2].name, "high.left");
}

TEST(LiveRig, ALimitThatIsGoneFromTheFileIsNotTakenAway) {
  LiveRig rig(tuning_of(two_way()));
  prime(rig, kFeeds, kOutputs);
  for (const auto& [line, what] :
       {std::pair("limit = { below_clip = \"2 dB\", look_ahead = \"1 ms\", hold = \"2 ms\", release = \"80 ms\" }",
                  "`limit`"),
        std::pair("thermal = { below_rating = \"2 dB\" }", "`thermal`")}) {
    const std::string gone = replaced(two_way(), line, "");
    const std::string said = refusal_of([&] { rig.retune(tuning_of(gone)); });
    EXPECT_NE(said.find("way high has no " + std::string(what)), said.npos) << said;
    EXPECT_FALSE(rig.changing());
    LiveRig without(tuning_of(gone));  // and comes back
    without.retune(tuning_of(two_way()));
  }
}

TEST(LiveRig, OfSeveralWishesTheLatestIsHeardLast) {
  LiveRig rig(tuning_of(two_way()));
  prime(rig, kFeeds, kOutputs);
  for (const char* gain : {"-7 dB", "-8 dB", "-9 dB"})
    rig.retune(tuning_of(replaced(two_way(), "gain = \"-6 dB\"", std::string("gain = \"") + gain + "\"")));
  const Rows silence(kFeeds, std::vector<float>(64));
  std::size_t done = 0;
  for (std::size_t block = 0; block < 3000 && rig.changing(); ++block) {
    play(rig, silence, kOutputs, 64);
    done += rig.proceed();
  }
  EXPECT_EQ(done, 2u) << "the first, and of the two that came meanwhile the last";
  EXPECT_EQ(rig.retunes(), 2u);
  EXPECT_EQ(rig.heard().rig.system_gain_db, -9);
}

TEST(LiveRig, MutesOneOrAll) {
  LiveRig rig(tuning_of(two_way()));
  prime(rig, kFeeds, kOutputs);
  const Rows noise = noise_rows(kFeeds, 6400, 0.5f, 4);
  const auto heard = [&] {
    std::string which;
    for (const std::vector<float>& row : play(rig, noise, kOutputs, 64)) which += largest(row, 128) > 0 ? 'x' : '.';
    return which;
  };
  EXPECT_EQ(heard(), "xxxx");
  ASSERT_EQ(rig.output_called("high.left"), 2u);
  EXPECT_EQ(rig.output_called("high"), std::nullopt);
  rig.mute(2, true);
  EXPECT_EQ(heard(), "xx.x");
  rig.mute(std::nullopt, true);
  EXPECT_EQ(heard(), "....");
  rig.mute(0, false);
  EXPECT_EQ(heard(), "x...");
  EXPECT_TRUE(rig.readings().read().outputs[1].muted);
  EXPECT_FALSE(rig.readings().read().outputs[0].muted);
  rig.mute(std::nullopt, false);
  EXPECT_EQ(heard(), "xxxx");
}

TEST(LiveRig, ReadingsAreVoltsAtTheTerminals) {
  LiveRig rig(tuned(rig::parse_rig(two_way(), "rig.toml"), std::nullopt, Bypass::all));
  prime(rig, kFeeds, kOutputs);
  Rows tone(kFeeds, std::vector<float>(16'000));
  for (std::size_t n = 0; n < 16'000; ++n) tone[0][n] = n % 2 == 0 ? 0.25f : -0.25f;
  tone[1][100] = NAN;
  tone[1][101] = 0.5f;
  play(rig, tone, kOutputs, 64);
  Reading reading = rig.readings().read();
  const OutputPlan& plan = rig.heard().compiled.outputs[0];
  EXPECT_FLOAT_EQ(static_cast<float>(reading.outputs[0].peak_volts),
                  static_cast<float>(0.25 * plan.full_scale_volts_peak));
  // A square wave's RMS is its peak; squares are added in single precision.
  EXPECT_NEAR(reading.outputs[0].rms_volts / reading.outputs[0].peak_volts, 1.0, 1e-5);
  EXPECT_FALSE(reading.outputs[0].limited) << "bypassed: no sample is held below anything";
  EXPECT_EQ(reading.signals.bad_samples, 1u);
  EXPECT_EQ(reading.feeds[1].bad_samples, 1u);
  EXPECT_EQ(reading.feeds[0].bad_samples, 0u);
  EXPECT_NEAR(reading.feeds[0].peak_dbfs.value(), 20 * std::log10(0.25), 1e-6);
  EXPECT_FALSE(reading.outputs[0].heat) << "bypassed: no power limiter";
  // 0.5 was seen 15 900 frames ago: it was held for kHold publications of 1600 frames, and is gone now.
  EXPECT_EQ(reading.feeds[1].peak_dbfs, std::nullopt);
  tone[1].assign(1600, 0.0f);
  tone[0].assign(1600, 0.0f);
  for (std::uint32_t publication = 0; publication < kHold; ++publication) {
    EXPECT_TRUE(rig.readings().read().feeds[0].peak_dbfs) << publication;
    play(rig, tone, kOutputs, 64);
  }
  play(rig, tone, kOutputs, 64);
  EXPECT_FALSE(rig.readings().read().feeds[0].peak_dbfs);
}

TEST(LiveRig, AnOutputThatIsCalledLikeAFeedIsRefused) {
  const std::string text =
      replaced(replaced(two_way(), "name = \"low\"", "name = \"left\"\nfeeds = \"sum\""), "xx", "");
  const std::string said = refusal_of([&] { LiveRig rig(tuning_of(text)); });
  EXPECT_NE(said.find("the output left is called like a feed"), said.npos) << said;
}

}  // namespace
}  // namespace rackproof::live
