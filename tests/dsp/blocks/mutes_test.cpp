// Must hold: a muted output is exact zeros; on the way there and back no sample is greater than without; what happens
// hangs on the grid and on nothing else; outputs that are heard keep their bits.
#include "dsp/blocks/mutes.hpp"

#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <random>
#include <vector>

namespace rackproof::dsp {
namespace {

using MutedRow = std::vector<float>;

MutedRow noise_row(std::size_t frames) {
  std::mt19937 rng(7);
  MutedRow row(frames);
  for (float& x : row) x = static_cast<float>(static_cast<std::int32_t>(rng())) * 0x1p-31f;
  return row;
}

/// Two outputs, of which the first is muted and heard at `events` (frame, muted), in calls of `block` frames at most.
struct MuteEvent {
  std::size_t frame;
  bool muted;
};
MutedRow through_mutes(const MutedRow& in, std::vector<MuteEvent> events, std::size_t block,
                       bool begins_muted = false) {
  std::array<Mutes::Output, 2> memory{};
  memory[0].begins_muted = begins_muted;
  Mutes mutes;
  mutes.configure(memory);
  MutedRow out = in, beside = in;
  for (std::size_t n = 0; n < in.size();) {
    for (const MuteEvent& event : events)
      if (event.frame == n) mutes.want(0, event.muted);
    std::size_t count = std::min(block, std::min<std::size_t>(in.size() - n, kGridFrames - n % kGridFrames));
    for (const MuteEvent& event : events)
      if (event.frame > n) count = std::min(count, event.frame - n);
    const std::array<float*, 2> rows{&out[n], &beside[n]};
    mutes.process(rows, count);
    n += count;
  }
  EXPECT_EQ(beside, in) << "the other output";
  return out;
}

TEST(Mutes, FallInOneCellToExactZerosAndComeBackInOne) {
  const MutedRow in = noise_row(10 * kGridFrames);
  // Wanted in the middle of cells: taken up at 2 and at 5 cells.
  const MutedRow out = through_mutes(in, {{100, true}, {300, false}}, kGridFrames);
  for (std::size_t n = 0; n < in.size(); ++n) {
    const std::size_t cell = n / kGridFrames, in_cell = n % kGridFrames;
    const float expected = cell < 2 || cell > 5 ? in[n]
                           : cell == 2          ? in[n] * (static_cast<float>(63 - in_cell) / 64.0f)
                           : cell == 5          ? in[n] * (static_cast<float>(in_cell + 1) / 64.0f)
                                                : 0.0f;
    ASSERT_EQ(out[n], expected) << n;
    ASSERT_LE(std::abs(out[n]), std::abs(in[n])) << n;
  }
  EXPECT_EQ(out[2 * kGridFrames + 63], 0.0f) << "the last of the ramp";
  EXPECT_EQ(out[5 * kGridFrames + 63], in[5 * kGridFrames + 63]);
}

TEST(Mutes, TheBlockSizeDoesNotMatterAndTheLastWishInACellCounts) {
  const MutedRow in = noise_row(12 * kGridFrames);
  const std::vector<MuteEvent> events{{10, true}, {64, false}, {65, true}, {190, false}, {191, true}, {400, false}};
  const MutedRow expected = through_mutes(in, events, kGridFrames);
  for (const std::size_t block : {1u, 5u, 63u}) EXPECT_EQ(through_mutes(in, events, block), expected) << block;
  EXPECT_EQ(through_mutes(in, {{70, true}, {90, false}}, 8), in) << "both within one cell: nothing has been wanted";
}

TEST(Mutes, BeginsAsItIsSetWithoutARamp) {
  const MutedRow in = noise_row(4 * kGridFrames);
  EXPECT_EQ(through_mutes(in, {}, 64, true), MutedRow(in.size(), 0.0f));
  EXPECT_EQ(through_mutes(in, {}, 64), in);
  std::array<Mutes::Output, 1> memory{};
  memory[0].begins_muted = true;
  Mutes mutes;
  mutes.configure(memory);
  mutes.want(0, false);
  MutedRow row = in;
  const std::array<float*, 1> rows{row.data()};
  mutes.process(rows, kGridFrames);
  EXPECT_EQ(row[0], in[0] * (1.0f / 64.0f)) << "and comes back with one";
  mutes.reset();
  row = in;
  mutes.process(rows, kGridFrames);
  EXPECT_EQ(row[40], 0.0f) << "reset: as it began";
}

TEST(Mutes, OfNoOutputsDoesNothing) {
  Mutes mutes;
  mutes.process({}, 64);
  mutes.reset();
}

}  // namespace
}  // namespace rackproof::dsp
