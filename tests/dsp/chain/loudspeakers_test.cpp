// Must hold: unlike loudspeakers in one chain, each with its own source, gain, sections and split, are each what its
// settings say; the same bits at every width and in every cut; one alone has the bits that it has beside others; a
// muted output is exact zeros, and the others keep their bits.
#include <gtest/gtest.h>

#include <bit>
#include <cmath>
#include <vector>

#include "tests/dsp/chain/test_rig.hpp"

namespace {
using namespace rackproof::dsp;
using namespace rackproof::dsp::test;

constexpr Level kAllLevels[] = {Level::lanes_1, Level::lanes_4, Level::lanes_8, Level::lanes_16};
constexpr float kShares[] = {0.7f, 0.0f, -0.25f};

bool same_row(const std::vector<float>& a, const std::vector<float>& b) {
  return std::ranges::equal(
      a, b, [](float x, float y) { return std::bit_cast<std::uint32_t>(x) == std::bit_cast<std::uint32_t>(y); });
}

/// Three feeds: a three-way pair (and a half) with a mono sub, a fill of one way from a mix with gain and eq, a fill
/// from the mean with eq alone, one from a feed with gain alone, and a two-way one from a mix with neither.
struct Unlike : TestRig {
  explicit Unlike(bool with_limiters) : TestRig(3, 3, with_limiters) {
    LoudspeakerSettings fill;
    fill.source = kMixOfFeeds;
    fill.mix = kShares;
    fill.gain = 0.5f;
    fill.sections = eq(300, -5);
    add(fill);
    LoudspeakerSettings of_mean;
    of_mean.source = kMeanOfFeeds;
    of_mean.sections = eq(1200, 4);
    of_mean.points = points().first(1);
    add(of_mean);
    LoudspeakerSettings of_feed;
    of_feed.source = 2;
    of_feed.gain = 1.5f;
    add(of_feed);
    LoudspeakerSettings bare;
    bare.source = kMixOfFeeds;
    bare.mix = kShares;
    bare.points = points().last(1);
    add(bare);
  }
};

TEST(Loudspeakers, EachIsWhatItsSettingsSay) {
  const Unlike rig(false);
  const Signals in = programme(3, 20000, 48000);
  LentChain lent(rig.settings);
  ASSERT_EQ(lent.setup, Setup::ok);
  const Signals out = lent.run(in, 64);
  ASSERT_EQ(out.size(), 7u + 1 + 2 + 1 + 2);
  for (std::size_t o = 0; o < out.size(); ++o) {
    const auto expected = by_definition(rig, rig.settings.outputs[o], in);
    long double square = 0, power = 0;
    for (std::size_t n = 0; n < expected.size(); ++n) {
      square += (out[o][n] - expected[n]) * (out[o][n] - expected[n]);
      power += expected[n] * expected[n];
    }
    EXPECT_LT(static_cast<double>(10 * std::log10(2 * square / 20000)), -125) << "what the core promises; " << o;
    EXPECT_GT(static_cast<double>(10 * std::log10(2 * power / 20000)), -50) << "nothing came out of " << o;
  }
}

TEST(Loudspeakers, HaveTheSameBitsAtEveryLevelAndInEveryCut) {
  const Unlike rig(true);
  const Signals in = programme(3, 6000, 48000);
  const Signals expected = LentChain(rig.settings, Level::lanes_1).run(in, 6000);
  for (const Level level : kAllLevels) {
    if (!Chain::has(level)) continue;
    for (const std::size_t block : {1u, 7u, 64u, 100u}) {
      LentChain lent(rig.settings, level);
      ASSERT_EQ(lent.setup, Setup::ok);
      const Signals out = lent.run(in, block);
      for (std::size_t o = 0; o < out.size(); ++o)
        ASSERT_TRUE(same_row(out[o], expected[o]))
            << static_cast<int>(level) << " lanes, " << block << ", output " << o;
      ASSERT_TRUE(lent.fence_stands());
    }
  }
}

/// Outputs in the rows of feeds, of which several things are made: what is made of a feed is taken before it goes.
TEST(Loudspeakers, InTheRowsOfFeedsTheyHaveTheSameBits) {
  const Unlike rig(true);
  const Signals in = programme(3, 3000, 48000);
  for (const Level level : kAllLevels) {
    if (!Chain::has(level)) continue;
    const Signals expected = LentChain(rig.settings, level).run(in, 100);
    LentChain lent(rig.settings, level);
    Signals rows = in;
    rows.resize(lent.chain.outputs(), std::vector<float>(3000));
    for (std::size_t n = 0; n < 3000; n += 100) {
      const std::vector<const float*> from{&rows[0][n], &rows[1][n], &rows[2][n]};
      std::vector<float*> to;
      for (auto& row : rows) to.push_back(&row[n]);
      lent.chain.process(from, to, 100);
    }
    for (std::size_t o = 0; o < rows.size(); ++o)
      ASSERT_TRUE(same_row(rows[o], expected[o])) << static_cast<int>(level) << " lanes, output " << o;
  }
}

TEST(Loudspeakers, OneAloneHasTheBitsThatItHasBesideOthers) {
  const Unlike rig(true);
  const Signals in = programme(3, 4000, 48000);
  const Signals together = LentChain(rig.settings).run(in, 64);
  for (std::size_t l = 0; l < rig.settings.loudspeakers.size(); ++l) {
    std::vector<OutputSettings> own;
    std::vector<std::size_t> numbers;
    for (std::size_t o = 0; o < rig.settings.outputs.size(); ++o) {
      if (rig.settings.outputs[o].loudspeaker != l) continue;
      own.push_back(rig.settings.outputs[o]);
      own.back().loudspeaker = 0;
      numbers.push_back(o);
    }
    ASSERT_FALSE(own.empty());
    ChainSettings alone = rig.settings;
    alone.loudspeakers = rig.settings.loudspeakers.subspan(l, 1);
    alone.outputs = own;
    for (const Level level : kAllLevels) {
      if (!Chain::has(level)) continue;
      const Signals out = LentChain(alone, level).run(in, 64);
      for (std::size_t o = 0; o < out.size(); ++o)
        ASSERT_TRUE(same_row(out[o], together[numbers[o]])) << "loudspeaker " << l << ", output " << o;
    }
  }
}

TEST(Mute, IsExactZerosLeavesTheOthersAndGoesOnLimiting) {
  TestRig rig(2, 3, true);
  const Signals in = programme(2, 12800, 48000);
  const Signals heard = LentChain(rig.settings).run(in, 64);
  rig.outputs()[1].muted = true;
  for (const Level level : kAllLevels) {
    if (!Chain::has(level)) continue;
    LentChain lent(rig.settings, level), plain(rig.settings, level);
    const Signals muted = lent.run(in, 100);
    for (std::size_t o = 0; o < muted.size(); ++o)
      ASSERT_TRUE(same_row(muted[o], o == 1 ? std::vector<float>(in[0].size(), 0.0f) : heard[o])) << o;
    const Meter meter = lent.chain.take_meter(1);
    EXPECT_LT(meter.least_peak_gain, 1.0f);
    EXPECT_GT(meter.heat_mean_square, 0.0f);
    // Heard again in the middle, and muted once more: between the ramps it is what it would have been.
    Signals out(plain.chain.outputs(), std::vector<float>(in[0].size()));
    for (std::size_t n = 0; n < in[0].size(); n += 64) {
      if (n == 6400) plain.chain.mute(1, false);
      if (n == 9600) plain.chain.mute(1, true);
      plain.chain.mute(99, true);  // no such output: nothing
      const std::vector<const float*> from{&in[0][n], &in[1][n]};
      std::vector<float*> to;
      for (auto& row : out) to.push_back(&row[n]);
      plain.chain.process(from, to, 64);
    }
    for (std::size_t n = 0; n < in[0].size(); ++n) {
      ASSERT_LE(std::abs(out[1][n]), std::abs(heard[1][n])) << n;
      if (n < 6400 || n >= 9664) ASSERT_EQ(out[1][n], 0.0f) << n;
      if (n >= 6463 && n < 9600) ASSERT_EQ(out[1][n], heard[1][n]) << n;
    }
    ASSERT_TRUE(same_row(out[0], heard[0]));
    plain.chain.reset();
    const Signals again = plain.run(in, 64);
    ASSERT_TRUE(same_row(again[1], std::vector<float>(in[0].size(), 0.0f))) << "reset: as it was configured";
  }
  Chain idle;
  idle.mute(0, true);  // of nothing
}

}  // namespace
