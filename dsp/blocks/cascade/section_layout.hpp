#pragma once
/// Where the sections of up to W channels lie in the lanes of stages of W lanes.
/// Method   a row holds one section of each channel: its length, the stride, is the number of channels or a little
///          more. Rows lie end to end in the lanes: row 0 begins in lane 0 of stage 0, row r in lane r stride of all
///          lanes. A pass is the stages that go over the frames together, kTogether at most. No row of a pass stands in
///          two passes, and the last row of each pass stands in one stage. A stride of W is a row a stage.
/// Choice   the fewest stages; of as many, a row a stage (no wavefront), or else the shortest rows.
#include <algorithm>
#include <cstddef>
#include <span>
#include <type_traits>
#include <utility>

#include "dsp/blocks/cascade/wavefront.hpp"
#include "dsp/grid.hpp"
#include "dsp/pack.hpp"
namespace rackproof::dsp::inline RACKPROOF_LEVEL {

/// `full` passes of full_rows rows in full_stages stages, then one of last_rows in last_stages.
template <int W>
struct SectionLayout {
  static constexpr std::size_t kNowhere = 256;  ///< a row that is none
  static constexpr std::size_t kTogether = W == 1 ? 2 : W == 16 ? 5 : 3;

  /// The lengths of rows in use. In 8 lanes, moving on by three or six lanes takes more than it saves; in 16, rows of
  /// more than twelve save too few stages.
  using Strides = std::conditional_t<
      W == 16, std::index_sequence<1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 16>,
      std::conditional_t<W == 8, std::index_sequence<1, 2, 4, 8>,
                         std::conditional_t<W == 4, std::index_sequence<1, 2, 4>, std::index_sequence<1>>>>;

  std::size_t stride = W;
  std::size_t full = 0;
  std::size_t full_rows = 0;
  std::size_t full_stages = 0;
  std::size_t last_rows = 0;
  std::size_t last_stages = 0;

  /// For channels with so many sections each; at most W channels.
  static constexpr SectionLayout of(std::span<const std::size_t> sections_of_channel) noexcept {
    std::size_t longest = 0;
    for (const std::size_t count : sections_of_channel) longest = std::max(longest, count);
    SectionLayout best = with(W, longest);
    const auto consider = [&](std::size_t length) {
      if (length == W || length < sections_of_channel.size()) return;
      const SectionLayout layout = with(length, longest);
      if (layout.stages() < best.stages()) best = layout;
    };
    [&]<std::size_t... S>(std::index_sequence<S...>) { (consider(S), ...); }
    (Strides{});
    return best;
  }
  constexpr std::size_t rows() const noexcept { return full * full_rows + last_rows; }
  constexpr std::size_t stages() const noexcept { return full * full_stages + last_stages; }
  /// A wavefront whose last row is less than a cell behind the first, so that never two points of the grid are between
  /// its rows.
  constexpr bool settles_on_its_way() const noexcept {
    const std::size_t full_lag = full > 0 ? wavefront_lag(full_stages, full_rows) : 0;
    const std::size_t last_lag = last_rows > 0 ? wavefront_lag(last_stages, last_rows) : 0;
    return stride < W && std::max(full_lag, last_lag) < kGridFrames;
  }

  /// Where a lane of a stage belongs; a row of kNowhere: nowhere.
  struct Place {
    std::size_t row;      ///< which section
    std::size_t channel;  ///< of which channel
  };
  constexpr Place place(std::size_t stage, std::size_t lane) const noexcept {
    const std::size_t pass = full_stages == 0 ? 0 : std::min(stage / full_stages, full);
    const std::size_t number = (stage - pass * full_stages) * W + lane;
    const std::size_t row = number / stride;
    const bool beyond = row >= (pass < full ? full_rows : last_rows);
    return {beyond ? kNowhere : pass * full_rows + row, number % stride};
  }

  /// Rows of a full pass.
  static constexpr std::size_t most_rows(std::size_t stride) noexcept {
    std::size_t rows = kTogether * W / stride;
    while (!in_one_stage(stride, rows - 1)) --rows;
    return rows;
  }
  /// Stages that hold so many rows.
  static constexpr std::size_t stages_of(std::size_t stride, std::size_t rows) noexcept {
    return (rows * stride + W - 1) / W;
  }

 private:
  static constexpr bool in_one_stage(std::size_t stride, std::size_t row) noexcept {
    return row * stride % W + stride <= W;
  }
  static constexpr SectionLayout with(std::size_t stride, std::size_t longest) noexcept {
    const std::size_t full_rows = most_rows(stride);
    std::size_t last_rows = longest % full_rows;
    while (last_rows > 0 && !in_one_stage(stride, last_rows - 1)) ++last_rows;
    return {stride,    longest / full_rows,         full_rows, stages_of(stride, full_rows),
            last_rows, stages_of(stride, last_rows)};
  }
};

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
