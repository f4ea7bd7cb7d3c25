// Must hold: what the audio thread does of a live rig allocates nothing and locks nothing, whatever it is told
// meanwhile. Whoever does while it is forbidden ends the program.
#include <gtest/gtest.h>

#include <array>

#include "tests/forbidden_calls.hpp"
#include "tests/harness/live/played.hpp"

namespace {
using namespace rackproof::live;
using namespace rackproof::live::test;

TEST(LiveRealtime, NothingIsAllocatedOrLockedWhateverIsAskedFor) {
  LiveRig rig(tuning_of(two_way()));
  const Rows noise = noise_rows(2, 64, 2.0f, 1);
  std::array<std::array<float, 64>, 4> out{};
  const std::array<const float*, 2> from{noise[0].data(), noise[1].data()};
  const std::array<float*, 4> to{out[0].data(), out[1].data(), out[2].data(), out[3].data()};
  for (std::size_t block = 0; block < 3000; ++block) {
    if (block % 900 == 500) rig.retune(tuning_of(replaced(two_way(), "gain = \"-6 dB\"", "gain = \"-9 dB\"")));
    if (block % 100 == 50) rig.mute(block % 4, block % 200 == 50);
    forbidden = true;
    rig.process(from, to, 64);
    rig.missed(64);
    rig.took(0.1f);
    forbidden = false;
    rig.proceed();
  }
  EXPECT_EQ(rig.retunes(), 3u);
  EXPECT_GT(rig.readings().published(), 100u);
}

TEST(LiveRealtimeDeathTest, TheTrapCatchesAnAllocation) {
  if (!RACKPROOF_OWN_MALLOC) GTEST_SKIP() << "the sanitizer brings its own allocator";
  EXPECT_DEATH(
      {
        forbidden = true;
        std::vector<float> rows(64);
        std::abort();
      },
      "malloc in the audio path");
}

}  // namespace
