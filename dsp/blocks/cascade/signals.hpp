#pragma once
/// Where a pass over frames takes them from and puts them: packs of all channels, or the rows of a few.
/// Both have the same members: `read<Stride>(n)` and `write<Stride>(n, y)` for frame n of a run, `advance(count)` to
/// the next run, and `read_own_output()` for the next pass over the same run. kOverCells: a wavefront goes over points
/// of the grid; it pays for a few channels, whose wavefronts are long, and costs registers in all.
#include <algorithm>
#include <cstddef>
#include <span>

#include "dsp/pack.hpp"
namespace rackproof::dsp::inline RACKPROOF_LEVEL {

/// What is smaller than `silence` is 0.
template <int W>
RACKPROOF_INLINE Pack<W> silenced(Pack<W> x, Pack<W> silence) noexcept {
  return select(magnitude<W>(x) < silence, Pack<W>{}, x);
}

/// In place, channel c in lane c.
template <int W>
struct PackedSignals {
  static constexpr bool kOverCells = false;
  Pack<W>* frames;

  template <std::size_t Stride>
  RACKPROOF_INLINE Pack<W> read(std::size_t n) const noexcept {
    return frames[n];
  }
  template <std::size_t Stride>
  RACKPROOF_INLINE void write(std::size_t n, Pack<W> y) const noexcept {
    frames[n] = y;
  }
  void advance(std::size_t count) noexcept { frames += count; }
  void read_own_output() noexcept {}
};

/// The first channels, as many as the stride says, each in its row. `to` may be `from`.
template <int W>
struct RowSignals {
  static constexpr bool kOverCells = true;
  static constexpr std::size_t kMostRows = 2;

  /// As many rows as channels, kMostRows at most; a missing row is the last one once more.
  RowSignals(std::span<const float* const> in, std::span<float* const> out) noexcept {
    for (std::size_t c = 0; c < kMostRows; ++c) {
      const std::size_t row = std::min(c, out.size() - 1);
      from[c] = in[row];
      to[c] = out[row];
    }
  }
  template <std::size_t Stride>
  RACKPROOF_INLINE Pack<W> read(std::size_t n) const noexcept {
    Pack<W> x{};
    for (std::size_t c = 0; c < Stride; ++c) set_lane<W>(x, static_cast<int>(c), from[c][n]);
    return x;
  }
  template <std::size_t Stride>
  RACKPROOF_INLINE void write(std::size_t n, Pack<W> y) const noexcept {
    for (std::size_t c = Stride; c-- > 0;) to[c][n] = lane<W>(y, static_cast<int>(c));  // row 0 last: it may be row 1
  }
  void advance(std::size_t count) noexcept {
    for (std::size_t c = 0; c < kMostRows; ++c) {
      from[c] += count;
      to[c] += count;
    }
  }
  void read_own_output() noexcept { std::copy_n(to, kMostRows, from); }

  const float* from[kMostRows];
  float* to[kMostRows];
};

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
