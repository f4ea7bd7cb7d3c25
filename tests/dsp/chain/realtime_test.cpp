// Must hold: `process` allocates nothing and locks nothing. Whoever does while it is forbidden ends the program.
#include <gtest/gtest.h>

#include <array>
#include <span>
#include <vector>

#include "dsp/chain/switch.hpp"
#include "tests/dsp/chain/test_rig.hpp"
#include "tests/forbidden_calls.hpp"

namespace {
using namespace rackproof::dsp;
using namespace rackproof::dsp::test;

TEST(Realtime, ProcessNeitherAllocatesNorLocks) {
  const TestRig rig(2, 3, true);
  const Signals in = programme(2, 6400, 48000);
  for (const Level level : {Level::lanes_1, Level::lanes_4, Level::lanes_8, Level::lanes_16}) {
    if (!Chain::has(level)) continue;
    LentChain lent(rig.settings, level), other(rig.settings);
    ASSERT_EQ(lent.setup, Setup::ok);
    Signals out(lent.chain.outputs(), std::vector<float>(6400));
    std::array<const float*, kMaxFeeds> from{};
    std::array<float*, kMaxOutputs> to{};
    for (std::size_t n = 0; n < 6400; n += 80) {
      for (std::size_t f = 0; f < 2; ++f) from[f] = &in[f][n];
      for (std::size_t o = 0; o < out.size(); ++o) to[o] = &out[o][n];
      forbidden = true;
      lent.chain.process(std::span(from).first(2), std::span(to).first(out.size()), 80);
      static_cast<void>(lent.chain.take_meter(0));
      const auto adopted = lent.chain.adopt_heat(other.chain);
      forbidden = false;
      ASSERT_EQ(adopted, rackproof::dsp::Setup::ok);
    }
  }
}
TEST(Realtime, ASwitchNeitherAllocatesNorLocksWhateverItDoes) {
  const TestRig rig(2, 3, true);
  for (const std::size_t chains : {2u, 1u}) {
    SwitchPlan plan =
        SwitchPlan::of({&rig.settings, 1}, [](const ChainSettings& s) { return Chain::required_bytes(s); });
    plan.chains = chains;
    plan.settle_frames = 0;
    std::vector<std::byte> memory(ChainSwitch::required_bytes(plan));
    ChainSwitch made;
    ASSERT_EQ(made.configure(plan, rig.settings, memory), Setup::ok);
    std::vector<std::vector<float>> in(2, std::vector<float>(80, 0.5f)), out(5, std::vector<float>(80));
    std::array<const float*, 2> from{in[0].data(), in[1].data()};
    std::array<float*, 5> to{};
    for (std::size_t o = 0; o < to.size(); ++o) to[o] = out[o].data();
    int taken = 0;
    forbidden = true;
    for (int block = 0; block < 400; ++block) {
      if (block % 50 == 7 || made.busy()) taken += made.change(rig.settings) == Change::taken ? 1 : 0;
      made.mute(1, block % 40 < 20);
      static_cast<void>(made.trim(0, block % 60 < 30 ? 0.5f : 1.0f));
      made.process(from, to, 80);
      static_cast<void>(made.take_meter(0));
    }
    forbidden = false;
    EXPECT_GT(taken, 5);
  }
}
// Negative controls: the traps do spring.
void allocate_in_the_audio_path() {
  forbidden = true;
  void* volatile memory = std::malloc(100);  // volatile: what nobody looks at, a compiler may leave out
  std::free(memory);
}
void lock_in_the_audio_path() {
  pthread_mutex_t mutex = PTHREAD_MUTEX_INITIALIZER;
  forbidden = true;
  pthread_mutex_lock(&mutex);
}
#if RACKPROOF_OWN_MALLOC
TEST(RealtimeDeathTest, TheTrapForAllocationSprings) {
  EXPECT_DEATH(allocate_in_the_audio_path(), "malloc in the audio path");
}
#endif
TEST(RealtimeDeathTest, TheTrapForLocksSprings) { EXPECT_DEATH(lock_in_the_audio_path(), "a lock in the audio path"); }
}  // namespace
