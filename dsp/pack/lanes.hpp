#pragma once
/// The types of the core's lanes: Pack<W>, W values of single precision, and PackInt<W>, as many of 32-bit integers.
/// Method   Pack<1> is `float` itself (a microcontroller), Pack<4|8|16> the compiler's vector of the register's width
///          (4: SSE or NEON, 8: AVX2 and FMA, 16: AVX-512). A pack is aligned to its own size: memory that is not goes
///          through memcpy, or `load` and `store` of pack/shuffles.hpp.
#include <cstddef>
#include <cstdint>
#include <type_traits>

#include "dsp/level.hpp"

/// Inlined at any level of optimisation: what is asked of the block's inner loops, whose values stay in registers.
#define RACKPROOF_INLINE inline __attribute__((always_inline))

namespace rackproof::dsp::inline RACKPROOF_LEVEL {

/// GCC 12.2's vectors on Arm's M-profile vector extension are wrong: of a comparison's mask that is combined with
/// another or used twice, lane 0 alone is kept. An output reached 24.5 with a ceiling of 0.25. One lane has the right
/// bits there.
#if defined(__ARM_FEATURE_MVE)
inline constexpr bool kVectorsAreTrusted = false;
#else
inline constexpr bool kVectorsAreTrusted = true;
#endif

/// A machine with registers for 32 single values and no vectors: there loops are unrolled by hand, to share loads.
#if defined(__ARM_ARCH_PROFILE) && __ARM_ARCH_PROFILE == 'M'
inline constexpr bool kScalarMachine = true;
#else
inline constexpr bool kScalarMachine = false;
#endif

/// What Pack<W> and PackInt<W> are; W is 1, 4, 8 or 16.
template <int W>
struct PackOf {
  static_assert(W == 4 || W == 8 || W == 16);
  static_assert(kVectorsAreTrusted || W == 1,
                "on this part (M-profile vector extension) compilers make wrong code of several lanes, and ceilings "
                "would not hold: use one, Level::lanes_1");
  typedef float Values __attribute__((vector_size(sizeof(float) * W)));                  ///< of Pack<W>
  typedef std::int32_t Integers __attribute__((vector_size(sizeof(std::int32_t) * W)));  ///< of PackInt<W>
};
template <>
struct PackOf<1> {
  using Values = float;
  using Integers = std::int32_t;
};
/// W values of single precision.
template <int W>
using Pack = typename PackOf<W>::Values;
/// W integers of 32 bits. Comparing two packs gives one as a mask: -1 in a lane where it holds, 0 elsewhere; in one
/// lane it gives a `bool`.
template <int W>
using PackInt = typename PackOf<W>::Integers;

/// Whether V is a Pack, and no PackInt.
template <class V>
inline constexpr bool kIsFloat = std::is_same_v<V, Pack<sizeof(V) / sizeof(float)>>;

/// Lanes of the widest register of this level.
#if defined(__AVX512F__)
inline constexpr int kRegisterLanes = 16;
#elif defined(__AVX2__)
inline constexpr int kRegisterLanes = 8;
#elif defined(__SSE2__) || (defined(__ARM_NEON) && defined(__aarch64__))
inline constexpr int kRegisterLanes = 4;
#else
inline constexpr int kRegisterLanes = 1;
#endif

/// Lanes for few signals of a block whose time is in its recurrences: there the widest registers take longer.
template <int W>
inline constexpr int kNarrow = W == 16 ? 8 : W;
/// Those of the widest register, where packs of W fill half of it: what has no recurrence from frame to frame can work
/// on two of them at once.
template <int W>
inline constexpr int kWidest = W == 8 && kRegisterLanes == 16 ? 16 : W;

/// The value in lane `l`, 0 .. W - 1; another lane is undefined. For set-up and for the edges of the chain.
template <int W>
RACKPROOF_INLINE float lane(Pack<W> pack, int l) noexcept {
  if constexpr (W == 1) {
    static_cast<void>(l);
    return pack;
  } else {
    return pack[l];
  }
}
/// Puts `x` into lane `l`, 0 .. W - 1; another lane is undefined.
template <int W>
RACKPROOF_INLINE void set_lane(Pack<W>& pack, int l, float x) noexcept {
  if constexpr (W == 1) {
    static_cast<void>(l);
    pack = x;
  } else {
    pack[l] = x;
  }
}

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
