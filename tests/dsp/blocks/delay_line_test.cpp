// Must hold: the theorem at the top of delay_line.hpp. Every comparison is of bits.
#include "dsp/blocks/delay_line.hpp"

#include <gtest/gtest.h>

#include <array>
#include <bit>
#include <limits>
#include <random>
#include <utility>
#include <vector>

#include "dsp/design/fractional_delay.hpp"

namespace {
using namespace rackproof::dsp;
using Track = std::vector<float>;
static_assert(noexcept(std::declval<DelayLine&>().process({}, {})));

std::vector<std::uint32_t> bits_of(const Track& track) {
  std::vector<std::uint32_t> bits;
  for (const float x : track) bits.push_back(std::bit_cast<std::uint32_t>(x));
  return bits;
}
/// Every kind of finite number: all signs and exponents alike, subnormals and zeros of both signs among them.
Track any_floats(std::size_t size, std::uint32_t seed) {
  std::mt19937 rng(seed);
  Track track{-0.0f, 0.0f, std::numeric_limits<float>::denorm_min(), -std::numeric_limits<float>::denorm_min()};
  while (track.size() < size) {
    const float x = std::bit_cast<float>(static_cast<std::uint32_t>(rng()));
    if (magnitude<1>(x) <= kMagnitudeBound) track.push_back(x);
  }
  track.resize(size);
  return track;
}
std::array<float, kFractionTaps> taps_of(double fraction) {
  std::array<float, kFractionTaps> taps{};
  EXPECT_TRUE(fractional_delay(fraction, taps));
  return taps;
}
Track by_definition(const Track& in, const DelaySettings& s) {
  const auto delayed = [&](std::size_t n) { return n < s.whole_samples ? 0.0f : in[n - s.whole_samples]; };
  Track out;
  for (std::size_t n = 0; n < in.size(); ++n) {
    float y = delayed(n);
    if (s.fractional) {
      y = s.taps[15] * (n < 15 ? 0.0f : delayed(n - 15));
      for (std::size_t k = 15; k-- > 0;) y = fma(s.taps[k], n < k ? 0.0f : delayed(n - k), y);
    }
    out.push_back(y);
  }
  return out;
}
Track in_blocks_of(std::size_t size, DelayLine& line, const Track& in, bool in_place) {
  Track out = in_place ? in : Track(in.size(), 7.0f);
  for (std::size_t n = 0; n < in.size(); n += size) {
    const std::size_t count = std::min(size, in.size() - n);
    line.process(in_place ? std::span<const float>(&out[n], count) : std::span(&in[n], count), {&out[n], count});
  }
  return out;
}

class EveryDelay : public testing::TestWithParam<std::tuple<std::uint32_t, bool>> {};
INSTANTIATE_TEST_SUITE_P(, EveryDelay,
                         testing::Combine(testing::Values(0u, 1u, 2u, 7u, 15u, 63u, 64u, 65u, 127u, 128u, 1000u, 4801u),
                                          testing::Bool()));

TEST_P(EveryDelay, IsTheDefinitionForEveryTrackAndEveryCut) {
  const auto [whole, fractional] = GetParam();
  DelaySettings settings{.whole_samples = whole, .fractional = fractional};
  if (fractional) settings.taps = taps_of(0.37);
  const Track track = any_floats(3 * whole + 700, whole + 1), expected = by_definition(track, settings);

  Track elsewhere(DelayLine::required_values({.whole_samples = 333, .fractional = true}));
  Track memory(DelayLine::required_values(settings) + 1, 42.0f);  // one more than asked: a fence
  DelayLine line;
  ASSERT_EQ(line.configure({.whole_samples = 333, .fractional = true, .taps = taps_of(0.5)}, elsewhere), Setup::ok);
  in_blocks_of(64, line, any_floats(1000, 3), false);  // leave it in the middle of another life
  ASSERT_EQ(line.configure(settings, std::span(memory).first(memory.size() - 1)), Setup::ok);
  for (const std::size_t cut : {std::size_t{1}, std::size_t{7}, std::size_t{63}, std::size_t{64}, std::size_t{65},
                                std::size_t{480}, track.size()}) {
    for (const bool in_place : {false, true}) {
      ASSERT_EQ(bits_of(in_blocks_of(cut, line, track, in_place)), bits_of(expected)) << "blocks of " << cut;
      line.reset();  // as good as new, from any state
    }
  }
  EXPECT_EQ(memory.back(), 42.0f) << "wrote past the memory it asked for";
}
// Cuts that change from block to block, an empty one among them.
TEST(DelayLine, AnyRowOfCuts) {
  const DelaySettings settings{.whole_samples = 100, .fractional = true, .taps = taps_of(0.9)};
  const Track track = any_floats(20000, 11);
  Track memory(DelayLine::required_values(settings)), out(track.size());
  DelayLine line;
  ASSERT_EQ(line.configure(settings, memory), Setup::ok);
  std::mt19937 rng(5);
  for (std::size_t n = 0; n < track.size();) {
    const std::size_t count = std::min<std::size_t>(rng() % 200, track.size() - n);
    line.process({track.data() + n, count}, {out.data() + n, count});
    n += count;
  }
  EXPECT_EQ(bits_of(out), bits_of(by_definition(track, settings)));
}
TEST(DelayLine, UnconfiguredPasses) {
  DelayLine line;
  const Track track = any_floats(100, 9);
  EXPECT_EQ(bits_of(in_blocks_of(33, line, track, false)), bits_of(track));
  EXPECT_EQ(bits_of(in_blocks_of(33, line, track, true)), bits_of(track));
}
TEST(DelayLine, AsksForNoMoreThanItUses) {
  EXPECT_EQ(DelayLine::required_values({}), 0u);
  EXPECT_EQ(DelayLine::required_values({.whole_samples = 1}), 1u + 64 + 64);
  EXPECT_EQ(DelayLine::required_values({.fractional = true}), 15u + 64 + (15 + 64));
}
TEST(DelayLine, RefusedSetupLeavesItAsItWas) {
  const DelaySettings settings{.whole_samples = 3};
  Track memory(DelayLine::required_values(settings));
  DelayLine line;
  ASSERT_EQ(line.configure(settings, memory), Setup::ok);
  EXPECT_EQ(line.configure({.whole_samples = 4}, memory), Setup::memory_too_small);
  EXPECT_EQ(line.configure({.whole_samples = 3, .fractional = true}, memory), Setup::memory_too_small);
  EXPECT_EQ(line.configure({.whole_samples = DelayLine::kMaxWholeSamples + 1}, memory), Setup::out_of_range);
  for (const float bad : {std::numeric_limits<float>::quiet_NaN(), std::numeric_limits<float>::infinity(), -3.0f}) {
    DelaySettings wrong{.fractional = true};
    wrong.taps[4] = bad;
    Track enough(DelayLine::required_values(wrong));
    EXPECT_EQ(line.configure(wrong, enough), Setup::out_of_range);
  }
  EXPECT_EQ(in_blocks_of(2, line, {1, 2, 3, 4, 5}, false), (Track{0, 0, 0, 1, 2}));
}
}  // namespace
