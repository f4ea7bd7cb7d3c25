// Must hold: the theorem at the top of chain.hpp.
#include "dsp/chain/chain.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <atomic>
#include <bit>
#include <cmath>
#include <limits>
#include <thread>

#include "dsp/blocks/peak_limiter.hpp"
#include "tests/dsp/chain/test_rig.hpp"

namespace {
using namespace rackproof::dsp;
using namespace rackproof::dsp::test;
static_assert(noexcept(std::declval<Chain&>().process({}, {}, 0)));

constexpr Level kLevels[] = {Level::lanes_1, Level::lanes_4, Level::lanes_8, Level::lanes_16};

std::vector<std::vector<std::uint32_t>> bits(const Signals& signals) {
  std::vector<std::vector<std::uint32_t>> result;
  for (const auto& s : signals) {
    result.emplace_back();
    for (const float x : s) result.back().push_back(std::bit_cast<std::uint32_t>(x));
  }
  return result;
}

struct Shape {
  std::size_t feeds, ways;
};
class EveryRig : public testing::TestWithParam<Shape> {};
INSTANTIATE_TEST_SUITE_P(, EveryRig, testing::Values(Shape{1, 1}, Shape{2, 2}, Shape{2, 3}, Shape{3, 4}, Shape{16, 4}));

TEST_P(EveryRig, SameBitsAtEveryLevelAndInEveryCut) {
  const auto [feeds, ways] = GetParam();
  const TestRig rig(feeds, ways, true);
  const Signals in = programme(feeds, 12000, 48000);
  LentChain reference(rig.settings, Level::lanes_1);
  ASSERT_EQ(reference.setup, Setup::ok);
  const auto expected = bits(reference.run(in, 12000));
  std::size_t levels = 0;
  for (const Level level : kLevels) {
    if (!Chain::has(level)) continue;
    ++levels;
    for (const std::size_t block : {1u, 7u, 64u, 100u, 12000u}) {
      LentChain lent(rig.settings, level);
      ASSERT_EQ(lent.setup, Setup::ok);
      ASSERT_EQ(bits(lent.run(in, block)), expected) << static_cast<int>(level) << " lanes, blocks of " << block;
      ASSERT_TRUE(lent.fence_stands());
    }
  }
  EXPECT_GE(levels, 1u);
}

/// About -578 dBFS, where the first section of a path takes what comes for silence and the others go
/// on: found by fuzzing, in the tree of one lane.
TEST_P(EveryRig, WhatIsNearSilenceHasTheSameBitsAtEveryLevelToo) {
  const auto [feeds, ways] = GetParam();
  const TestRig rig(feeds, ways, false);
  Signals in(feeds, std::vector<float>(2000));
  std::mt19937 rng(5);
  for (std::size_t n = 0; n < 2000; ++n) {
    static constexpr std::array kSizes{1e-27, 1e-28, 1e-29, 1e-31};
    for (auto& row : in) row[n] = static_cast<float>(uniform(rng) * kSizes[n / 150 % kSizes.size()]);
  }
  LentChain reference(rig.settings, Level::lanes_1);
  const Signals out = reference.run(in, 2000);
  std::size_t near = 0;
  for (const auto& row : out)
    near +=
        static_cast<std::size_t>(std::ranges::count_if(row, [](float y) { return y != 0 && std::abs(y) < 1e-20f; }));
  EXPECT_GT(near, 100u);
  for (const Level level : kLevels) {
    if (!Chain::has(level)) continue;
    LentChain lent(rig.settings, level);
    ASSERT_EQ(bits(lent.run(in, 100)), bits(out)) << static_cast<int>(level) << " lanes";
  }
}

TEST_P(EveryRig, NoOutputPassesItsCeiling) {
  const auto [feeds, ways] = GetParam();
  const TestRig rig(feeds, ways, true);
  Signals in = programme(feeds, 30000, 48000);
  for (auto& feed : in)
    for (float& x : feed) x *= 30;
  LentChain lent(rig.settings);
  for (const auto& out : lent.run(in, 64)) {
    const auto [least, most] = std::ranges::minmax(out);
    EXPECT_LE(most, 0.2f);
    EXPECT_GE(least, -0.2f);
    EXPECT_GT(most, 0.15f);  // and the ceiling is used: the programme is far above it
  }
}

// -125 dBFS is what the core promises; the programme peaks at twice full scale, as a mixer's hot output may.
TEST_P(EveryRig, LinearPathIsWhatTheSettingsSay) {
  const auto [feeds, ways] = GetParam();
  for (const double rate : {44100.0, 48000.0, 192000.0}) {
    const TestRig rig(feeds, ways, false, rate);
    const Signals in = programme(feeds, 20000, rate);
    LentChain lent(rig.settings);
    ASSERT_EQ(lent.setup, Setup::ok);
    const Signals out = lent.run(in, 64);
    const std::size_t step = out.size() > 8 ? 7 : 1;  // of many outputs, some of every way
    for (std::size_t o = 0; o < out.size(); o += step) {
      const auto expected = by_definition(rig, rig.settings.outputs[o], in);
      long double square = 0, power = 0;
      for (std::size_t n = 0; n < expected.size(); ++n) {
        square += (out[o][n] - expected[n]) * (out[o][n] - expected[n]);
        power += expected[n] * expected[n];
      }
      EXPECT_LT(static_cast<double>(10 * std::log10(2 * square / 20000)), -125) << "output " << o << " at " << rate;
      EXPECT_GT(static_cast<double>(10 * std::log10(2 * power / 20000)), -50) << "nothing came out";
    }
  }
}

/// Wider lanes hold the sections of few channels in rows, and where rows lie differs with both numbers: all of them,
/// through two and more passes, in blocks shorter than a wavefront is, in blocks that are not, and over several cells.
TEST(Chain, EveryNumberOfChannelsAndOfSectionsHasTheSameBitsAtEveryLevel) {
  std::vector<Section> sections;
  for (int k = 0; k < 45; ++k) {
    const EqSettings band{EqType::peaking, 50 * std::pow(1.14, k), k % 2 == 0 ? -5.0 : 5.0, EqWidth::q, 1.4};
    ASSERT_TRUE(design(band, 48000, sections.emplace_back()));
  }
  std::size_t compared = 0;
  for (std::size_t channels = 1; channels <= kMaxFeeds; ++channels) {
    const Signals in = programme(channels, 260, 48000);
    for (std::size_t longest = 0; longest <= sections.size(); longest += longest < 14 ? 1 : 3) {
      std::vector<FeedSettings> feeds(channels);
      std::vector<OutputSettings> outputs(channels);
      for (std::size_t c = 0; c < channels; ++c) {
        feeds[c].sections = std::span(sections).first(longest - std::min(longest, c % 3));
        outputs[c].peak.true_peak = false;
      }
      std::uint8_t next = 0;
      for (OutputSettings& output : outputs) output.loudspeaker = next++;
      const std::vector<LoudspeakerSettings> loudspeakers = one_a_feed(channels);
      ChainSettings settings;
      settings.feeds = feeds;
      settings.loudspeakers = loudspeakers;
      settings.outputs = outputs;
      LentChain alone(settings, Level::lanes_1);
      const auto expected = bits(alone.run(in, 260));
      for (const Level level : kLevels) {
        if (level == Level::lanes_1 || !Chain::has(level)) continue;
        for (const std::size_t block : {3u, 64u, 260u}) {
          if (block == 260u && channels > 3) continue;  // only the rows of few channels go over the grid
          LentChain lent(settings, level);
          ASSERT_EQ(lent.setup, Setup::ok);
          ASSERT_EQ(bits(lent.run(in, block)), expected) << channels << " channels, " << longest << " sections, "
                                                         << static_cast<int>(level) << " lanes, blocks of " << block;
          ++compared;
        }
      }
    }
  }
  EXPECT_GE(compared, 16u * 25 * 2) << "this machine has one lane only";
}

/// Three of the outputs take the rows of the feeds, and not each that of its own feed.
TEST(Chain, OutputsInTheRowsOfFeedsHaveTheSameBits) {
  const TestRig rig(3, 4, true);
  ASSERT_GT(rig.settings.outputs.size(), rig.settings.feeds.size());
  const Signals in = programme(3, 3000, 48000);
  for (const Level level : kLevels) {
    if (!Chain::has(level)) continue;
    LentChain apart(rig.settings, level), lent(rig.settings, level);
    Signals rows = in;
    rows.resize(lent.chain.outputs(), std::vector<float>(3000));
    for (std::size_t n = 0; n < 3000; n += 100) {
      const std::array<const float*, 3> from{&rows[0][n], &rows[1][n], &rows[2][n]};
      std::vector<float*> to;
      for (auto& row : rows) to.push_back(&row[n]);
      std::ranges::reverse(to);
      lent.chain.process(from, to, 100);
    }
    std::ranges::reverse(rows);
    ASSERT_EQ(bits(rows), bits(apart.run(in, 100))) << static_cast<int>(level) << " lanes";
  }
}

/// Alone in the row of its feed an output needs no copy of it; beside others of the same source, or where something may
/// not enter, it does.
TEST(Chain, AnOutputInTheRowOfItsOwnFeedHasTheSameBits) {
  Signals in = programme(3, 3000, 48000);
  in[0][700] = std::numeric_limits<float>::quiet_NaN();
  in[1][1500] = -1e9f;
  in[1][1564] = std::numeric_limits<float>::infinity();
  const TestRig two_ways(3, 2, true);
  for (const int besides : {0, 1, 2}) {
    SCOPED_TRACE(besides == 0 ? "alone" : besides == 1 ? "beside others of a feed" : "and of the mean");
    for (const std::size_t points : {0u, 1u}) {
      std::vector<LoudspeakerSettings> loudspeakers = one_a_feed(3);
      loudspeakers.emplace_back().source = kMeanOfFeeds;
      for (LoudspeakerSettings& one : loudspeakers) one.points = two_ways.points().first(points);
      std::vector<OutputSettings> outputs;
      for (const std::uint8_t source : {2, 0, 1}) {
        outputs.push_back(two_ways.settings.outputs[source]);
        outputs.back().loudspeaker = source;
        outputs.back().way = static_cast<std::uint8_t>(points);
      }
      if (besides > 0) outputs.resize(3 + 16, outputs[0]);  // the last in other lanes than the first, at any level
      if (besides == 2) outputs.back().loudspeaker = 3;
      ChainSettings settings = two_ways.settings;
      settings.loudspeakers = loudspeakers;
      settings.outputs = outputs;
      for (const Level level : kLevels) {
        if (!Chain::has(level)) continue;
        LentChain apart(settings, level), lent(settings, level);
        const Signals expected = apart.run(in, 100);
        EXPECT_EQ(apart.chain.bad_samples(), 2u);
        EXPECT_EQ(apart.chain.bounded_samples(), 1u);
        Signals rows = in;
        rows.resize(outputs.size(), std::vector<float>(3000));
        std::swap(rows[0], rows[2]), std::swap(rows[1], rows[2]);  // as the outputs lie: feeds 2, 0 and 1
        for (std::size_t n = 0; n < 3000; n += 100) {
          const std::array<const float*, 3> from{&rows[1][n], &rows[2][n], &rows[0][n]};
          std::vector<float*> to;
          for (auto& row : rows) to.push_back(&row[n]);
          lent.chain.process(from, to, 100);
        }
        ASSERT_EQ(bits(rows), bits(expected)) << static_cast<int>(level) << " lanes, " << points << " points";
        EXPECT_EQ(lent.chain.bad_samples(), 2u);
        EXPECT_EQ(lent.chain.bounded_samples(), 1u);
      }
    }
  }
}

/// Wider lanes hold limiters of several shapes: more of them than one limiter takes, both kinds of peak, among outputs
/// that do not limit at all.
TEST(Chain, LimitersOfManyShapesHaveTheSameBitsAtEveryLevel) {
  const std::vector<FeedSettings> feeds(2);
  std::vector<OutputSettings> outputs(20);
  for (std::size_t o = 0; o < outputs.size(); ++o) {
    OutputSettings& out = outputs[o];
    out.loudspeaker = o % 2;
    out.peak.look_ahead_samples = static_cast<std::uint32_t>(o % 6 * 37);
    out.peak.hold_samples = static_cast<std::uint32_t>(o % 4 * 50);
    out.peak.true_peak = o % 5 == 3;
    out.peak.enabled = o % 7 != 2;
    out.peak.ceiling = 0.1f + 0.01f * static_cast<float>(o);
    out.peak.release_keep = 0.999f;
  }
  const std::vector<LoudspeakerSettings> loudspeakers = one_a_feed(2);
  ChainSettings settings;
  settings.feeds = feeds;
  settings.loudspeakers = loudspeakers;
  settings.outputs = outputs;
  const Signals in = programme(2, 6000, 48000);
  const auto expected = bits(LentChain(settings, Level::lanes_1).run(in, 6000));
  for (const Level level : kLevels)
    if (Chain::has(level))
      for (const std::size_t block : {5u, 64u}) {
        LentChain lent(settings, level);
        ASSERT_EQ(lent.setup, Setup::ok);
        EXPECT_EQ(bits(lent.run(in, block)), expected) << static_cast<int>(level) << " lanes, blocks of " << block;
        EXPECT_TRUE(lent.fence_stands());
      }
}

TEST(Chain, WithNothingToDoItIsADelayBitForBit) {
  const std::vector<FeedSettings> feeds(2);
  std::vector<OutputSettings> outputs(2);
  outputs[0].peak.look_ahead_samples = outputs[1].peak.look_ahead_samples = 48;
  outputs[1].loudspeaker = 1;
  const std::vector<LoudspeakerSettings> loudspeakers = one_a_feed(2);
  ChainSettings settings;
  settings.feeds = feeds;
  settings.loudspeakers = loudspeakers;
  settings.outputs = outputs;
  Signals in = programme(2, 4000, 48000);
  in[0][10] = -0.0f;
  in[0][11] = 1e-42f;
  in[1][12] = -1e-42f;
  const std::size_t late = PeakLimiter<1>::latency_samples({48, 0, true});
  for (const Level level : kLevels) {
    if (!Chain::has(level)) continue;
    LentChain lent(settings, level);
    const auto out = bits(lent.run(in, 64)), from = bits(in);
    for (std::size_t o = 0; o < 2; ++o) {
      for (std::size_t n = 0; n < late; ++n) ASSERT_EQ(out[o][n], 0u);
      for (std::size_t n = late; n < 4000; ++n) ASSERT_EQ(out[o][n], from[o][n - late]) << o << ", frame " << n;
    }
  }
}
TEST(Chain, TheMeanOfTwoFeedsIsExact) {
  const std::vector<FeedSettings> feeds(2);
  std::vector<OutputSettings> outputs(1);
  outputs[0].peak.true_peak = false;
  std::vector<LoudspeakerSettings> loudspeakers(1);
  loudspeakers[0].source = kMeanOfFeeds;
  ChainSettings settings;
  settings.feeds = feeds;
  settings.loudspeakers = loudspeakers;
  settings.outputs = outputs;
  const Signals in = programme(2, 1000, 48000);
  LentChain lent(settings);
  const Signals out = lent.run(in, 64);
  for (std::size_t n = 0; n < 1000; ++n) ASSERT_EQ(out[0][n], (in[0][n] + in[1][n]) / 2);
}

TEST(Chain, BadSamplesEndAtTheInput) {
  const TestRig rig(2, 3, true);
  Signals in = programme(2, 8000, 48000), clean = in;
  const float inf = std::numeric_limits<float>::infinity(), nan = std::numeric_limits<float>::quiet_NaN();
  in[0][100] = nan;
  in[0][101] = -nan;
  in[1][4000] = inf;
  in[1][4001] = -inf;
  clean[0][100] = clean[0][101] = clean[1][4000] = clean[1][4001] = 0;
  in[0][200] = 64.0f;
  in[1][201] = -std::numeric_limits<float>::max();
  clean[0][200] = kMagnitudeBound;
  clean[1][201] = -kMagnitudeBound;
  LentChain lent(rig.settings), other(rig.settings);
  EXPECT_EQ(bits(lent.run(in, 64)), bits(other.run(clean, 64)));
  EXPECT_EQ(lent.chain.bad_samples(), 4u);
  EXPECT_EQ(lent.chain.bounded_samples(), 2u);
  EXPECT_EQ(other.chain.bad_samples(), 0u);
  EXPECT_EQ(other.chain.bounded_samples(), 0u) << "what stands at the bound is within it";
}

TEST(Chain, ResetIsAsGoodAsNewAndSilenceEndsInExactSilence) {
  const TestRig rig(2, 3, true);
  const Signals in = programme(2, 10000, 48000);
  LentChain lent(rig.settings);
  const auto first = bits(lent.run(in, 64));
  // The slowest pole: 32 Hz, fourth-order Butterworth, Q 1.31: pi 32 / 1.31 = 77 nepers a second; 400 dB take 0.6 s,
  // and the cascade and the limiter's release of 50 ms less than as much again.
  const Signals tail = lent.run(Signals(2, std::vector<float>(96000, 0.0f)), 64);
  for (const auto& out : tail) EXPECT_EQ(out.back(), 0.0f);
  lent.chain.reset();
  EXPECT_EQ(bits(lent.run(in, 64)), first);
}

TEST(Chain, MetersSayWhatTheLimitersDid) {
  const TestRig rig(1, 1, true);
  LentChain lent(rig.settings);
  (void)lent.run(Signals(1, std::vector<float>(4800, 0.0f)), 64);
  const Meter idle = lent.chain.take_meter(0);
  EXPECT_EQ(idle.least_peak_gain, 1.0f);
  EXPECT_EQ(idle.least_power_gain, 1.0f);
  EXPECT_EQ(idle.limited_frames, 0u);
  (void)lent.run(programme(1, 4800, 48000), 64);
  const Meter busy = lent.chain.take_meter(0);
  EXPECT_LT(busy.least_peak_gain, 0.3f);  // the programme reaches 2 x 1.3 ahead of a ceiling of 0.2
  EXPECT_GT(busy.least_peak_gain, 0.05f);
  EXPECT_EQ(busy.least_power_gain, 1.0f) << "what the peak limiter takes heats nothing";
  EXPECT_GT(busy.limited_frames, 1000u);
  EXPECT_LE(busy.limited_frames, 4800u);
  const Meter read = lent.chain.take_meter(0);
  EXPECT_EQ(read.limited_frames, 0u) << "reading starts it anew";
  EXPECT_EQ(lent.chain.take_meter(7).limited_frames, 0u) << "an output that is not there";
  TestRig high(1, 1, true);
  high.outputs()[0].peak.ceiling = 1;
  LentChain hot(high.settings);
  (void)hot.run(programme(1, 48000, 48000), 64);
  EXPECT_LT(hot.chain.take_meter(0).least_power_gain, 0.7f);
}

double mean_square_of(const std::vector<float>& row, std::size_t from) {
  double sum = 0;
  for (std::size_t n = from; n < row.size(); ++n) sum += static_cast<double>(row[n]) * static_cast<double>(row[n]);
  return sum / static_cast<double>(row.size() - from);
}
/// A lasting tone on every feed, loud enough that every power limiter works.
Signals loud_tone(std::size_t feeds, std::size_t frames) {
  Signals all(feeds, std::vector<float>(frames));
  for (std::vector<float>& feed : all)
    for (std::size_t n = 0; n < frames; ++n) {
      const double t = static_cast<double>(n) / 48000;
      feed[n] =
          static_cast<float>(0.5 * std::sin(6.283185307179586 * 60 * t) + 0.5 * std::sin(6.283185307179586 * 300 * t) +
                             0.5 * std::sin(6.283185307179586 * 4000 * t));
    }
  return all;
}
TEST(Chain, MetersReadTheHeatOfEveryOutput) {
  const TestRig rig(2, 3, true);
  for (const Level level : kLevels) {
    if (!Chain::has(level)) continue;
    LentChain lent(rig.settings, level);
    EXPECT_EQ(lent.chain.take_meter(0).heat_mean_square, 0.0f);
    const Signals out = lent.run(loud_tone(2, 48000), 480);
    for (std::size_t o = 0; o < out.size(); ++o) {
      // A thermal time of 50 ms, and a tone that has settled: the meter reads what left, its ripple and f/2 apart.
      const double left = mean_square_of(out[o], 24000);
      EXPECT_NEAR(static_cast<double>(lent.chain.take_meter(o).heat_mean_square) / left, 1, 0.1) << o;
      EXPECT_LE(left, 1.01 * 0.12 * 0.12) << o;
      EXPECT_GT(lent.chain.take_meter(o).heat_mean_square, 0.0f) << "reading does not cool it";
    }
    lent.chain.reset();
    EXPECT_EQ(lent.chain.take_meter(0).heat_mean_square, 0.0f);
  }
  const TestRig cold(2, 3, false);
  LentChain without(cold.settings);
  (void)without.run(loud_tone(2, 4800), 64);
  EXPECT_EQ(without.chain.take_meter(0).heat_mean_square, 0.0f);
}
TEST(Chain, AnOutputWithAPowerLimiterAloneIsHeldTooAndNotTouchedBelow) {
  for (const Level level : kLevels) {
    if (!Chain::has(level)) continue;
    TestRig rig(1, 1, true);
    OutputSettings& o = rig.outputs()[0];
    o.sections = {};
    o.gain = 1;
    o.delay = {};
    o.peak = {.ceiling = 0.2f, .true_peak = false};
    rig.feeds()[0] = {};
    ASSERT_TRUE(forget_per_grid(0.3, 48000, o.power.forget));
    LentChain lent(rig.settings, level);
    ASSERT_EQ(lent.setup, Setup::ok);
    Signals in(1, std::vector<float>(48000, 0.05f));
    std::fill(in[0].begin() + 14400, in[0].end(), 60.0f);  // 54 dB over the threshold, from one sample to the next
    const Signals out = lent.run(in, 64);
    const auto late = static_cast<std::ptrdiff_t>(limiter_latency(o));
    EXPECT_EQ(late, 3) << "no look-ahead: what is left of four frames that are decided together";
    EXPECT_TRUE(std::equal(in[0].begin(), in[0].begin() + 14400, out[0].begin() + late)) << "nothing is taken";
    const double keep = std::exp(-1 / (0.3 * 48000));
    double heat = 0, most = 0;
    for (const float sample : out[0]) {
      heat = keep * heat + (1 - keep) * static_cast<double>(sample) * static_cast<double>(sample);
      most = std::max(most, heat / (0.12 * 0.12));
    }
    EXPECT_LE(most, 1.01);
    EXPECT_GT(most, 0.85);
    in[0].assign(48000, 0.11f);  // above the ceiling that is not enabled, and below the threshold
    in[0][5000] = 0.3f;
    lent.chain.reset();
    Signals behind(1, std::vector<float>(static_cast<std::size_t>(late), 0.0f));
    behind[0].insert(behind[0].end(), in[0].begin(), in[0].end() - late);
    EXPECT_EQ(bits(lent.run(in, 64)), bits(behind));
  }
}
TEST(Chain, AHeirGoesOnWithTheHeatOfTheChainBefore) {
  TestRig rig(2, 3, true);
  for (OutputSettings& o : rig.outputs()) ASSERT_TRUE(forget_per_grid(1.0, 48000, o.power.forget));
  const Signals in = loud_tone(2, 48000 * 4), more = loud_tone(2, 48000);
  for (const Level level : kLevels) {
    if (!Chain::has(level)) continue;
    LentChain before(rig.settings), heir(rig.settings, level), heedless(rig.settings, level);
    (void)before.run(in, 64);
    ASSERT_EQ(heir.chain.adopt_heat(before.chain), Setup::ok);
    const Signals out = heir.run(more, 64), without = heedless.run(more, 64);
    std::size_t too_hot = 0;
    for (std::size_t o = 0; o < out.size(); ++o) {
      const double start = static_cast<double>(before.chain.take_meter(o).heat_mean_square) / (0.12 * 0.12);
      EXPECT_GT(start, 0.8) << o;
      const auto greatest = [&](const std::vector<float>& row) {
        const double keep = std::exp(-1 / 48000.0);
        double heat = start, most = heat;
        for (const float sample : row) {
          heat = keep * heat + (1 - keep) * static_cast<double>(sample) * static_cast<double>(sample) / (0.12 * 0.12);
          most = std::max(most, heat);
        }
        return most;
      };
      EXPECT_LE(greatest(out[o]), 1.01) << o;
      too_hot += greatest(without[o]) > 1.02 ? 1 : 0;
      EXPECT_LE(10 * std::log10(mean_square_of(out[o], 2400) / (0.12 * 0.12)), 0.0) << o;
    }
    EXPECT_GT(too_hot, 0u) << "control: chains that think their coils cold";
    const float own = heir.chain.take_meter(0).heat_mean_square;
    LentChain cold(rig.settings);
    EXPECT_EQ(heir.chain.adopt_heat(cold.chain), Setup::ok);
    EXPECT_EQ(heir.chain.take_meter(0).heat_mean_square, own) << "the greater of both";
  }
  // Other thresholds: heat is in squares of samples. Another shape is refused, with nothing changed.
  LentChain before(rig.settings);
  (void)before.run(in, 64);
  const float heat = before.chain.take_meter(1).heat_mean_square;
  TestRig higher(2, 3, true);
  for (OutputSettings& o : higher.outputs()) o.power.threshold_rms = 0.19f;
  LentChain heir(higher.settings);
  ASSERT_EQ(heir.chain.adopt_heat(before.chain), Setup::ok);
  EXPECT_NEAR(heir.chain.take_meter(1).heat_mean_square, heat, 1e-5f * heat);
  const TestRig other(2, 2, true);
  LentChain unlike(other.settings);
  EXPECT_EQ(unlike.chain.adopt_heat(before.chain), Setup::out_of_range);
  EXPECT_EQ(unlike.chain.take_meter(0).heat_mean_square, 0.0f);
  Chain empty;
  EXPECT_EQ(empty.adopt_heat(before.chain), Setup::out_of_range);
  EXPECT_EQ(heir.chain.adopt_heat(empty), Setup::out_of_range);
}

TEST(Chain, RefusesWhatItCannotRun) {
  const TestRig good(2, 3, true);
  std::vector<std::byte> memory(Chain::required_bytes(good.settings));
  Chain chain;
  EXPECT_EQ(chain.configure(good.settings, std::span(memory).first(memory.size() - 1)), Setup::memory_too_small);
  EXPECT_EQ(chain.outputs(), 0u);
  const auto refused = [&](auto&& spoil) {
    TestRig rig(2, 3, true);
    spoil(rig);
    return Chain::required_bytes(rig.settings) == 0 && chain.configure(rig.settings, memory) == Setup::out_of_range;
  };
  EXPECT_TRUE(refused([](TestRig& r) { r.outputs()[1].way = 3; }));
  EXPECT_TRUE(refused([](TestRig& r) { r.outputs()[1].loudspeaker = 3; }));
  EXPECT_TRUE(refused([](TestRig& r) { r.loudspeakers()[0].source = 2; }));
  EXPECT_TRUE(refused([](TestRig& r) { r.loudspeakers()[0].source = -3; }));
  EXPECT_TRUE(refused([](TestRig& r) { r.loudspeakers()[0].source = kMixOfFeeds; })) << "without factors";
  static constexpr float kThree[] = {1.0f, 0.5f, 0.0f}, kOneBad[] = {1.0f, std::numeric_limits<float>::quiet_NaN()};
  EXPECT_TRUE(refused([](TestRig& r) { r.loudspeakers()[0].mix = std::span(kThree).first(2); })) << "and no mix";
  EXPECT_TRUE(refused([](TestRig& r) { r.loudspeakers()[0].source = kMixOfFeeds, r.loudspeakers()[0].mix = kThree; }));
  EXPECT_TRUE(refused([](TestRig& r) { r.loudspeakers()[0].source = kMixOfFeeds, r.loudspeakers()[0].mix = kOneBad; }));
  EXPECT_TRUE(refused([](TestRig& r) { r.loudspeakers()[0].gain = std::numeric_limits<float>::infinity(); }));
  EXPECT_TRUE(refused([](TestRig& r) { r.settings.loudspeakers = {}; }));
  EXPECT_TRUE(refused([](TestRig& r) {
    static const std::vector<LoudspeakerSettings> kMany(kMaxLoudspeakers + 1);
    r.settings.loudspeakers = kMany;
  }));
  EXPECT_TRUE(refused([](TestRig& r) { r.outputs()[1].gain = std::numeric_limits<float>::infinity(); }));
  EXPECT_TRUE(refused([](TestRig& r) { r.feeds()[0].gain = std::numeric_limits<float>::quiet_NaN(); }));
  EXPECT_TRUE(refused([](TestRig& r) { r.settings.feeds = {}; }));
  EXPECT_TRUE(refused([](TestRig& r) { r.settings.outputs = {}; }));
  EXPECT_EQ(chain.configure(good.settings, memory), Setup::ok) << "and after all that it still takes the good one";
}
TEST(Chain, SaysWhichNumberItRefuses) {
  const TestRig good(2, 3, true);
  ASSERT_EQ(Chain::refusal(good.settings, 1 << 20), Refusal{});
  EXPECT_EQ(Chain::refusal(good.settings, 100), (Refusal{Setup::memory_too_small, Part::chain, 0, Field::memory, 0}));
  constexpr float kNan = std::numeric_limits<float>::quiet_NaN();
  const auto refused = [&](auto&& spoil) {
    TestRig rig(2, 3, true);
    spoil(rig);
    std::vector<std::byte> memory(1 << 20);
    Chain chain;
    const Refusal refusal = Chain::refusal(rig.settings, memory.size());
    EXPECT_EQ(chain.configure(rig.settings, memory), refusal.setup);
    return refusal;
  };
  const auto at = [](Part part, std::uint8_t index, Field field, std::uint8_t element = 0) {
    return Refusal{Setup::out_of_range, part, index, field, element};
  };
  // Damaged sections: mixes first, then poles. A biquad's poles are outside where a2 > 1, or on the wrong side of +1 or
  // -1; `damp`, `cross` and `rate` below do one of these each.
  const auto with_section = [&](auto&& damage) {
    return refused([&](TestRig& r) {
      static std::vector<Section> list;
      list.assign(r.feeds()[1].sections.begin(), r.feeds()[1].sections.end());
      damage(list[2]);
      r.feeds()[1].sections = list;
    });
  };
  const Refusal section = at(Part::feed, 1, Field::section, 2);
  EXPECT_EQ(with_section([](Section& s) { s.mix_v = kNan; }), section);
  EXPECT_EQ(with_section([](Section& s) { s.mix_1 = 1001; }), section);
  EXPECT_EQ(with_section([](Section& s) { s.mix_2 = -std::numeric_limits<float>::infinity(); }), section);
  EXPECT_EQ(with_section([](Section& s) { s.rate = kNan; }), section);
  EXPECT_EQ(with_section([](Section& s) { s.damp = -s.damp; }), section) << "it would grow";
  EXPECT_EQ(with_section([](Section& s) {
              s.cross = -s.cross;
              s.rate = 0;
            }),
            section);
  EXPECT_EQ(with_section([](Section& s) { s.damp = 4.5f; }), section);
  EXPECT_EQ(with_section([](Section& s) { s = {}; }), Refusal{}) << "the identity";

  EXPECT_EQ(refused([](TestRig& r) { r.settings.sample_rate_hz = 0; }), at(Part::chain, 0, Field::sample_rate));
  EXPECT_EQ(refused([](TestRig& r) { r.settings.sample_rate_hz = 7999; }), at(Part::chain, 0, Field::sample_rate));
  EXPECT_EQ(refused([](TestRig& r) { r.settings.sample_rate_hz = 8000; }), Refusal{});
  EXPECT_EQ(refused([](TestRig& r) { r.settings.sample_rate_hz = 768001; }), at(Part::chain, 0, Field::sample_rate));
  EXPECT_EQ(refused([](TestRig& r) { r.settings.sample_rate_hz = 4'000'000'000u; }),
            at(Part::chain, 0, Field::sample_rate));
  EXPECT_EQ(refused([](TestRig& r) { r.settings.feeds = {}; }), at(Part::chain, 0, Field::feeds));
  EXPECT_EQ(refused([](TestRig& r) { r.settings.outputs = {}; }), at(Part::chain, 0, Field::outputs));
  EXPECT_EQ(refused([](TestRig& r) { r.feeds()[1].gain = 1e6f; }), at(Part::feed, 1, Field::gain));
  EXPECT_EQ(refused([](TestRig& r) { r.feeds()[1].gain = 1000; }), Refusal{});
  EXPECT_EQ(refused([](TestRig& r) { r.loudspeakers()[0].gain = -1000.1f; }), at(Part::loudspeaker, 0, Field::gain));
  EXPECT_EQ(refused([](TestRig& r) { r.loudspeakers()[1].source = 2; }), at(Part::loudspeaker, 1, Field::source));
  EXPECT_EQ(refused([](TestRig& r) { r.outputs()[2].gain = kNan; }), at(Part::output, 2, Field::gain));
  EXPECT_EQ(refused([](TestRig& r) { r.outputs()[1].way = 3; }), at(Part::output, 1, Field::way));
  EXPECT_EQ(refused([](TestRig& r) { r.outputs()[1].loudspeaker = 3; }), at(Part::output, 1, Field::loudspeaker));
  EXPECT_EQ(refused([](TestRig& r) { r.outputs()[4].delay.whole_samples = (1u << 20) + 1; }),
            at(Part::output, 4, Field::delay));
  EXPECT_EQ(refused([](TestRig& r) { r.outputs()[0].delay.taps[5] = kNan; }), at(Part::output, 0, Field::tap, 5));
  EXPECT_EQ(refused([](TestRig& r) { r.outputs()[3].peak.look_ahead_samples = 1u << 30; }),
            at(Part::output, 3, Field::look_ahead));
  EXPECT_EQ(refused([](TestRig& r) { r.outputs()[3].peak.hold_samples = 1u << 30; }), at(Part::output, 3, Field::hold));
  for (const float ceiling : {kNan, 0.0f, -0.5f, 1.0001f, 50.0f})
    EXPECT_EQ(refused([&](TestRig& r) { r.outputs()[3].peak.ceiling = ceiling; }), at(Part::output, 3, Field::ceiling));
  EXPECT_EQ(refused([](TestRig& r) { r.outputs()[3].peak.ceiling = 1; }), Refusal{});
  for (const float keep : {kNan, -0.1f, 1.0f})
    EXPECT_EQ(refused([&](TestRig& r) { r.outputs()[3].peak.release_keep = keep; }),
              at(Part::output, 3, Field::release));
  for (const float threshold : {kNan, 0.0f, 64.0f})
    EXPECT_EQ(refused([&](TestRig& r) { r.outputs()[2].power.threshold_rms = threshold; }),
              at(Part::output, 2, Field::power_threshold));
  for (const float forget : {kNan, 0.0f, 0.04f})
    EXPECT_EQ(refused([&](TestRig& r) { r.outputs()[2].power.forget = forget; }),
              at(Part::output, 2, Field::thermal_time));
  // Sections of a point; and more of them on one path than a cascade carries: 256.
  const auto points_of = [](TestRig& r, std::span<const Section> high_pass) {
    static std::vector<PointSettings> points;
    points.assign(r.points().begin(), r.points().end());
    points[1].high_pass = high_pass;
    for (LoudspeakerSettings& one : r.loudspeakers()) one.points = points;
  };
  static const std::vector<Section> kGrows{{.rate = 0.1f, .damp = -0.1f, .cross = 0.1f}}, kMany(250);
  EXPECT_EQ(refused([&](TestRig& r) { points_of(r, kGrows); }), at(Part::loudspeaker, 0, Field::high_pass, 1));
  EXPECT_EQ(refused([&](TestRig& r) { points_of(r, kMany); }).field, Field::section) << "with the way's own";

  // The latency that is said: no limiter may be later, no output earlier. 0: it is not said.
  const auto with_latency = [&](std::uint32_t samples) {
    return refused([&](TestRig& r) { r.settings.latency_samples = samples; });
  };
  const std::uint32_t limiter = PeakLimiter<1>::latency_samples({96, 0, true});
  EXPECT_EQ(with_latency(limiter), Refusal{});
  EXPECT_EQ(with_latency(limiter - 1).field, Field::latency);
  EXPECT_EQ(with_latency(limiter + 10 + kFractionLatency), Refusal{}) << "the lowest way's 10 samples, and its taps";
  EXPECT_EQ(with_latency(limiter + 10 + kFractionLatency + 1), at(Part::output, 0, Field::latency));
  EXPECT_EQ(with_latency(0), Refusal{});
}
TEST(Chain, WithNothingToRunOrTooFewRowsItWritesZeros) {
  const TestRig rig(2, 2, true);
  LentChain lent(rig.settings);
  std::array<std::vector<float>, 4> rows;
  const auto all_zero_after = [&](Chain& chain, std::size_t feeds, std::size_t outputs) {
    std::vector<const float*> in;
    std::vector<float*> out;
    const std::vector<float> ones(64, 1.0f);
    for (std::size_t f = 0; f < feeds; ++f) in.push_back(ones.data());
    for (std::size_t o = 0; o < outputs; ++o) {
      rows[o].assign(64, 1.0f);
      out.push_back(rows[o].data());
    }
    for (int block = 0; block < 5; ++block) chain.process(in, out, 64);
    return std::all_of(rows.begin(), rows.begin() + static_cast<std::ptrdiff_t>(outputs), [](const auto& row) {
      return std::all_of(row.begin(), row.end(), [](float x) { return x == 0.0f; });
    });
  };
  Chain idle;
  EXPECT_EQ(idle.outputs(), 0u);
  EXPECT_TRUE(all_zero_after(idle, 2, 4));
  EXPECT_TRUE(all_zero_after(lent.chain, 1, 4));
  EXPECT_TRUE(all_zero_after(lent.chain, 2, 3));
  EXPECT_FALSE(all_zero_after(lent.chain, 2, 4)) << "with all its rows it runs";
}
TEST(Chain, ASecondThreadGetsZerosAndHarmsNothing) {
  const TestRig rig(1, 1, true);
  LentChain lent(rig.settings);
  std::atomic<bool> ends{false};
  const auto most_of = [&](auto&& goes_on) {
    std::vector<float> in(256, 8.0f), out(256);
    for (std::size_t n = 0; n < in.size(); n += 2) in[n] = -8.0f;
    const float* const from[] = {in.data()};
    float* const to[] = {out.data()};
    float most = 0;
    while (goes_on()) {
      lent.chain.process(from, to, in.size());
      for (const float x : out) most = std::max(most, std::abs(x));
    }
    return most;
  };
  float of_other = 0;
  std::thread other([&] { of_other = most_of([&] { return !ends.load(); }); });
  int left = 4000;
  const float of_first = most_of([&] { return left-- > 0; });
  ends.store(true);
  other.join();
  EXPECT_LE(of_first, 0.2f);
  EXPECT_LE(of_other, 0.2f);
}
TEST(Chain, RequiredBytesAreOfSizesAloneAndEnoughWhereverTheMemoryBegins) {
  for (const Level level : kLevels) {
    const auto bytes_after = [&](auto&& change) {
      TestRig rig(2, 3, true);
      change(rig);
      return Chain::required_bytes(rig.settings, level);
    };
    const std::size_t plain = bytes_after([](TestRig&) {});
    EXPECT_EQ(plain > 0, Chain::has(level));
    if (plain == 0) continue;
    EXPECT_EQ(plain, bytes_after([](TestRig& r) { r.outputs()[0].gain = 0.1f; }));
    EXPECT_EQ(plain, bytes_after([](TestRig& r) { r.outputs()[0].peak.ceiling = 0.01f; }));
    EXPECT_EQ(plain, bytes_after([](TestRig& r) { r.outputs()[0].peak.ceiling = 0.0f; })) << "left to configure";
    EXPECT_LT(plain, bytes_after([](TestRig& r) { r.outputs()[0].delay.whole_samples += 64; }));
    EXPECT_LT(plain, bytes_after([](TestRig& r) { r.outputs()[0].peak.look_ahead_samples += 200; }));
    EXPECT_LT(plain, bytes_after([](TestRig& r) { r.outputs()[0].peak.hold_samples += 200; }));
    const TestRig rig(2, 3, true);
    std::vector<std::byte> memory(plain + 64);
    for (std::size_t begin = 0; begin < 64; ++begin) {
      Chain chain;
      EXPECT_EQ(chain.configure(rig.settings, std::span(memory).subspan(begin, plain), level), Setup::ok) << begin;
    }
  }
}
TEST(Chain, ALimiterOutOfRangeIsRefusedWithItsMemory) {
  TestRig rig(1, 1, true);
  rig.outputs()[0].peak.ceiling = 0;
  std::vector<std::byte> memory(1 << 20);
  Chain chain;
  EXPECT_EQ(chain.configure(rig.settings, memory), Setup::out_of_range);
}
}  // namespace
