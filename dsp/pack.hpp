#pragma once
/// W single-precision values that go through the same arithmetic side by side: the lanes of the core.
/// Theorem  lane l of every operation here is the operation on the values of lane l, rounded as IEEE 754 rounds:
///          no operation mixes lanes, so a block has the same bits in one lane and in sixteen.
/// Method   Pack<1> is `float` itself (a microcontroller), Pack<4|8|16> the compiler's vector of the register's width.
/// Cost     one instruction an operation at the width's own level (4: SSE or NEON, 8: AVX2 and FMA, 16: AVX-512).
///          Without FMA in hardware (plain x86-64) `fma` is the exact one in double arithmetic, about 20 instructions.
#include <bit>
#include <cstddef>
#include <cstdint>
#include <cstring>
#include <type_traits>
#include <utility>

#include "dsp/level.hpp"
#if defined(__AVX__) || defined(__FMA__) || defined(__AVX512F__)
#include <immintrin.h>
#elif defined(__ARM_NEON) && defined(__aarch64__)
#include <arm_neon.h>
#endif

namespace rackproof::dsp::inline RACKPROOF_LEVEL {

/// GCC 12.2's vectors on Arm's M-profile vector extension are wrong: of a comparison's mask that is combined with
/// another or used twice, lane 0 alone is kept. An output reached 24.5 with a ceiling of 0.25. One lane has the right
/// bits there.
#if defined(__ARM_FEATURE_MVE)
inline constexpr bool kVectorsAreTrusted = false;
#else
inline constexpr bool kVectorsAreTrusted = true;
#endif

template <int W>
struct PackOf {
  static_assert(W == 4 || W == 8 || W == 16);
  static_assert(kVectorsAreTrusted || W == 1,
                "on this part (M-profile vector extension) compilers make wrong code of several lanes, and ceilings "
                "would not hold: use one, Level::lanes_1");
  typedef float Values __attribute__((vector_size(sizeof(float) * W)));
  typedef std::int32_t Integers __attribute__((vector_size(sizeof(std::int32_t) * W)));
};
template <>
struct PackOf<1> {
  using Values = float;
  using Integers = std::int32_t;
};
template <int W>
using Pack = typename PackOf<W>::Values;
template <int W>
using PackInt = typename PackOf<W>::Integers;

/// A machine with registers for 32 single values and no vectors: there loops are unrolled by hand, to share loads.
#if defined(__ARM_ARCH_PROFILE) && __ARM_ARCH_PROFILE == 'M'
inline constexpr bool kScalarMachine = true;
#else
inline constexpr bool kScalarMachine = false;
#endif

#define RACKPROOF_INLINE inline __attribute__((always_inline))

/// step(0) .. step(N - 1), written out and each number a constant, so that what it indexes can stay in registers at any
/// level of optimisation.
template <std::size_t N, class Step>
RACKPROOF_INLINE void unrolled(Step&& step) noexcept {
  [&]<std::size_t... I>(std::index_sequence<I...>) __attribute__((always_inline)) {
    (step(std::integral_constant<std::size_t, I>{}), ...);
  }
  (std::make_index_sequence<N>{});
}

/// use(constant) for the one of the constants V that `value` is, where it is one of them: from a number that is known at
/// run time to one that the compiler knows.
template <std::size_t... V, class Use>
RACKPROOF_INLINE void dispatch(std::index_sequence<V...>, std::size_t value, Use&& use) {
  static_cast<void>(((value == V && (use(std::integral_constant<std::size_t, V>{}), true)) || ...));
}
template <std::size_t... V, class Use>
RACKPROOF_INLINE void dispatch(std::size_t value, Use&& use) {
  dispatch(std::index_sequence<V...>{}, value, use);
}

template <class V>
inline constexpr bool kIsFloat = std::is_same_v<V, Pack<sizeof(V) / sizeof(float)>>;

/// a * b + c, rounded once. Without hardware: the product is exact in double; the sum is rounded to odd, so that the
/// second rounding, to single, is the only one that counts (S. Boldo, G. Melquiond, "Emulation of a FMA and correctly
/// rounded sums: proved algorithms using rounding to odd", IEEE Trans. Computers 57(4), 2008).
RACKPROOF_INLINE float fma(float a, float b, float c) noexcept {
#if defined(__FMA__) || defined(__ARM_FEATURE_FMA) || defined(__aarch64__)
  return __builtin_fmaf(a, b, c);
#else
  const double product = static_cast<double>(a) * static_cast<double>(b);
  const double addend = static_cast<double>(c);
  double sum = product + addend;
  const double part = sum - product;
  const double error = (product - (sum - part)) + (addend - part);
  const auto bits = std::bit_cast<std::uint64_t>(sum);
  if (error != 0.0 && (bits & 1u) == 0u) {
    const bool away_from_zero = (error > 0.0) == (sum > 0.0);
    sum = std::bit_cast<double>(away_from_zero ? bits + 1u : bits - 1u);
  }
  return static_cast<float>(sum);
#endif
}
template <class V>
requires(sizeof(V) > sizeof(float)) RACKPROOF_INLINE V fma(V a, V b, V c)
noexcept {
#if defined(__AVX512F__)
  if constexpr (sizeof(V) == 64) return V(_mm512_fmadd_ps(__m512(a), __m512(b), __m512(c)));
#endif
#if defined(__FMA__)
  if constexpr (sizeof(V) == 32) return V(_mm256_fmadd_ps(__m256(a), __m256(b), __m256(c)));
  if constexpr (sizeof(V) == 16) return V(_mm_fmadd_ps(__m128(a), __m128(b), __m128(c)));
#elif defined(__ARM_NEON) && defined(__aarch64__)
  if constexpr (sizeof(V) == 16) return V(vfmaq_f32(float32x4_t(c), float32x4_t(a), float32x4_t(b)));
#endif
  V result{};
  for (std::size_t l = 0; l < sizeof(V) / sizeof(float); ++l) result[l] = fma(float{a[l]}, float{b[l]}, float{c[l]});
  return result;
}

/// `x` in every lane.
template <int W>
RACKPROOF_INLINE Pack<W> broadcast(float x) noexcept {
  if constexpr (W == 1)
    return x;
  else
    return x - Pack<W>{};  // x - 0 keeps the sign of a zero
}
template <int W>
RACKPROOF_INLINE PackInt<W> broadcast_int(std::int32_t x) noexcept {
  if constexpr (W == 1)
    return x;
  else
    return x - PackInt<W>{};
}
/// `a` where `mask` holds, `b` elsewhere. `mask` is what a comparison of two packs gives.
template <class M, class V>
RACKPROOF_INLINE V select(M mask, V a, V b) noexcept {
  return mask ? a : b;
}
/// The greater, lane by lane: a > b ? a : b, so of two zeros the second. No lane may be a NaN.
template <class V>
RACKPROOF_INLINE V greater(V a, V b) noexcept {
#if defined(__AVX512F__)
  if constexpr (sizeof(V) == 64 && kIsFloat<V>) return V(_mm512_max_ps(__m512(a), __m512(b)));
#endif
#if defined(__AVX__)
  if constexpr (sizeof(V) == 32 && kIsFloat<V>) return V(_mm256_max_ps(__m256(a), __m256(b)));
#endif
  return a > b ? a : b;
}
template <class V>
RACKPROOF_INLINE V lesser(V a, V b) noexcept {
#if defined(__AVX512F__)
  if constexpr (sizeof(V) == 64 && kIsFloat<V>) return V(_mm512_min_ps(__m512(a), __m512(b)));
#endif
#if defined(__AVX__)
  if constexpr (sizeof(V) == 32 && kIsFloat<V>) return V(_mm256_min_ps(__m256(a), __m256(b)));
#endif
  return a < b ? a : b;
}
/// `greater` of two of which neither is negative, nor -0: in one lane their bits compare as integers do, in fewer
/// steps.
template <int W>
RACKPROOF_INLINE Pack<W> greater_of_positive(Pack<W> a, Pack<W> b) noexcept {
  if constexpr (W == 1)
    return std::bit_cast<float>(greater(std::bit_cast<std::int32_t>(a), std::bit_cast<std::int32_t>(b)));
  else
    return greater(a, b);
}
/// greater(x, 0): +0 for what is negative, and for -0.
template <int W>
RACKPROOF_INLINE Pack<W> at_least_zero(Pack<W> x) noexcept {
  if constexpr (W == 1) {
    const auto bits = std::bit_cast<std::int32_t>(x);
    return std::bit_cast<float>(bits & ~(bits >> 31));
  } else {
    return greater(x, Pack<W>{});
  }
}
/// Lane l is lane index[l] of `x`; every index 0 .. W - 1.
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
    return static_cast<void>(index), x;
  } else {
    Pack<W> result{};
    for (int l = 0; l < W; ++l) result[l] = x[index[l]];
    return result;
  }
}
/// |x|: the sign bit cleared, so also for a NaN.
template <int W>
RACKPROOF_INLINE Pack<W> magnitude(Pack<W> x) noexcept {
  if constexpr (W == 1)
    return __builtin_fabsf(x);  // an instruction of its own on every machine
  else
    return Pack<W>(PackInt<W>(x) & 0x7fffffff);
}
/// Towards zero. Every lane must be within +-2^31 (a conversion out of range differs between machines).
template <int W>
RACKPROOF_INLINE PackInt<W> to_int(Pack<W> x) noexcept {
  if constexpr (W == 1)
    return static_cast<std::int32_t>(x);
  else
    return __builtin_convertvector(x, PackInt<W>);
}
template <int W>
RACKPROOF_INLINE Pack<W> to_float(PackInt<W> x) noexcept {
  if constexpr (W == 1)
    return static_cast<float>(x);
  else
    return __builtin_convertvector(x, Pack<W>);
}
/// The lanes `L...` of `a` and, counted on, of `b`.
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
/// Lanes for few signals of a block whose time is in its recurrences: there the widest registers take longer.
template <int W>
inline constexpr int kNarrow = W == 16 ? 8 : W;
/// Lanes of the widest register of this level, where packs of W fill half of it: what has no recurrence from frame to
/// frame can work on two of them at once.
#if defined(__AVX512F__)
template <int W>
inline constexpr int kWidest = W == 8 ? 16 : W;
#else
template <int W>
inline constexpr int kWidest = W;
#endif
/// work<V>(n) for the packs 0 .. count - 1 in order, for V / W of them from n on at once: where nothing goes from one
/// to the next.
template <int W, class Work>
RACKPROOF_INLINE void for_each(std::size_t count, Work&& work) noexcept {
  constexpr int kWide = kWidest<W>;
  std::size_t n = 0;
  if constexpr (kWide > W)
    for (; n + kWide / W <= count; n += kWide / W) work.template operator()<kWide>(n);
  for (; n < count; ++n) work.template operator()<W>(n);
}
/// V / W packs of W lanes side by side, from `at` on.
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
template <int V, int W>
RACKPROOF_INLINE void store(Pack<V> x, Pack<W>* at) noexcept {
  if constexpr (V == W)
    *at = x;
  else
    std::memcpy(at, &x, sizeof x);
}
/// `x` V / W times.
template <int V, int W>
RACKPROOF_INLINE Pack<V> repeated(Pack<W> x) noexcept {
  if constexpr (V == W)
    return x;
  else
    return [&]<std::size_t... L>(std::index_sequence<L...>) { return shuffled<(L % W)...>(x, x); }
  (std::make_index_sequence<V>{});
}
/// The V / W packs of W lanes that are side by side, added.
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
/// One lane, for set-up and for the edges of the chain.
template <int W>
RACKPROOF_INLINE float lane(Pack<W> pack, int l) noexcept {
  if constexpr (W == 1)
    return static_cast<void>(l), pack;
  else
    return pack[l];
}
template <int W>
RACKPROOF_INLINE void set_lane(Pack<W>& pack, int l, float x) noexcept {
  if constexpr (W == 1)
    static_cast<void>(l), pack = x;
  else
    pack[l] = x;
}

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
