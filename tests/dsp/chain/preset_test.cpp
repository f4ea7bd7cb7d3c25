// Must hold: a switch of presets takes those of its group alone, and none whose numbers were damaged. What the self-test
// refuses is tried on whole exports: tests/harness/firmware/numbers_test.cpp.
#include "dsp/chain/preset.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <vector>

#include "tests/dsp/chain/test_rig.hpp"

namespace rackproof::dsp {
namespace {

Preset preset_of(const test::TestRig& rig, std::uint8_t group) {
  return {"a", rig.settings, {}, Fingerprint::of(rig.settings), 0, 64, bytes_in_one_lane(rig.settings), group};
}

TEST(Preset, ASwitchTakesItsGroupAloneAndNoDamagedNumbers) {
  test::TestRig rig(1, 2, true);
  const Preset table[] = {preset_of(rig, 1), preset_of(rig, 1), preset_of(rig, 2), preset_of(rig, 0)};
  const SwitchPlan plan = switch_plan(table, 1);
  EXPECT_EQ(plan.group, 1);
  std::vector<std::byte> memory(ChainSwitch::required_bytes(plan));
  ChainSwitch chains;
  EXPECT_EQ(change(chains, table[0]), Change::refused) << "nothing runs";
  EXPECT_EQ(configure(chains, plan, table[2], memory, Level::lanes_1), Setup::out_of_range);
  SwitchPlan without = plan;
  without.group = 0;
  for (const Preset& one : table)
    EXPECT_EQ(configure(chains, without, one, memory, Level::lanes_1), Setup::out_of_range) << "a plan of no presets";
  ASSERT_EQ(configure(chains, plan, table[0], memory, Level::lanes_1), Setup::ok);
  EXPECT_EQ(change(chains, table[2]), Change::refused) << "the same shape, and other things wired to it";
  EXPECT_EQ(change(chains, table[3]), Change::refused);
  EXPECT_FALSE(chains.busy());
  rig.outputs()[1].power.threshold_rms *= 2;  // what it points to: the table's settings now differ from their prints
  EXPECT_FALSE(is_intact(table[1]));
  EXPECT_EQ(change(chains, table[1]), Change::refused);
  EXPECT_EQ(chains.outputs(), 2u);
  EXPECT_EQ(configure(chains, plan, table[1], memory, Level::lanes_1), Setup::out_of_range);
  EXPECT_EQ(chains.outputs(), 0u) << "what ran before does not go on";
  std::array<float, 64> feed{}, left, right;
  const float* const feeds[] = {feed.data()};
  float* const outputs[] = {left.data(), right.data()};
  left.fill(1);
  right.fill(1);
  chains.process(feeds, outputs, 64);
  EXPECT_EQ(std::count(left.begin(), left.end(), 0.0f) + std::count(right.begin(), right.end(), 0.0f), 128);
  EXPECT_EQ(change(chains, table[0]), Change::refused);
  rig.outputs()[1].power.threshold_rms /= 2;
  EXPECT_TRUE(is_intact(table[1]));
  ASSERT_EQ(configure(chains, plan, table[0], memory, Level::lanes_1), Setup::ok);
  EXPECT_EQ(change(chains, table[1]), Change::taken);
  EXPECT_TRUE(chains.busy());
  // The control: bare settings are taken, whatever they drive.
  ChainSwitch bare;
  ASSERT_EQ(bare.configure(plan, table[0].chain, memory, Level::lanes_1), Setup::ok);
  EXPECT_EQ(bare.change(table[2].chain), Change::taken);
}

}  // namespace
}  // namespace rackproof::dsp
