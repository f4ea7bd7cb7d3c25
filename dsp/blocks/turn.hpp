#pragma once
/// From rows (one signal each, planar) to frames (one pack of all signals each) and back.
/// Theorem  frames[n] holds rows[l][n] in lane l; lanes without a row hold 0. Samples are moved, never computed with.
/// Method   squares of W x W are transposed in log2 W steps: in the step of distance s, rows i and i + s exchange the
///          quarter of lanes that lies across. What is left of a square, and packs with few rows, go one by one.
/// Cost     log2 W shuffles a pack. No state, no memory.
#include <algorithm>
#include <array>
#include <cstddef>
#include <cstring>
#include <span>
#include <utility>

#include "dsp/pack.hpp"
namespace rackproof::dsp::inline RACKPROOF_LEVEL {

namespace turning {
template <int W, std::size_t S, bool upper>
RACKPROOF_INLINE Pack<W> exchange(Pack<W> a, Pack<W> b) noexcept {
  return [&]<std::size_t... L>(std::index_sequence<L...>) {
    return __builtin_shufflevector(a, b, (upper ? ((L & S) == 0 ? L + S : W + L) : ((L & S) == 0 ? L : W + L - S))...);
  }
  (std::make_index_sequence<W>{});
}
template <int W, std::size_t S = 1>
RACKPROOF_INLINE void transpose(std::array<Pack<W>, W>& m) noexcept {
  if constexpr (S < W) {
    for (std::size_t i = 0; i < W; ++i) {
      if ((i & S) != 0) continue;
      const Pack<W> a = m[i], b = m[i + S];
      m[i] = exchange<W, S, false>(a, b), m[i + S] = exchange<W, S, true>(a, b);
    }
    transpose<W, 2 * S>(m);
  }
}
}  // namespace turning

/// `frames` as long as each of the rows; at most W rows.
template <int W>
inline void frames_from_rows(std::span<float* const> rows, std::span<Pack<W>> frames) noexcept {
  std::size_t n = 0;
  if (rows.size() > W / 4)
    for (; n + W <= frames.size(); n += W) {
      std::array<Pack<W>, W> square{};
      for (std::size_t l = 0; l < W && l < rows.size(); ++l) std::memcpy(&square[l], rows[l] + n, sizeof(Pack<W>));
      turning::transpose<W>(square);
      std::ranges::copy(square, frames.begin() + static_cast<std::ptrdiff_t>(n));
    }
  for (; n < frames.size(); ++n) {
    Pack<W> pack{};
    for (std::size_t l = 0; l < rows.size(); ++l) pack[l] = rows[l][n];
    frames[n] = pack;
  }
}
template <int W>
inline void rows_from_frames(std::span<const Pack<W>> frames, std::span<float* const> rows) noexcept {
  std::size_t n = 0;
  if (rows.size() > W / 4)
    for (; n + W <= frames.size(); n += W) {
      std::array<Pack<W>, W> square;
      std::copy_n(frames.begin() + static_cast<std::ptrdiff_t>(n), W, square.begin());
      turning::transpose<W>(square);
      for (std::size_t l = 0; l < W && l < rows.size(); ++l) std::memcpy(rows[l] + n, &square[l], sizeof(Pack<W>));
    }
  for (; n < frames.size(); ++n)
    for (std::size_t l = 0; l < rows.size(); ++l) rows[l][n] = frames[n][l];
}

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
