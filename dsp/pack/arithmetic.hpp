#pragma once
/// What works on each lane by itself.
/// Theorem  lane l of every operation here is the operation on the values of lane l, rounded as IEEE 754 rounds:
///          no operation mixes lanes, so a block has the same bits in one lane and in sixteen. (But for the sign of a
///          NaN, of which the core keeps none.)
/// Cost     one instruction an operation at the width's own level (4: SSE or NEON, 8: AVX2 and FMA, 16: AVX-512).
///          Without FMA in hardware (plain x86-64) `fma` is the exact one in double arithmetic, about 20 instructions.
#include <bit>
#include <cstddef>
#include <cstdint>

#include "dsp/pack/lanes.hpp"
#if defined(__AVX__) || defined(__FMA__) || defined(__AVX512F__)
#include <immintrin.h>
#elif defined(__ARM_NEON) && defined(__aarch64__)
#include <arm_neon.h>
#endif

namespace rackproof::dsp::inline RACKPROOF_LEVEL {

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

/// `x` in every lane, to the bit, but for a signalling NaN, which becomes a quiet one.
template <int W>
RACKPROOF_INLINE Pack<W> broadcast(float x) noexcept {
  if constexpr (W == 1)
    return x;
  else
    return x - Pack<W>{};  // x - 0 keeps the sign of a zero
}
/// `x` in every lane.
template <int W>
RACKPROOF_INLINE PackInt<W> broadcast_int(std::int32_t x) noexcept {
  if constexpr (W == 1)
    return x;
  else
    return x - PackInt<W>{};
}
/// `a` where `mask` holds, `b` elsewhere, to the bit. `mask` is what a comparison of two packs gives.
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
/// The lesser, lane by lane: a < b ? a : b, so of two zeros the second. No lane may be a NaN.
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
/// |x|: the sign bit cleared, so also for a NaN.
template <int W>
RACKPROOF_INLINE Pack<W> magnitude(Pack<W> x) noexcept {
  if constexpr (W == 1)
    return __builtin_fabsf(x);  // an instruction of its own on every machine
  else
    return Pack<W>(PackInt<W>(x) & 0x7fffffff);
}
/// The bits of |x|: the greater it is, the greater are they; those of what is not finite are above all.
template <int W>
RACKPROOF_INLINE PackInt<W> size_bits(Pack<W> x) noexcept {
  return std::bit_cast<PackInt<W>>(x) & 0x7fffffff;
}
/// Towards zero. Every lane must be at least -2^31 and below 2^31, and no NaN: a conversion out of range differs
/// between machines.
template <int W>
RACKPROOF_INLINE PackInt<W> to_int(Pack<W> x) noexcept {
  if constexpr (W == 1)
    return static_cast<std::int32_t>(x);
  else
    return __builtin_convertvector(x, PackInt<W>);
}
/// Rounded to nearest, of two equally near to the even one.
template <int W>
RACKPROOF_INLINE Pack<W> to_float(PackInt<W> x) noexcept {
  if constexpr (W == 1)
    return static_cast<float>(x);
  else
    return __builtin_convertvector(x, Pack<W>);
}

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
