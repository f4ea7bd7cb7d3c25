// Must hold: a chain that has run for a week, or for 2^31, 2^32 or 2^53 frames, goes on as one that has just begun.
// What grows with time is of two kinds.
// Positions (in rings, on the grid) come back: the whole state, byte for byte, is the same a period later. A chain's
// state and its input are all that it knows, so that state comes back for ever, and a fresh chain can be brought to
// where it stands at any frame.
// Counters (bad samples, bounded samples, limited frames) hold 64 bits, or stay at their limit.
#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <bit>
#include <cstdint>
#include <limits>
#include <span>
#include <vector>

#include "dsp/blocks/peak_limiter.hpp"
#include "dsp/chain/engine.hpp"
#include "tests/dsp/chain/test_rig.hpp"

namespace rackproof::dsp {

/// Whatever the width of a counter, so that one that is too narrow is seen by what it counts.
struct CounterProbe {
  template <class T>
  static void put(T& counter, std::uint64_t value) {
    counter = static_cast<T>(value);
  }
  static void put_samples(Chain& chain, std::uint64_t bad, std::uint64_t bounded) {
    put(chain.bad_samples_, bad);
    put(chain.bounded_samples_, bounded);
  }
  /// Of a chain of one lane.
  static void put_limited_frames(Chain& chain, std::size_t output, std::uint64_t frames) {
    put(static_cast<Engine<1>*>(chain.engine_)->meters_[output].limited_frames, frames);
  }
  template <int W>
  static void put_counts(PeakLimiter<W>& limiter, std::int32_t count) {
    limiter.limited_ = limiter.non_finite_ = limiter.bounded_ = broadcast_int<W>(count);
  }
};

}  // namespace rackproof::dsp

namespace {
using namespace rackproof::dsp;
using namespace rackproof::dsp::test;

constexpr Level kAllLevels[] = {Level::lanes_1, Level::lanes_4, Level::lanes_8, Level::lanes_16};
constexpr std::uint64_t kFar[] = {std::uint64_t{1} << 31, std::uint64_t{1} << 32, std::uint64_t{1} << 53};
/// What a counter has counted so far: a little less, and one more, which a double does not hold behind 2^53.
constexpr std::array<std::uint64_t, 6> kCounted = [] {
  std::array<std::uint64_t, 6> list{};
  for (std::size_t k = 0; k < list.size(); ++k) list[k] = k % 2 == 0 ? kFar[k / 2] - 4 : kFar[k / 2] + 1;
  return list;
}();

/// Every block, limiters of three shapes, delays with and without a fraction. All rings are short and of lengths whose
/// common multiple is small (96, 144, 88 / 2, 24 / 2, 15 and the like), so that their places are soon together again.
void shorten(TestRig& rig) {
  std::size_t o = 0;
  for (OutputSettings& output : rig.outputs()) {
    output.delay.whole_samples = output.delay.fractional ? 17 : 80;
    output.peak.look_ahead_samples = o % 3 == 0 ? 86 : o % 3 == 1 ? 22 : 14;
    output.peak.hold_samples = o % 3 == 0 ? 8 : o % 3 == 1 ? 0 : 1;
    output.peak.true_peak = o % 3 != 2;
    ++o;
  }
}

/// A chain in memory that can be looked at.
class Watched {
 public:
  Watched(const ChainSettings& settings, Level level)
      : outputs_(settings.outputs.size()), memory_(Chain::required_bytes(settings, level), std::byte{42}) {
    setup = chain.configure(settings, memory_, level);
    for (std::size_t f = 0; f < settings.feeds.size(); ++f) silence_.emplace_back(kPiece, 0.0f);
    for (std::size_t o = 0; o < outputs_; ++o) heard_.emplace_back(kPiece);
  }
  void be_silent(std::uint64_t frames) {
    for (std::uint64_t done = 0; done < frames;) {
      const auto count = static_cast<std::size_t>(std::min<std::uint64_t>(kPiece, frames - done));
      play(silence_, heard_, 0, count);
      done += count;
    }
  }
  Signals run(const Signals& in, std::size_t block) {
    const std::size_t frames = in[0].size();
    Signals out(outputs_, std::vector<float>(frames));
    for (std::size_t at = 0; at < frames; at += block) play(in, out, at, std::min(block, frames - at));
    return out;
  }
  /// With the meters read, so that they hold nothing.
  const std::vector<std::byte>& state() {
    for (std::size_t o = 0; o < outputs_; ++o) static_cast<void>(chain.take_meter(o));
    return memory_;
  }

