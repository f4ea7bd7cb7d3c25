// Must hold: what the blocks of a chain cost here adds up to the chain, and a block that the rig lacks costs nothing;
// where the machine counts no instructions, none are told. No time decides anything here.
#include "harness/firmware/cost.hpp"

#include <fcntl.h>
#include <gmock/gmock.h>
#include <linux/perf_event.h>
#include <unistd.h>

#include <filesystem>

#include "harness/part/reduced_chain.hpp"
#include "tests/harness/demo_rig.hpp"

namespace rackproof::firmware {
namespace {

namespace fs = std::filesystem;
using testing::IsEmpty;
using testing::Not;

constexpr const char *kTwoWay = "two-way-top.toml", *kThreeWay = "three-way-mono-sub.toml";
constexpr std::uint32_t kNoSuchType = 0x7fffffff;

/// No hardware is needed to count: the system counts nanoseconds of this thread as it would count instructions.
InstructionCounter task_clock() { return {PERF_TYPE_SOFTWARE, PERF_COUNT_SW_TASK_CLOCK}; }

void expect_a_whole(const ChainCost& cost) {
  ASSERT_EQ(cost.stages.size(), kStages + 1);
  EXPECT_EQ(cost.stages[0].name, "input");
  double sum = 0;
  for (std::size_t s = 0; s < cost.stages.size(); ++s) {
    const Cost& stage = cost.stages[s];
    if (s > 0) {
      EXPECT_EQ(stage.name, kStageNames[kStages - s]);
    }
    EXPECT_GE(stage.worst_block, stage.mean) << stage.name;
    sum += stage.mean;
  }
  EXPECT_GT(cost.whole.mean, 0);
  EXPECT_GE(cost.whole.worst_block, cost.whole.mean);
  // Differences of the same values, summed in another order: some thousand roundings of 1e-16 each.
  EXPECT_NEAR(sum, cost.whole.mean, 1e-12 * cost.whole.mean);
}

TEST(CostHere, IsTheSumOfItsBlocks) {
  for (const char* name : {kTwoWay, kThreeWay}) {
    const rig::Rig rig = test::demo_rig(name);
    const CompiledRig compiled = compile(rig);
    InstructionCounter none(kNoSuchType, 0);
    const HostCost cost = cost_here(rig, compiled, none);
    expect_a_whole(cost.ns);
    EXPECT_FALSE(cost.instructions) << "counted by a counter that refused";
    EXPECT_GT(cost.state_bytes, 0u);
    ASSERT_EQ(cost.alone_ns.size(), compiled.outputs.size());
    for (std::size_t o = 0; o < compiled.outputs.size(); ++o) {
      EXPECT_EQ(cost.alone_ns[o].name, compiled.outputs[o].name);
      EXPECT_GT(cost.alone_ns[o].mean, 0);
    }
  }
}

TEST(CostHere, ABlockThatTheRigLacksCostsNothing) {
  rig::Rig rig = test::demo_rig(kThreeWay);
  for (rig::Way& way : rig.ways) way.thermal.reset();
  InstructionCounter none(kNoSuchType, 0);
  for (const Cost& stage : cost_here(rig, compile(rig), none).ns.stages) {
    const bool lacks = stage.name == "power limiters";
    EXPECT_EQ(stage.mean == 0.0, lacks) << stage.name;  // what is timed does not come to 0 to the last bit
    EXPECT_EQ(stage.worst_block == 0.0, lacks) << stage.name;
  }
}

TEST(CostHere, HoldsForEveryLengthOfBlock) {
  rig::Rig rig = test::demo_rig(kTwoWay);
  for (const std::uint32_t block : {5u, 63u, 4097u}) {
    rig.controller.block_frames = block;
    InstructionCounter none(kNoSuchType, 0);
    expect_a_whole(cost_here(rig, compile(rig), none).ns);
  }
}

TEST(CostHere, CountsWhereTheCounterDoes) {
  InstructionCounter counter = task_clock();
  if (!counter.refusal().empty()) GTEST_SKIP() << counter.refusal();
  const rig::Rig rig = test::demo_rig(kTwoWay);
  const HostCost cost = cost_here(rig, compile(rig), counter);
  ASSERT_TRUE(cost.instructions);
  expect_a_whole(*cost.instructions);
}

TEST(CostHere, TellsNoCountOfACounterThatWasTakenAway) {
  InstructionCounter counter = task_clock();
  if (!counter.refusal().empty()) GTEST_SKIP() << counter.refusal();
  const int nothing = ::open("/dev/null", O_RDONLY | O_CLOEXEC);
  int replaced = 0;
  for (int file = 3; file < 256; ++file) {
    std::error_code is_not_open;
    const fs::path what = fs::read_symlink("/proc/self/fd/" + std::to_string(file), is_not_open);
    if (what.string().find("perf_event") != std::string::npos) replaced += ::dup2(nothing, file) == file;
  }
  ASSERT_EQ(replaced, 1);
  const rig::Rig rig = test::demo_rig(kTwoWay);
  const HostCost cost = cost_here(rig, compile(rig), counter);
  EXPECT_FALSE(cost.instructions);
  EXPECT_THAT(counter.refusal(), testing::HasSubstr("taken away"));
  expect_a_whole(cost.ns);
  ::close(nothing);
}

TEST(InstructionCounter, CountsOrSaysWhyNot) {
  InstructionCounter counter;
  const std::int64_t before = counter.now();
  for (volatile int turn = 0; turn < 1000;) turn = turn + 1;
  const std::int64_t counted = counter.now() - before;
  if (counter.refusal().empty())
    EXPECT_GE(counted, 3000) << "a load, a sum and a store a turn";
  else
    EXPECT_EQ(counted, 0) << counter.refusal();

  InstructionCounter none(kNoSuchType, 0);
  EXPECT_THAT(none.refusal(), Not(IsEmpty()));
  EXPECT_EQ(none.now(), 0);
}

}  // namespace
}  // namespace rackproof::firmware
