#pragma once
/// Mean of the last L integers, W lanes side by side, each with an L of its own; it is never below the least of them.
/// Claim    Values q from 0 to kMostValue, L from 1 to kMostLength, push(q) * factor(L) the mean as floats carry it:
///          (1) where all of the last L values are at least an integer Q, the mean is at least Q, and so is its whole
///          part. The peak limiter's theorem stands on this.
///          (2) It is at most (1 + 2^-20) times the exact mean. All zeros: exactly 0.
///          (3) It neither drifts nor sticks: it is a function of the last L values, whatever came before.
/// Method   The sum is kept as high 2^15 + low, so that a lane stays a 32-bit word: what enters less what leaves is cut
///          into both. `high` moves by its part rounded down, so that what is left for `low` is never negative.
/// Proof    of (3). Both parts are exact integers. With L <= 2^15 the sum is at most 2^15 kMostValue: `high` is below
///          2^31. `low` gains less than 2^15 a value and is carried over into `high` by `carry`, at least once in
///          kMostPushes values: it stays below 2^15 (kMostPushes + 1) < 2^24, where floats hold every integer.
///          of (1) and (2). Let e = 2^-24, the most that one rounding of a float changes, as a share. To the mean there
///          are three: of `high`, of high 2^15 + low, of the product with the factor. (high 2^15 is exact.) The factor
///          itself has two, and is made greater by 6 e ahead of them: (1 + 6 e) (1 - e)^5 > 1, so a sum of at least
///          L Q makes a mean of at least Q. Upwards (1 + 6 e) (1 + e)^5 < 1 + 2^-20. Where one fused operation takes
///          the product and another term, one rounding is spared.
/// Cost     of `push` 2 conversions, 1 multiply and add, 5 of integers. Memory lent by the caller: the longest L.
#include <cassert>
#include <cstddef>
#include <cstdint>
#include <span>

#include "dsp/blocks/ring.hpp"
#include "dsp/pack.hpp"
namespace rackproof::dsp::inline RACKPROOF_LEVEL {

/// Means of W lanes: the claim stands at the head of the file.
template <int W>
class BoxMean {
 public:
  static constexpr std::size_t kMostLength = std::size_t{1} << 15;   ///< L
  static constexpr std::int32_t kMostValue = (1 << 30) + (1 << 11);  ///< of what is pushed; none is negative
  static constexpr std::size_t kMostPushes = 64;                     ///< between two calls of `carry`

  BoxMean() = default;  ///< of no values: nothing may be pushed
  /// `memory` for the longest L of all lanes.
  explicit BoxMean(std::span<PackInt<W>> memory) noexcept : ring_(memory) { assert(memory.size() <= kMostLength); }
  /// As if only zeros had come.
  void reset() noexcept {
    ring_.reset();
    high_ = low_ = PackInt<W>{};
  }
  /// The values that are kept; the oldest of the longest L stands at its place().
  const Ring<PackInt<W>>& ring() const noexcept { return ring_; }
  /// Takes `q` in, and in each lane the one that came L values before it, `leaves`, out: the sum of the last L.
  RACKPROOF_INLINE Pack<W> push(PackInt<W> q, PackInt<W> leaves) noexcept {
    const PackInt<W> change = q - leaves;
    ring_.put(q);
    high_ += change >> kLowBits;
    low_ += change & ((1 << kLowBits) - 1);
#if defined(__FMA__) || defined(__ARM_FEATURE_FMA)  // the product is exact: fused or not, the bits are the same
    return fma(to_float<W>(high_), broadcast<W>(kLowUnit), to_float<W>(low_));
#else
    return to_float<W>(high_) * broadcast<W>(kLowUnit) + to_float<W>(low_);
#endif
  }
  /// Brings `low` back to what `high` cannot say.
  void carry() noexcept {
    high_ += low_ >> kLowBits;
    low_ &= (1 << kLowBits) - 1;
  }
  /// What makes the mean of a sum over `length` values, in units of `unit`, which is a power of two.
  static constexpr float factor(std::size_t length, float unit = 1.0f) noexcept {
    return unit / static_cast<float>(length) * (1.0f + 0x1.8p-22f);
  }

 private:
  static constexpr int kLowBits = 15;
  static constexpr float kLowUnit = 0x1p15f;

  Ring<PackInt<W>> ring_;
  PackInt<W> high_{}, low_{};
};

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
