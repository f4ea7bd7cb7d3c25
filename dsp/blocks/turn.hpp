#pragma once
/// From rows (one signal each, planar) to frames (one pack of all signals each) and back.
/// Theorem  frames[n] holds rows[l][n] in lane l; lanes without a row hold 0. Samples are moved, never computed with.
/// Method   R rows (rounded up to a power of two) and W frames of them fill R packs, which are W / R squares side by
///          side. They are transposed in log2 R steps: in the step of distance s, rows i and i + s exchange the quarter
///          of lanes that lies across. A square's row is then a frame. What is left of W frames goes one by one.
/// Cost     at most 1 + log2 R shuffles a pack. No state, no memory.
#include <algorithm>
#include <array>
#include <bit>
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
    return shuffled<(upper ? ((L & S) == 0 ? L + S : W + L) : ((L & S) == 0 ? L : W + L - S))...>(a, b);
  }
  (std::make_index_sequence<W>{});
}
/// W / R squares side by side, each for itself.
template <int W, std::size_t R, std::size_t S = 1>
RACKPROOF_INLINE void transpose(std::array<Pack<W>, R>& m) noexcept {
  if constexpr (S < R) {
    for (std::size_t i = 0; i < R; ++i) {
      if ((i & S) != 0) continue;
      const Pack<W> upper = m[i];
      const Pack<W> lower = m[i + S];
      m[i] = exchange<W, S, false>(upper, lower);
      m[i + S] = exchange<W, S, true>(upper, lower);
    }
    transpose<W, R, 2 * S>(m);
  }
}
/// The R lanes of `x` from lane `First` on, then zeros.
template <int W, std::size_t R, std::size_t First>
RACKPROOF_INLINE Pack<W> cut_out(Pack<W> x) noexcept {
  return [&]<std::size_t... L>(std::index_sequence<L...>) {
    return shuffled<(L < R ? First + L : W + L)...>(x, Pack<W>{});
  }
  (std::make_index_sequence<W>{});
}
/// The first lanes, R each, of the frames first, first + R, and so on.
template <int W, std::size_t R>
RACKPROOF_INLINE Pack<W> side_by_side(const Pack<W>* first) noexcept {
  if constexpr (R == W) {
    return *first;
  } else {
    const Pack<W> a = side_by_side<W, 2 * R>(first), b = side_by_side<W, 2 * R>(first + R);
    return [&]<std::size_t... L>(std::index_sequence<L...>) {  // of each pair of places the second is b's
      return shuffled<(L / R % 2 == 0 ? L : W + L - R)...>(a, b);
    }
    (std::make_index_sequence<W>{});
  }
}
template <int W, std::size_t R>
std::size_t squares_from_rows(std::span<const float* const> rows, std::span<Pack<W>> frames) noexcept {
  std::size_t n = 0;
  for (; n + W <= frames.size(); n += W) {
    std::array<Pack<W>, R> m{};
    for (std::size_t l = 0; l < R && l < rows.size(); ++l) std::memcpy(&m[l], rows[l] + n, sizeof(Pack<W>));
    transpose<W, R>(m);
    unrolled<W / R>([&](auto j) __attribute__((always_inline)) {
      for (std::size_t i = 0; i < R; ++i) frames[n + j * R + i] = cut_out<W, R, j * R>(m[i]);
    });
  }
  return n;
}
template <int W, std::size_t R>
std::size_t squares_from_frames(std::span<const Pack<W>> frames, std::span<float* const> rows) noexcept {
  std::size_t n = 0;
  for (; n + W <= frames.size(); n += W) {
    std::array<Pack<W>, R> m;
    for (std::size_t i = 0; i < R; ++i) m[i] = side_by_side<W, R>(&frames[n + i]);
    transpose<W, R>(m);
    for (std::size_t l = 0; l < R && l < rows.size(); ++l) std::memcpy(rows[l] + n, &m[l], sizeof(Pack<W>));
  }
  return n;
}
/// use(R) for as many rows, rounded up to a power of two; one row needs no turning.
template <int W, class Use>
RACKPROOF_INLINE void with_squares(std::size_t rows, Use&& use) noexcept {
  dispatch<2, 4, 8, 16>(std::bit_ceil(rows), [&](auto squares) {
    if constexpr (squares <= W) use(squares);
  });
}
}  // namespace turning

/// `frames` as long as each of the rows; at most W rows. They do not overlap. Any bits.
template <int W>
inline void frames_from_rows(std::span<const float* const> rows, std::span<Pack<W>> frames) noexcept {
  std::size_t n = 0;
  turning::with_squares<W>(rows.size(),
                           [&](auto squares) { n = turning::squares_from_rows<W, squares>(rows, frames); });
  for (; n < frames.size(); ++n) {
    Pack<W> pack{};
    for (std::size_t l = 0; l < rows.size(); ++l) pack[l] = rows[l][n];
    frames[n] = pack;
  }
}
/// The other way. What the frames hold in lanes without a row is left out.
template <int W>
inline void rows_from_frames(std::span<const Pack<W>> frames, std::span<float* const> rows) noexcept {
  std::size_t n = 0;
  turning::with_squares<W>(rows.size(),
                           [&](auto squares) { n = turning::squares_from_frames<W, squares>(frames, rows); });
  for (; n < frames.size(); ++n)
    for (std::size_t l = 0; l < rows.size(); ++l) rows[l][n] = frames[n][l];
}

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
