// Must hold: each change that is told saves what it says, in the rig that has it; what saves nothing is not told.
#include "harness/firmware/savings.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <filesystem>
#include <string>
#include <utility>

#include "dsp/chain/one_lane.hpp"
#include "tests/harness/demo_rig.hpp"

namespace rackproof::firmware {
namespace {

const Saving* saving_called(const std::vector<Saving>& list, const std::string& key) {
  const auto found = std::find_if(list.begin(), list.end(), [&](const Saving& one) { return one.key == key; });
  return found == list.end() ? nullptr : &*found;
}

TEST(Savings, AreThoseOfTheRigThatHasThem) {
  const rig::Rig rig = test::demo_rig("town-square.toml");
  const CompiledRig compiled = compile(rig);
  const std::vector<Saving> savings = savings_of(rig, nullptr, compiled);
  ASSERT_FALSE(savings.empty());
  for (std::size_t s = 1; s < savings.size(); ++s) EXPECT_GE(savings[s - 1].bytes, savings[s].bytes) << "not in order";
  // The delayed pair: two outputs, each of 28 m or so. By hand: the samples of that delay, four bytes each; the memory
  // is carved in whole cache lines of 64 bytes, two lines an output.
  rig::Rig near = rig;
  for (rig::Rig& part : near.loudspeakers)
    if (part.loudspeaker == "delayed") part.delay_s = 0;
  const CompiledRig without = compile(near);
  double samples = 0;
  for (std::size_t o = 0; o < compiled.outputs.size(); ++o)
    samples += compiled.outputs[o].delay_samples - without.outputs[o].delay_samples;
  ASSERT_GT(samples, 5000);
  const Saving* const delay = saving_called(savings, "loudspeaker.delayed.delay");
  ASSERT_NE(delay, nullptr);
  EXPECT_NEAR(static_cast<double>(delay->bytes), 4 * samples, 4 * 64);
  EXPECT_EQ(delay->bytes, dsp::bytes_in_one_lane(compiled.settings()) - dsp::bytes_in_one_lane(without.settings()));
  for (const OutputPlan& plan : compiled.outputs)
    EXPECT_NE(saving_called(savings, "output " + plan.name), nullptr) << plan.name;
  // Half a block of 64: 32 frames of 2 feeds and 8 outputs as rows, and 8 interleaved, 4 bytes each.
  const Saving* const block = saving_called(savings, "controller.block");
  ASSERT_NE(block, nullptr);
  EXPECT_EQ(block->bytes, 32 * (2 + compiled.outputs.size() + compiled.outputs.size()) * 4);
}

// Half the look-ahead and half the hold, as the words say: set by hand here, and all of the difference.
TEST(Savings, OfTheLimitersAreThoseOfHalfTheirTimes) {
  rig::Rig rig = test::demo_rig("two-way-top.toml"), less_ahead, less_hold;
  for (rig::Way& way : rig.ways) way.limit->hold_s = 0.04;
  less_ahead = rig;
  less_hold = rig;
  for (rig::Way& way : less_ahead.ways) way.limit->look_ahead_s *= 0.5;
  for (rig::Way& way : less_hold.ways) way.limit->hold_s *= 0.5;
  const CompiledRig compiled = compile(rig);
  const std::size_t now = dsp::bytes_in_one_lane(compiled.settings());
  const std::vector<Saving> savings = savings_of(rig, nullptr, compiled);
  for (const auto& [key, less] : {std::pair("limit.look_ahead", &less_ahead), std::pair("limit.hold", &less_hold)}) {
    const Saving* const saving = saving_called(savings, key);
    ASSERT_NE(saving, nullptr) << key;
    EXPECT_EQ(saving->bytes, now - dsp::bytes_in_one_lane(compile(*less).settings())) << key;
    EXPECT_EQ(saving->change, "half as long on every way");
  }
}

TEST(Savings, OfWhatTheRigLacksAreNotTold) {
  rig::Rig rig = test::demo_rig("two-way-top.toml");
  for (rig::Way& way : rig.ways) {
    way.delay_s = 0;
    way.limit.reset();
  }
  rig.controller.block_frames = 1;
  const CompiledRig compiled = compile(rig);
  const std::vector<Saving> savings = savings_of(rig, nullptr, compiled);
  for (const char* const key : {"limit.look_ahead", "limit.hold", "controller.block", "way.low.delay"})
    EXPECT_EQ(saving_called(savings, key), nullptr) << key;
  EXPECT_NE(saving_called(savings, "output low.left"), nullptr);
}

}  // namespace
}  // namespace rackproof::firmware
