// Must hold: the claim at the top of ring.hpp.
#include "dsp/blocks/ring.hpp"

#include <gtest/gtest.h>

#include <cstddef>
#include <span>
#include <vector>

namespace {
using namespace rackproof::dsp;

/// By brute force: all that was ever put in, kept.
int put_in_ago(const std::vector<int>& all, std::size_t back) { return back > all.size() ? 0 : all[all.size() - back]; }

TEST(Ring, TellsWhatWasPutInAnyNumberOfValuesAgo) {
  for (std::size_t size = 1; size <= 40; ++size) {
    std::vector<int> memory(size + 1, 42), all;
    Ring<int> ring{std::span<int>(memory).first(size)};
    EXPECT_EQ(ring.size(), size);
    for (int x = 1; x < 130; ++x) {
      for (std::size_t back = 1; back <= size; ++back) ASSERT_EQ(*ring.before(back), put_in_ago(all, back)) << size;
      ASSERT_EQ(ring.before(0), ring.place());
      ASSERT_EQ(*ring.place(), put_in_ago(all, size)) << "the oldest goes next";
      ring.put(x);
      all.push_back(x);
    }
    ring.reset();
    for (std::size_t back = 1; back <= size; ++back) EXPECT_EQ(*ring.before(back), 0) << "nothing is left after reset";
    EXPECT_EQ(memory.back(), 42) << "wrote past its memory";
  }
}
TEST(Ring, TakesStretchesAsItTakesValues) {
  for (std::size_t stretch = 1; stretch <= 12; ++stretch) {
    std::vector<int> memory(12), other(12);
    Ring<int> ring{std::span(memory)}, one_by_one{std::span(other)};
    for (int x = 1; x < 100;) {
      const std::size_t count = std::min(stretch, static_cast<std::size_t>(ring.end() - ring.place()));
      for (std::size_t k = 0; k < count; ++k, ++x) {
        ring.place()[k] = x;
        one_by_one.put(x);
      }
      ring.advance(count);
      for (std::size_t back = 1; back <= 12; ++back) ASSERT_EQ(*ring.before(back), *one_by_one.before(back));
    }
  }
}
TEST(Ring, AReaderThatGoesOnReadsWhatItsDistanceSays) {
  std::vector<int> memory(7), all;
  Ring<int> ring{std::span(memory)};
  for (std::size_t distance = 1; distance <= 7; ++distance) {
    ring.reset();
    all.clear();
    const int* at = ring.before(distance);
    for (int x = 1; x < 60; ++x) {
      ASSERT_EQ(*at, put_in_ago(all, distance)) << distance;
      ring.put(x);
      all.push_back(x);
      at = ring.after(at);
    }
  }
}
TEST(Ring, NoMemoryIsNoValues) {
  Ring<float> ring;
  ring.reset();
  EXPECT_EQ(ring.size(), 0u);
  EXPECT_EQ(ring.begin(), nullptr);
}
}  // namespace
