#pragma once
/// Rows of recurrences that lie end to end in the lanes of N stages, run at once, each on an earlier frame than the row
/// before it.
/// Theorem  the same bits as row after row, each over all frames; also where the frames go over points of the grid:
///          each row is settled when it has done the last frame of a cell, and before it does the first one of the
///          next.
/// Method   row r is kPace r steps behind row 0: in step t it works on frame t - kPace r, on what row r - 1 gave kPace
///          steps before. What a row gives is moved on by the length of a row, Stride lanes, to the next one, across
///          the stages. What a row without a frame does is of no consequence: its state is taken from memory before its
///          first frame, and put there after its last one.
/// Stages   `step(x)` goes on by a frame; `settle(lanes)` does what is due on the grid, in the lanes whose mask is set;
///          `set_state(lanes, from)` takes the state of another. Nothing here knows what they compute.
/// Cost     the steps of all frames and `lag` more, to fill and to drain. Latency 0 samples.
#include <algorithm>
#include <array>
#include <cstddef>
#include <cstdint>
#include <type_traits>
#include <utility>

#include "dsp/blocks/cascade/signals.hpp"
#include "dsp/grid.hpp"
#include "dsp/pack.hpp"
namespace rackproof::dsp::inline RACKPROOF_LEVEL {

/// Of few stages each waits for the step before, not for its turn: then rows are two steps apart.
constexpr std::size_t wavefront_pace(std::size_t stages) noexcept { return stages <= 2 ? 2 : 1; }
/// How many steps the last row is behind the first.
constexpr std::size_t wavefront_lag(std::size_t stages, std::size_t rows) noexcept {
  return wavefront_pace(stages) * (rows - 1);
}

/// The theorem stands at the head of the file.
template <class Stage, int W, std::size_t Stride, std::size_t N>
class Wavefront {
 public:
  /// `rows` rows in `stages` over `count` frames of `signals`; what is smaller than `silence` enters as 0. More than
  /// kGridFrames frames only where the signals go over cells, and the lag is less than a cell: whole cells that begin
  /// at a point of the grid. The grid's last point, behind the frames, is left to the caller.
  template <class Signals>
  RACKPROOF_INLINE static void run(Stage* stages, std::size_t rows, Pack<W> silence, const Signals& signals,
                                   std::size_t count) noexcept {
    std::array<Stage, N> s;
    for (std::size_t k = 0; k < N; ++k) s[k] = stages[k];
    const std::size_t lag = wavefront_lag(N, rows);
    const PackInt<W> exit = exit_of(rows);
    std::array<Pack<W>, N> y{};        // what the stages gave in the last step
    std::array<Pack<W>, N> earlier{};  // and in the one before
    std::size_t t = 0;
    std::size_t cell_end = 0;  // where rows settle: the step in which row 0 has the last frame of its cell
    const auto steps = [&](auto phase, std::size_t stop) __attribute__((always_inline)) {
      constexpr bool kFills = (phase() & kFill) != 0;
      constexpr bool kDrains = (phase() & kDrain) != 0;
      constexpr bool kSettles = (phase() & kSettle) != 0;
      for (; t < stop; ++t) {
        if constexpr (kFills)
          unrolled<N>([&](std::size_t k) __attribute__((always_inline)) {
            if (has_row(k, t)) s[k].set_state(lanes_behind(k, t), stages[k]);
          });
        const Pack<W> x = !kDrains || t < count ? silenced<W>(signals.template read<Stride>(t), silence) : Pack<W>{};
        unrolled<N>([&](std::size_t i) __attribute__((always_inline)) {
          const std::size_t k = N - 1 - i;  // from the last to the first: each takes what was there before this step
          const std::array<Pack<W>, N>& from = kPace == 1 ? y : earlier;
          const Pack<W> in = k == 0 ? carry_on<true>(x, from[0]) : carry_on<false>(from[k - 1], from[k]);
          earlier[k] = y[k];
          if constexpr ((kFills || kDrains) &&
                        N > 2)  // none of its rows has a frame; of two stages none waits for that
            if (t < first_behind(k) || t >= count + last_behind(k)) return;
          y[k] = s[k].step(in);
        });
        if (!kFills || t >= lag) signals.template write<Stride>(t - lag, permuted<W>(y[N - 1], exit));
        if constexpr (kSettles)
          unrolled<N>([&](std::size_t k) __attribute__((always_inline)) {
            if (has_row(k, t - cell_end)) s[k].settle(lanes_behind(k, t - cell_end));
          });
        if constexpr (kDrains)
          unrolled<N>([&](std::size_t k) __attribute__((always_inline)) {
            if (has_row(k, t + 1 - count)) stages[k].set_state(lanes_behind(k, t + 1 - count), s[k]);
          });
      }
    };
    const std::size_t filled = lag + 1;
    const std::size_t last = count - 1;
    steps(Phase<kFill>{}, std::min(filled, last));
    if (filled < last) {
      if constexpr (Signals::kOverCells)
        for (std::size_t cell = kGridFrames; cell < count; cell += kGridFrames) {
          cell_end = cell - 1;
          steps(Phase<kFull>{}, cell_end);
          steps(Phase<kSettle>{}, cell + lag);
        }
      steps(Phase<kFull>{}, last);
    } else {
      steps(Phase<kFill | kDrain>{}, filled);
    }
    steps(Phase<kDrain>{}, count + lag);
  }

 private:
  static constexpr std::size_t kPace = wavefront_pace(N);

  /// What steps do besides their arithmetic: rows begin, rows end, rows settle.
  static constexpr unsigned kFull = 0, kFill = 1, kDrain = 2, kSettle = 4;
  template <unsigned kBits>
  using Phase = std::integral_constant<unsigned, kBits>;

  /// How many steps the first and the last row in stage k are behind row 0.
  static constexpr std::size_t first_behind(std::size_t k) noexcept { return kPace * (k * W / Stride); }
  static constexpr std::size_t last_behind(std::size_t k) noexcept { return kPace * ((k * W + W - 1) / Stride); }
  /// Whether a row in stage k is so many steps behind row 0 ...
  static constexpr bool has_row(std::size_t k, std::size_t steps) noexcept {
    return steps % kPace == 0 && steps >= first_behind(k) && steps <= last_behind(k);
  }
  /// ... and which lanes hold it.
  RACKPROOF_INLINE static auto lanes_behind(std::size_t k, std::size_t steps) noexcept {
    return behind(k) == broadcast_int<W>(static_cast<std::int32_t>(steps));
  }
  static constexpr PackInt<W> behind(std::size_t k) noexcept {
    PackInt<W> result{};
    for (std::size_t l = 0; l < W; ++l) result[l] = static_cast<std::int32_t>(kPace * ((k * W + l) / Stride));
    return result;
  }
  /// Which lane of the last stage gives each channel.
  static PackInt<W> exit_of(std::size_t rows) noexcept {
    PackInt<W> result{};
    for (std::size_t l = 0; l < Stride; ++l) result[l] = static_cast<std::int32_t>((rows - 1) * Stride % W + l);
    return result;
  }
  /// `y` moved on to the next row: by `Stride` lanes. Into the first ones come those of the first channels of `from`
  /// (where `low`), or its last ones.
  template <bool low>
  RACKPROOF_INLINE static Pack<W> carry_on(Pack<W> from, Pack<W> y) noexcept {
    return [&]<std::size_t... L>(std::index_sequence<L...>) {
      return shuffled<(L < Stride ? (low ? L : W - Stride + L) : W + L - Stride)...>(from, y);
    }
    (std::make_index_sequence<W>{});
  }
};

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
