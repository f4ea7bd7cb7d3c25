// Must hold: the theorem at the top of pipeline.hpp, for every number of workers and slots.
#include "harness/render/pipeline.hpp"

#include <gmock/gmock.h>

#include <atomic>
#include <random>
#include <stdexcept>
#include <string>
#include <thread>
#include <tuple>
#include <utility>

namespace rackproof {
namespace {

using testing::Combine;
using testing::Values;

/// A little work whose length nobody foresees.
void dawdle(std::mt19937& rng) {
  for (auto i = rng() % 2000; i > 0; --i) std::atomic_signal_fence(std::memory_order_seq_cst);
  if (rng() % 8 == 0) std::this_thread::yield();
}

class EveryCrew : public testing::TestWithParam<std::tuple<std::size_t, std::size_t, std::size_t>> {};
INSTANTIATE_TEST_SUITE_P(, EveryCrew, Combine(Values(1u, 2u, 3u, 8u), Values(1u, 2u, 8u), Values(0u, 1u, 3u, 200u)));

/// fetch -> two branches of two -> one that joins them: each slot carries what its chunk has been through.
TEST_P(EveryCrew, HandsEveryChunkOnInOrder) {
  const std::size_t workers = std::get<0>(GetParam()), slots = std::get<1>(GetParam()),
                    chunks = std::get<2>(GetParam());
  struct Slot {
    std::size_t chunk = 0, branch[2] = {}, twice[2] = {};
    bool in_use = false;
  };
  std::vector<Slot> held(slots);
  std::vector<std::size_t> seen[6];
  std::atomic<int> inside[6] = {};
  std::vector<std::mt19937> rng;
  for (unsigned stage = 0; stage < 6; ++stage) rng.emplace_back(stage);
  const auto alone = [&](std::size_t stage, std::size_t chunk) {
    EXPECT_EQ(inside[stage].fetch_add(1), 0) << "two workers in stage " << stage;
    dawdle(rng[stage]);
    seen[stage].push_back(chunk);
    inside[stage].fetch_sub(1);
  };
  std::size_t next = 0;
  Pipeline pipeline(slots, [&](std::size_t slot) {
    if (next == chunks) return false;
    EXPECT_FALSE(held[slot].in_use) << "chunk " << next << " put where another still is";
    held[slot] = {.chunk = next, .in_use = true};
    alone(0, next++);
    return true;
  });
  std::vector<Pipeline::Stage> ends;
  for (std::size_t b = 0; b < 2; ++b) {
    const auto first = pipeline.add({Pipeline::kFetch}, [&, b](std::size_t slot) {
      alone(1 + b, held[slot].chunk);
      held[slot].branch[b] = held[slot].chunk + 1;
    });
    ends.push_back(pipeline.add({first}, [&, b](std::size_t slot) {
      alone(3 + b, held[slot].branch[b] - 1);
      held[slot].twice[b] = 2 * held[slot].branch[b];
    }));
  }
  pipeline.add(ends, [&](std::size_t slot) {
    EXPECT_EQ(held[slot].twice[0], 2 * held[slot].chunk + 2);
    EXPECT_EQ(held[slot].twice[1], 2 * held[slot].chunk + 2);
    alone(5, held[slot].chunk);
    held[slot].in_use = false;
  });
  pipeline.run(workers);
  std::vector<std::size_t> all(chunks);
  for (std::size_t i = 0; i < chunks; ++i) all[i] = i;
  for (const auto& stage : seen) EXPECT_EQ(stage, all);
}

/// One alone has its chunk at hand all the way, however many slots there are.
TEST(Pipeline, AWorkerGoesOnWithTheChunkAtHand) {
  std::vector<std::string> done;
  std::size_t chunk = 0;
  Pipeline pipeline(3, [&](std::size_t slot) {
    if (chunk == 4) return false;
    EXPECT_EQ(slot, chunk % 3);
    done.push_back("fetch " + std::to_string(chunk++));
    return true;
  });
  const auto stage = [&](const char* name) {
    return [&, name](std::size_t) { done.push_back(name + std::to_string(chunk - 1)); };
  };
  const auto first = pipeline.add({Pipeline::kFetch}, stage("first "));
  const auto second = pipeline.add({first}, stage("second "));
  pipeline.add({second}, stage("third "));
  pipeline.run(1);
  EXPECT_THAT(done, testing::ElementsAre("fetch 0", "first 0", "second 0", "third 0", "fetch 1", "first 1", "second 1",
                                         "third 1", "fetch 2", "first 2", "second 2", "third 2", "fetch 3", "first 3",
                                         "second 3", "third 3"));
}

TEST(Pipeline, WhatAStageThrowsReachesTheCallerAndEndsTheRun) {
  for (const std::size_t workers : {1u, 2u, 5u})
    for (std::size_t thrower = 0; thrower < 3; ++thrower) {
      std::size_t fetched = 0;
      std::atomic<int> inside = 0;
      const auto work = [&](std::size_t stage) {
        ++inside;
        if (stage == thrower && fetched >= 10) {
          --inside;
          throw std::runtime_error("stage " + std::to_string(stage));
        }
        --inside;
      };
      Pipeline pipeline(3, [&](std::size_t) {
        ++fetched;
        work(0);
        return true;  // without end
      });
      const auto middle = pipeline.add({Pipeline::kFetch}, [&](std::size_t) { work(1); });
      pipeline.add({middle}, [&](std::size_t) { work(2); });
      try {
        pipeline.run(workers);
        FAIL() << "went on for ever?";
      } catch (const std::runtime_error& error) {
        EXPECT_EQ(error.what(), "stage " + std::to_string(thrower));
      }
      EXPECT_EQ(inside, 0) << "somebody was still at work";
      EXPECT_LE(fetched, 14u);
    }
}

TEST(Pipeline, WorkersAreAtWorkAtTheSameTime) {
  std::atomic<int> met = 0;
  bool once = true;
  const auto wait_for_the_other = [&](std::size_t) {  // alone, this would never end
    ++met;
    while (met < 2) std::this_thread::yield();
  };
  Pipeline pipeline(1, [&](std::size_t) { return std::exchange(once, false); });
  pipeline.add({Pipeline::kFetch}, wait_for_the_other);
  pipeline.add({Pipeline::kFetch}, wait_for_the_other);
  pipeline.run(2);
  EXPECT_EQ(met, 2);
}

}  // namespace
}  // namespace rackproof
