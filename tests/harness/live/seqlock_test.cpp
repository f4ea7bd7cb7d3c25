// Must hold: the theorem of seqlock.hpp.
#include "harness/live/seqlock.hpp"

#include <gtest/gtest.h>

#include <array>
#include <atomic>
#include <thread>

namespace rackproof::live {
namespace {

struct Many {
  std::array<std::uint32_t, 101> values{};  // no multiple of a word
};

TEST(Seqlock, NoValueIsEverTorn) {
  Seqlock<Many> board;
  std::atomic<bool> stop{false};
  std::uint64_t reads = 0, torn = 0, back = 0;
  std::thread reader([&] {
    for (std::uint32_t last = 0; !stop; ++reads) {
      const Many many = board.read();
      for (const std::uint32_t one : many.values) torn += one != many.values[0];
      back += many.values[0] < last;
      last = many.values[0];
    }
  });
  for (std::uint32_t n = 1; n <= 200'000; ++n) {
    Many many;
    many.values.fill(n);
    board.publish(many);
  }
  stop = true;
  reader.join();
  EXPECT_EQ(torn, 0u);
  EXPECT_EQ(back, 0u);
  EXPECT_EQ(board.published(), 200'000u);
  EXPECT_EQ(board.read().values[100], 200'000u);
}

}  // namespace
}  // namespace rackproof::live
