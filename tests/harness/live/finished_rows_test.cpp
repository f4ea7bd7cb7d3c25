// Must hold: what finished_rows.hpp says.
#include "harness/live/finished_rows.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <vector>

#include "harness/live/live_rig.hpp"
#include "tests/harness/live/played.hpp"

namespace rackproof::live {
namespace {

constexpr auto kUnseen = [](auto, auto, std::size_t) {};

/// Keeps what is far too loud in its rows, and looks at the ports meanwhile; what it finishes is its feed.
struct Careless {
  std::vector<std::vector<float>>& ports;
  float most = 0;
  std::vector<std::size_t> counts{};

  void process(std::span<const float* const> feeds, std::span<float* const> rows, std::size_t count) noexcept {
    counts.push_back(count);
    for (float* const row : rows) std::fill_n(row, count, 1000.0f);
    for (const std::vector<float>& port : ports)
      for (const float x : port) most = std::max(most, std::fabs(x));
    for (float* const row : rows) std::copy_n(feeds[0], count, row);
  }
};

TEST(FinishedRows, APortNeverHoldsWhatIsOnItsWay) {
  constexpr std::size_t kFrames = 700;
  std::vector<std::vector<float>> ports(3, std::vector<float>(kFrames, 0.5f));
  std::vector<float> feed(kFrames);
  for (std::size_t n = 0; n < kFrames; ++n) feed[n] = static_cast<float>(n) / 1024;
  Careless rig{ports};
  FinishedRows finished;
  const std::vector<const float*> from{feed.data()};
  const std::vector<float*> to{ports[0].data(), ports[1].data(), ports[2].data()};
  finished.process(rig, from, to, kFrames, kUnseen);
  EXPECT_LE(rig.most, 0.75f) << "what was there, or what was finished";
  for (const std::vector<float>& port : ports) EXPECT_EQ(port, feed);
  EXPECT_EQ(rig.counts, (std::vector<std::size_t>{256, 256, 188}));
  // The control: in the ports themselves it would be heard.
  rig.process(from, to, kFrames);
  EXPECT_EQ(rig.most, 1000.0f);
}

TEST(FinishedRows, WhereTheServerGivesNoMemoryItIsSilenceAndNothingIsWritten) {
  std::vector<std::vector<float>> ports(2, std::vector<float>(300, 0.5f));
  Careless rig{ports};
  FinishedRows finished;
  finished.process(rig, std::vector<const float*>{nullptr}, std::vector<float*>{nullptr, ports[1].data()}, 300,
                   kUnseen);
  EXPECT_EQ(ports[0], std::vector<float>(300, 0.5f));
  EXPECT_EQ(ports[1], std::vector<float>(300, 0.0f));
}

TEST(FinishedRows, GiveTheSameBitsAsTheRigItself) {
  LiveRig one(test::tuning_of(test::two_way())), other(test::tuning_of(test::two_way()));
  const test::Rows in = test::noise_rows(2, 24'000, 8.0f, 3);
  FinishedRows finished;
  struct Through {
    LiveRig& rig;
    FinishedRows& finished;
    void process(std::span<const float* const> feeds, std::span<float* const> outputs, std::size_t frames) noexcept {
      finished.process(rig, feeds, outputs, frames, kUnseen);
    }
  } through{other, finished};
  EXPECT_EQ(test::play(one, in, 4, 480), test::play(through, in, 4, 480));
}

}  // namespace
}  // namespace rackproof::live
