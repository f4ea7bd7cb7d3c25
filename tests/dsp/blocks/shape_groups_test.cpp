// Must hold: the claim at the top of shape_groups.hpp.
#include "dsp/blocks/shape_groups.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <random>
#include <span>
#include <vector>

namespace {
using namespace rackproof::dsp;

using Shapes = std::vector<LimiterShape>;

TEST(ShapeGroups, EveryShapeOnceTheLongestFirstAndEachLaneInItsOwn) {
  std::mt19937 rng(1);
  std::size_t together = 0, apart = 0;
  for (int trial = 0; trial < 3000; ++trial) {
    Shapes lanes(rng() % 8 + 1);
    for (LimiterShape& lane : lanes)
      lane = {static_cast<std::uint32_t>(rng() % 4), static_cast<std::uint32_t>(rng() % 2), rng() % 30 == 0};
    Shapes different;
    for (const LimiterShape& lane : lanes)
      if (std::find(different.begin(), different.end(), lane) == different.end()) different.push_back(lane);
    const bool one_kind = std::all_of(lanes.begin(), lanes.end(),
                                      [&](const LimiterShape& lane) { return lane.true_peak == lanes[0].true_peak; });
    const ShapeGroups<8> groups(lanes);
    ASSERT_EQ(groups.together(), one_kind && different.size() <= ShapeGroups<8>::kMostShapes);
    (groups.together() ? together : apart) += 1;
    if (!groups.together()) continue;
    ASSERT_EQ(groups.size(), different.size());
    for (std::size_t k = 0; k < groups.size(); ++k)
      ASSERT_LE(groups[k].look_ahead_samples, groups[0].look_ahead_samples);
    for (std::size_t l = 0; l < 8; ++l)
      ASSERT_EQ(groups[groups.group_of(l)], lanes[std::min(l, lanes.size() - 1)]) << "lane " << l;
    if (lanes.size() > 4) continue;
    const ShapeGroups<4> narrow(lanes);
    PackInt<4> all{};
    for (std::size_t k = 0; k < narrow.size(); ++k) all += narrow.lanes_of(k);
    for (int l = 0; l < 4; ++l) {
      ASSERT_EQ(narrow.lanes_of(narrow.group_of(static_cast<std::size_t>(l)))[l], -1) << "lane " << l;
      ASSERT_EQ(all[l], -1) << "in one group, and in no other";
    }
  }
  EXPECT_GT(together, 300u);
  EXPECT_GT(apart, 300u) << "the control: some do not go together";
}
TEST(ShapeGroups, OneLaneHasOneShape) {
  const Shapes two = {{1, 0, false}, {2, 0, false}};
  EXPECT_FALSE(ShapeGroups<1>(two).together());
  EXPECT_TRUE(ShapeGroups<1>(std::span(two).first(1)).together());
  EXPECT_EQ(ShapeGroups<1>(std::span(two).first(1)).lanes_of(0), -1);
}
TEST(ShapeGroups, TheirNumberComesAsAConstant) {
  for (std::size_t count = 1; count <= 4; ++count) {
    std::size_t seen = 0;
    with_constant<4>(count, [&](auto constant) { seen = decltype(constant)::value; });
    EXPECT_EQ(seen, count);
  }
}
TEST(LaneReads, EachLaneReadsAtItsOwnDistance) {
  constexpr std::size_t kDistances[] = {11, 1, 4};
  const Shapes shapes = {{1, 0, false}, {9, 0, false}, {2, 0, false}};
  const ShapeGroups<4> groups(shapes);  // lane 3 is of lane 2's
  std::array<PackInt<4>, 3> lanes;
  for (std::size_t k = 0; k < 3; ++k) lanes[k] = groups.lanes_of(k);
  std::vector<Pack<4>> memory(11);
  Ring<Pack<4>> ring{std::span(memory)};
  const auto value = [](int n, int l) { return static_cast<float>(n < 0 ? 0 : 100 * n + l + 1); };
  int n = 0;
  for (int stretch = 1; n < 200; ++stretch) {  // a reader made anew goes on where the last one was
    LaneReads<4, Pack<4>, 3> reads(ring, lanes, [&](std::size_t k) { return kDistances[k]; });
    for (int i = 0; i < stretch; ++i, ++n) {
      const Pack<4> read = reads.next(ring);
      for (int l = 0; l < 4; ++l) {
        const std::size_t k = groups.group_of(static_cast<std::size_t>(l));
        ASSERT_EQ(read[l], value(n - static_cast<int>(kDistances[k]), l)) << "value " << n << ", lane " << l;
      }
      Pack<4> newest;
      for (int l = 0; l < 4; ++l) newest[l] = value(n, l);
      ring.put(newest);
    }
  }
}
}  // namespace
