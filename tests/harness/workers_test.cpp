// Must hold: every worker does its share once, and one alone does all where the machine grants no threads.
#include "harness/workers.hpp"

#include <gtest/gtest.h>
#include <pthread.h>

#include <array>
#include <atomic>
#include <set>

namespace rackproof {
namespace {

TEST(SideBySide, EveryWorkerIsCalledOnceAndTheFirstIsTheCaller) {
  for (const std::size_t workers : {0u, 1u, 2u, 8u}) {
    std::array<std::atomic<int>, 8> calls{};
    std::thread::id first;
    side_by_side(workers, [&](std::size_t i) {
      ++calls[i];
      if (i == 0) first = std::this_thread::get_id();
    });
    EXPECT_EQ(first, std::this_thread::get_id());
    for (std::size_t i = 0; i < calls.size(); ++i) EXPECT_EQ(calls[i], i < workers || i == 0 ? 1 : 0) << workers;
  }
}

/// A stack of 64 TiB is what no machine grants.
TEST(SideBySide, WithoutThreadsTheCallerDoesAll) {
  pthread_attr_t usual, vast;
  ASSERT_EQ(pthread_getattr_default_np(&usual), 0);
  ASSERT_EQ(pthread_getattr_default_np(&vast), 0);
  ASSERT_EQ(pthread_attr_setstacksize(&vast, std::size_t{1} << 46), 0);
  ASSERT_EQ(pthread_setattr_default_np(&vast), 0);
  std::multiset<std::size_t> called;
  side_by_side(4, [&](std::size_t i) { called.insert(i); });
  ASSERT_EQ(pthread_setattr_default_np(&usual), 0);
  EXPECT_EQ(called, std::multiset<std::size_t>{0});
}

}  // namespace
}  // namespace rackproof
