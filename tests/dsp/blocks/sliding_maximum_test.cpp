// Must hold: the theorem at the top of sliding_maximum.hpp. A maximum is one of its inputs: every comparison is exact.
#include "dsp/blocks/sliding_maximum.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <numeric>
#include <random>
#include <vector>
namespace {
using namespace rackproof::dsp;
static_assert(noexcept(std::declval<SlidingMaximum<1>&>().process({}, {})));

using Track = std::vector<float>;
Track by_definition(const Track& in, std::size_t window) {
  Track out;
  for (std::size_t n = 0; n < in.size(); ++n)
    out.push_back(*std::max_element(&in[n + 1 > window ? n + 1 - window : 0], &in[n] + 1));
  return out;
}
template <int W>
std::vector<Pack<W>> interleave(const std::vector<Track>& tracks) {  // lane l: track l, again from the first
  std::vector<Pack<W>> packs(tracks[0].size());
  for (std::size_t n = 0; n < packs.size(); ++n)
    for (int l = 0; l < W; ++l) set_lane<W>(packs[n], l, tracks[static_cast<std::size_t>(l) % tracks.size()][n]);
  return packs;
}
template <int W>
Track lane_of(const std::vector<Pack<W>>& packs, int l) {
  Track track;
  for (const Pack<W>& pack : packs) track.push_back(lane<W>(pack, l));
  return track;
}
template <int W>
std::vector<Pack<W>> in_blocks_of(std::size_t size, SlidingMaximum<W>& maximum, std::vector<Pack<W>> packs) {
  for (std::size_t n = 0; n < packs.size(); n += size) {
    const std::span piece(&packs[n], std::min(size, packs.size() - n));
    maximum.process(piece, piece);
  }
  return packs;
}
std::vector<Track> tracks_for(std::size_t window) {
  Track noise(3 * window + 150), rising(noise.size()), spike(noise.size(), 0.0f), falling, tiny(noise.size());
  std::mt19937 rng(static_cast<unsigned>(window));
  for (float& x : noise) x = static_cast<float>(rng());
  for (float& x : tiny) x = std::bit_cast<float>(static_cast<std::uint32_t>(rng() & 0xffffffu));  // subnormals
  std::iota(rising.begin(), rising.end(), 1.0f);
  falling.assign(rising.rbegin(), rising.rend());
  spike[0] = 2.0f;
  spike[window + 17] = 1.0f;
  return {noise, rising, falling, spike, tiny};
}

template <class Width>
class SlidingMaximumOf : public testing::Test {};
#if defined(__AVX2__)
using Widths =
    testing::Types<std::integral_constant<int, 1>, std::integral_constant<int, 4>, std::integral_constant<int, 8>>;
#else
using Widths = testing::Types<std::integral_constant<int, 1>, std::integral_constant<int, 4>>;
#endif
TYPED_TEST_SUITE(SlidingMaximumOf, Widths);

TYPED_TEST(SlidingMaximumOf, IsTheDefinitionForEveryWindowTrackAndCut) {
  constexpr int W = TypeParam::value;
  std::vector<std::uint32_t> windows(200);  // every small one: either parity, above and below a block
  std::iota(windows.begin(), windows.end(), 1u);
  windows.insert(windows.end(), {240u, 241u, 1201u});
  std::vector<Pack<W>> elsewhere(SlidingMaximum<W>::required_values({9001}));
  for (const std::uint32_t window : windows) {
    const std::vector<Track> tracks = tracks_for(window);
    std::vector<Track> expected;
    for (const Track& track : tracks) expected.push_back(by_definition(track, window));
    std::vector<Pack<W>> memory(SlidingMaximum<W>::required_values({window}) + 1, broadcast<W>(42.0f));  // a fence
    SlidingMaximum<W> maximum;
    ASSERT_EQ(maximum.configure({9001}, elsewhere), Setup::ok);
    in_blocks_of<W>(64, maximum, interleave<W>(tracks));  // leave it in the middle of another life
    ASSERT_EQ(maximum.configure({window}, std::span(memory).first(memory.size() - 1)), Setup::ok);
    for (std::size_t first = 0; first < tracks.size(); first += std::size_t{W}) {
      const auto here = interleave<W>({tracks.begin() + static_cast<std::ptrdiff_t>(first), tracks.end()});
      const auto wanted = interleave<W>({expected.begin() + static_cast<std::ptrdiff_t>(first), expected.end()});
      for (const std::size_t cut : {std::size_t{1}, std::size_t{7}, std::size_t{64}, here.size()}) {
        maximum.reset();  // as good as new, from any state
        const auto out = in_blocks_of<W>(cut, maximum, here);
        for (int l = 0; l < W; ++l)
          ASSERT_EQ(lane_of<W>(out, l), lane_of<W>(wanted, l))
              << "window " << window << ", blocks of " << cut << ", lane " << l << " from track " << first;
      }
    }
    EXPECT_EQ(lane<W>(memory.back(), 0), 42.0f) << "wrote past the memory it asked for";
  }
}
TYPED_TEST(SlidingMaximumOf, RefusedSetupLeavesItAsItWas) {
  constexpr int W = TypeParam::value;
  using Maximum = SlidingMaximum<W>;
  std::vector<Pack<W>> memory(Maximum::required_values({8}));
  Maximum maximum;
  ASSERT_EQ(maximum.configure({8}, memory), Setup::ok);
  EXPECT_EQ(maximum.configure({0}, memory), Setup::out_of_range);
  EXPECT_EQ(maximum.configure({Maximum::kMaxWindowSamples + 1}, memory), Setup::out_of_range);
  EXPECT_EQ(maximum.configure({10}, memory), Setup::memory_too_small);
  EXPECT_EQ(lane_of<W>(in_blocks_of<W>(3, maximum, interleave<W>({{9, 5, 0, 0, 0, 0, 0, 0, 0, 0}})), 0),
            (Track{9, 9, 9, 9, 9, 9, 9, 9, 5, 0}));
}
TEST(SlidingMaximum, IsTheIdentityBeforeItIsConfigured) {
  SlidingMaximum<1> maximum;
  const Track in{3, 1, 2};
  Track out(3);
  maximum.process(in, out);
  EXPECT_EQ(out, in);
}
TEST(SlidingMaximum, TakesItsGreatestWindow) {
  using Maximum = SlidingMaximum<1>;
  Track memory(Maximum::required_values({Maximum::kMaxWindowSamples}));
  Maximum maximum;
  ASSERT_EQ(maximum.configure({Maximum::kMaxWindowSamples}, memory), Setup::ok);
  Track track(Maximum::kMaxWindowSamples + 1, 0.0f);
  track[0] = 1.0f;
  track = in_blocks_of<1>(64, maximum, track);
  EXPECT_EQ(track[track.size() - 2], 1.0f);
  EXPECT_EQ(track.back(), 0.0f);
}
TEST(SlidingMaximum, ReadsThePublishedExample) {
  // D. Lemire, "Streaming Maximum-Minimum Filter Using No More than Three Comparisons per Element", Nordic Journal of
  // Computing 13(4), 2006: 1, 2, 3, 2, 1 with a window of 3; the part where the window is full.
  Track memory(SlidingMaximum<1>::required_values({3}));
  SlidingMaximum<1> maximum;
  ASSERT_EQ(maximum.configure({3}, memory), Setup::ok);
  const Track out = in_blocks_of<1>(5, maximum, {1, 2, 3, 2, 1});
  EXPECT_EQ(Track(out.begin() + 2, out.end()), (Track{3, 3, 3}));
}
}  // namespace
