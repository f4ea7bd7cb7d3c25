#pragma once
/// What may go on of what comes in: finite samples, none beyond kMagnitudeBound. At the input of the chain and of the
/// peak limiter.
/// Claim    A finite sample within +-kMagnitudeBound stays as it is, bit for bit (-0 and subnormals too); a greater one
///          becomes the bound with its own sign; what is not finite becomes +0. Those that are not finite, and those
///          that were bounded, are counted, and counts stay at kCountLimit. So nothing behind this can hold a NaN.
/// Method   by the bits: without its sign a float's bits stand in the order of its magnitude, and infinities and NaNs
///          stand above every number.
/// Cost     10 integer operations a sample, no branch on data. Latency 0 samples.
#include <algorithm>
#include <bit>
#include <cstddef>
#include <cstdint>
#include <span>
#include <type_traits>

#include "dsp/grid.hpp"
#include "dsp/pack.hpp"
namespace rackproof::dsp::inline RACKPROOF_LEVEL {

inline constexpr std::int32_t kCountLimit = 1 << 30;  ///< where counts in 32 bits stay

/// Of each lane, how many samples.
template <int W>
struct Admitted {
  PackInt<W> not_finite{};  ///< became 0
  PackInt<W> bounded{};     ///< were finite, and beyond kMagnitudeBound
};

/// How a count goes on: `total` at most kCountLimit, `more` below it, so that the sum cannot overflow on its way there.
template <int W>
RACKPROOF_INLINE PackInt<W> counted(PackInt<W> total, PackInt<W> more) noexcept {
  return lesser(total + more, broadcast_int<W>(kCountLimit));
}

/// `in` as it may go on, into `out`, which may be `in` itself, and how much of it may not. Fewer than kCountLimit
/// samples.
template <int W>
RACKPROOF_INLINE Admitted<W> admit(std::span<const Pack<W>> in, Pack<W>* out) noexcept {
  constexpr auto kMost = std::bit_cast<std::int32_t>(kMagnitudeBound);
  constexpr std::int32_t kInfinity = 0x7f800000;
  PackInt<W> finite{}, beyond{};  // negative: minus how many
  const auto one = [&](auto lanes, std::size_t n) __attribute__((always_inline)) {
    const Pack<lanes> x = load<lanes, W>(&in[n]);
    const PackInt<lanes> bits = std::bit_cast<PackInt<lanes>>(x), size = size_bits<lanes>(x), room = kMost - size;
    const PackInt<lanes> is_finite = (size - kInfinity) >> 31, is_beyond = room >> 31;  // all bits, or none
    // The magnitude stays above 0: nothing is taken from the sign.
    const PackInt<lanes> held = bits + (room & is_beyond);
    store<lanes, W>(std::bit_cast<Pack<lanes>>(held & is_finite), out + n);
    finite += folded<lanes, W>(is_finite);
    beyond += folded<lanes, W>(is_beyond);
  };
  std::size_t done = 0;
  if constexpr (kScalarMachine)
    for (; done + 4 <= in.size(); done += 4)
      unrolled<4>([&](std::size_t more)
                      __attribute__((always_inline)) { one(std::integral_constant<int, W>{}, done + more); });
  for_each<W>(
      in.size() - done, [&](auto lanes, std::size_t n) __attribute__((always_inline)) { one(lanes, done + n); });
  const PackInt<W> not_finite = finite + static_cast<std::int32_t>(in.size());
  return {.not_finite = not_finite, .bounded = -beyond - not_finite};
}

/// Whether all of them may go on as they are.
inline bool may_go_on(std::span<const float> samples) noexcept {
  std::int32_t greatest = 0;
  for (const float x : samples) greatest = std::max(greatest, size_bits<1>(x));
  return greatest <= std::bit_cast<std::int32_t>(kMagnitudeBound);
}

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
