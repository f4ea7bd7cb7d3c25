#pragma once
/// What moves values between lanes, and packs to and from memory. Values are moved, never computed with (but by
/// `folded`): every bit is kept.
/// Cost     one or two instructions each, where the width's own level has them.
#include <cstddef>
#include <cstdint>
#include <cstring>
#include <type_traits>
#include <utility>

#include "dsp/pack/lanes.hpp"
#if defined(__AVX__) || defined(__FMA__) || defined(__AVX512F__)
#include <immintrin.h>
#elif defined(__ARM_NEON) && defined(__aarch64__)
#include <arm_neon.h>
#endif

namespace rackproof::dsp::inline RACKPROOF_LEVEL {

/// Lane l is lane index[l] of `x`. Every index must be 0 .. W - 1: another is undefined.
template <int W>
RACKPROOF_INLINE Pack<W> permuted(Pack<W> x, PackInt<W> index) noexcept {
#if defined(__AVX512F__)
  if constexpr (W == 16) return Pack<W>(_mm512_permutexvar_ps(__m512i(index), __m512(x)));
#endif
#if defined(__AVX2__)
  if constexpr (W == 8) return Pack<W>(_mm256_permutevar8x32_ps(__m256(x), __m256i(index)));
#endif
#if defined(__AVX__)
  if constexpr (W == 4) return Pack<W>(_mm_permutevar_ps(__m128(x), __m128i(index)));
#endif
  if constexpr (W == 1) {
    static_cast<void>(index);
    return x;
  } else {
    Pack<W> result{};
    for (int l = 0; l < W; ++l) result[l] = x[index[l]];
    return result;
  }
}
/// A pack of the lanes `L...` of `a` and, counted on, of `b`: with W lanes each, L is 0 .. 2 W - 1. As many lanes as L
/// has numbers; g++ 11 takes only the packs that there are.
template <std::size_t... L, class V>
RACKPROOF_INLINE auto shuffled(V a, V b) noexcept {
#if defined(__clang__) || __GNUC__ >= 12
  return __builtin_shufflevector(a, b, L...);
#else  // g++ 11 has no such thing, and one that keeps the width
  constexpr std::size_t kLanes = sizeof(V) / sizeof(float);
  if constexpr (sizeof...(L) == kLanes) {
    return __builtin_shuffle(a, b, PackInt<kLanes>{static_cast<std::int32_t>(L)...});
  } else {
    typedef std::remove_cvref_t<decltype(a[0])> Result __attribute__((vector_size(sizeof(float) * sizeof...(L))));
    return Result{(L < kLanes ? a[L % kLanes] : b[L % kLanes])...};
  }
#endif
}
/// V / W packs of W lanes side by side, from `at` on, which is aligned as Pack<W> is; V is W or a multiple of it.
template <int V, int W>
RACKPROOF_INLINE Pack<V> load(const Pack<W>* at) noexcept {
  if constexpr (V == W) {
    return *at;
  } else {
    Pack<V> x;
    std::memcpy(&x, at, sizeof x);
    return x;
  }
}
/// The other way: `x` as V / W packs from `at` on.
template <int V, int W>
RACKPROOF_INLINE void store(Pack<V> x, Pack<W>* at) noexcept {
  if constexpr (V == W)
    *at = x;
  else
    std::memcpy(at, &x, sizeof x);
}
/// `x` V / W times, side by side.
template <int V, int W>
RACKPROOF_INLINE Pack<V> repeated(Pack<W> x) noexcept {
  if constexpr (V == W)
    return x;
  else
    return [&]<std::size_t... L>(std::index_sequence<L...>) { return shuffled<(L % W)...>(x, x); }
  (std::make_index_sequence<V>{});
}
/// The V / W packs of W lanes that are side by side, added; V is W or 2 W. Sums must be within 32 bits.
template <int V, int W>
RACKPROOF_INLINE PackInt<W> folded(PackInt<V> x) noexcept {
  if constexpr (V == W) {
    return x;
  } else {
    static_assert(V == 2 * W);
    return [&]<std::size_t... L>(std::index_sequence<L...>) {
      return shuffled<L...>(x, x) + shuffled<(W + L)...>(x, x);
    }
    (std::make_index_sequence<W>{});
  }
}

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