  Chain chain;
  Setup setup = Setup::out_of_range;

 private:
  static constexpr std::size_t kPiece = 4096;
  void play(const Signals& in, Signals& out, std::size_t at, std::size_t count) {
    std::vector<const float*> from;
    std::vector<float*> to;
    for (const auto& row : in) from.push_back(&row[at]);
    for (auto& row : out) to.push_back(&row[at]);
    chain.process(from, to, count);
  }
  std::size_t outputs_;
  std::vector<std::byte> memory_;
  Signals silence_, heard_;
};

constexpr std::uint64_t kSettled = 64 * 16;        // longer than every ring: what `reset` left in them is gone
constexpr std::uint64_t kLongestPeriod = 1 << 17;  // frames in which the places must be together again

/// After how many frames of silence, a multiple of the grid's, the state is what it was. 0: not within kLongestPeriod.
std::uint64_t period_of(const ChainSettings& settings, Level level) {
  Watched watched(settings, level);
  watched.be_silent(kSettled);
  const std::vector<std::byte> begun = watched.state();
  for (std::uint64_t frames = kGridFrames; frames <= kLongestPeriod; frames += kGridFrames) {
    watched.be_silent(kGridFrames);
    if (watched.state() == begun) return frames;
  }
  return 0;
}
/// How many frames of silence bring a fresh chain to the state that `frames` of them do.
std::uint64_t as_far_as(std::uint64_t frames, std::uint64_t period) { return kSettled + (frames - kSettled) % period; }

/// Two feeds, so loud that the power limiters are at work as well, which look at the grid.
Signals limited_programme(std::size_t frames) {
  Signals signals = programme(2, frames, 48000);
  for (auto& row : signals)
    for (float& x : row) x *= 4.0f;
  return signals;
}
std::vector<std::vector<std::uint32_t>> bits_of(const Signals& signals) {
  std::vector<std::vector<std::uint32_t>> result;
  for (const auto& row : signals) {
    result.emplace_back(row.size());
    std::ranges::transform(row, result.back().begin(), [](float x) { return std::bit_cast<std::uint32_t>(x); });
  }
  return result;
}

TEST(Week, TheStateComesBackAndTheChainGoesOnAtEveryFrameAsAFreshOne) {
  TestRig rig(2, 3, true);
  shorten(rig);
  const Signals in = limited_programme(6000);
  for (const Level level : kAllLevels) {
    if (!Chain::has(level)) continue;
    const std::uint64_t period = period_of(rig.settings, level);
    ASSERT_NE(period, 0u) << "a position runs free, at " << static_cast<int>(level) << " lanes";
    EXPECT_EQ(period % kGridFrames, 0u);
    EXPECT_GT(period, kGridFrames) << "nothing has moved: the state is not looked at";
    for (const std::uint64_t far : kFar)
      for (const std::uint64_t ahead : {std::uint64_t{1}, std::uint64_t{1501}}) {  // of the far frame
        const std::uint64_t begin = far - ahead;
        Watched old(rig.settings, level), fresh(rig.settings, level);
        ASSERT_EQ(old.setup, Setup::ok);
        old.be_silent(as_far_as(begin, period));
        fresh.be_silent(kSettled + begin % kGridFrames);
        ASSERT_EQ(bits_of(old.run(in, 100)), bits_of(fresh.run(in, 6000))) << far << " - " << ahead;
      }
  }
}
/// The control: what is compared is the state, and the phase of the grid is part of it.
TEST(Week, AnotherPhaseOfTheGridIsAnotherStateAndOtherBits) {
  TestRig rig(2, 3, true);
  shorten(rig);
  const Signals in = limited_programme(6000);
  const Level level = Chain::best();
  Watched one(rig.settings, level), other(rig.settings, level);
  one.be_silent(kSettled);
  other.be_silent(kSettled + 1);
  EXPECT_TRUE(bits_of(one.run(in, 6000)) != bits_of(other.run(in, 6000)));
}
/// Nothing of what has been played is left: no sum has drifted, no filter and no limiter stands where it should not.
TEST(Week, AfterAProgrammeSilenceBringsBackTheStateOfAChainThatHeardNothing) {
  TestRig rig(2, 3, true);
  shorten(rig);
  const Signals in = limited_programme(6000);
  for (const Level level : kAllLevels) {
    if (!Chain::has(level)) continue;
    const std::uint64_t period = period_of(rig.settings, level), dead = 3 * 48000;  // 60 of the thermal time
    ASSERT_NE(period, 0u);
    const std::uint64_t whole = (6000 + dead + period - 1) / period * period;
    Watched watched(rig.settings, level);
    watched.be_silent(as_far_as(whole, period));
    const std::vector<std::byte> heard_nothing = watched.state();
    watched.chain.reset();
    static_cast<void>(watched.run(in, 64));
    EXPECT_TRUE(watched.state() != heard_nothing);
    watched.be_silent(whole - 6000);
    EXPECT_TRUE(watched.state() == heard_nothing) << static_cast<int>(level) << " lanes";
  }
}

TEST(Week, BadAndBoundedSamplesAreCountedOn) {
  constexpr float kNan = std::numeric_limits<float>::quiet_NaN();
  const TestRig rig(1, 1, false);
  std::vector<float> feed(100, 0.0f), output(100);
  for (std::size_t n = 0; n < 10; ++n) feed[n * 7] = kNan;
  for (std::size_t n = 0; n < 5; ++n) feed[n * 7 + 3] = 100.0f;
  for (const std::uint64_t counted : kCounted) {
    LentChain lent(rig.settings);
    CounterProbe::put_samples(lent.chain, counted, counted + 2);
    const float* const from = feed.data();
    float* const to = output.data();
    lent.chain.process({&from, 1}, {&to, 1}, 100);
    EXPECT_EQ(lent.chain.bad_samples(), counted + 10);
    EXPECT_EQ(lent.chain.bounded_samples(), counted + 2 + 5);
    lent.chain.reset();
    EXPECT_EQ(lent.chain.bad_samples() + lent.chain.bounded_samples(), 0u);
  }
}
TEST(Week, LimitedFramesAreCountedOn) {
  TestRig rig(1, 1, true);
  rig.outputs()[0].power.enabled = false;
  const Signals in = programme(1, 4000, 48000);
  LentChain first(rig.settings, Level::lanes_1);
  static_cast<void>(first.run(in, 64));
  const std::uint64_t limited = first.chain.take_meter(0).limited_frames;
  ASSERT_GT(limited, 100u);
  for (const std::uint64_t counted : kCounted) {
    LentChain lent(rig.settings, Level::lanes_1);
    CounterProbe::put_limited_frames(lent.chain, 0, counted);
    static_cast<void>(lent.run(in, 64));
    const std::uint64_t now = lent.chain.take_meter(0).limited_frames;
    EXPECT_EQ(now, counted + limited);
    EXPECT_EQ(lent.chain.take_meter(0).limited_frames, 0u);
  }
}
/// A limiter alone counts in the width of its lanes. At their limit the counts stay, and the sound does not change.
TEST(Week, ALimiterAloneStopsCountingAtItsLimit) {
  constexpr std::int32_t kLimit = kCountLimit;
  std::vector<float> in(300, 2.0f);
  in[5] = std::numeric_limits<float>::infinity();
  in[70] = 1000.0f;
  const auto run = [&](std::int32_t begun, auto&& look) {
    PeakLimiter<1> limiter;
    constexpr PeakLimiter<1>::Memory kNeeded = PeakLimiter<1>::required(LimiterShape{});
    std::array<float, kNeeded.values> values{};
    std::array<std::int32_t, kNeeded.integers> integers{};
    const PeakLimiter<1>::LaneSettings lane{.enabled = true, .ceiling = 0.5f, .release_keep = 0.5f};
    EXPECT_EQ(limiter.configure(LimiterShape{}, {&lane, 1}, values, integers), Setup::ok);
    CounterProbe::put_counts<1>(limiter, begun);
    std::vector<float> out(in.size());
    limiter.process(in, out);
    look(limiter);
    return out;
  };
  const std::vector<float> fresh = run(0, [&](PeakLimiter<1>& limiter) {
    EXPECT_EQ(limiter.non_finite_samples(0), 1);
    EXPECT_EQ(limiter.bounded_samples(0), 1);
    EXPECT_GT(limiter.take_meter(0).limited_frames, 290);
  });
  const std::vector<float> old = run(kLimit - 1, [&](PeakLimiter<1>& limiter) {
    EXPECT_EQ(limiter.non_finite_samples(0), kLimit);
    EXPECT_EQ(limiter.bounded_samples(0), kLimit);
    EXPECT_EQ(limiter.take_meter(0).limited_frames, kLimit);
  });
  EXPECT_EQ(fresh, old);
}

}  // namespace
