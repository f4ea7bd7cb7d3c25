#pragma once
/// The second-order section that the core runs, in numbers: a trapezoidal state-variable filter in incremental form.
///
///   v   = x - s2
///   y   = mix_v v + mix_1 s1 + mix_2 s2
///   s1' = s1 + rate v  - damp s1
///   s2' = s2 + cross v + rate s1           (the s1 from before its update)
///
/// Every stable biquad has this form. The increments are small where the frequency is low, so rounding them costs
/// little: that is why a 20 Hz filter is quiet in single precision. A direct form is not.
#include <cstddef>
#include <span>

#include "dsp/compiler.hpp"
namespace rackproof::dsp {

/// Coefficients of one section. The default is the identity, to the bit: -0 as mix keeps the sign of a zero.
struct Section {
  float mix_v = 1.0f;   ///< of v, in the output
  float mix_1 = -0.0f;  ///< of s1, in the output
  float mix_2 = -0.0f;  ///< of s2, in the output
  float rate = 0.0f;    ///< of v into s1, and of s1 into s2
  float damp = 0.0f;    ///< what s1 loses a sample
  float cross = 0.0f;   ///< of v into s2
  /// By value: -0 is 0.
  friend constexpr bool operator==(const Section&, const Section&) = default;
};

/// b0 + b1 z^-1 + b2 z^-2 over 1 + a1 z^-1 + a2 z^-2. Note the signs of a1 and a2: y[n] = ... - a1 y[n-1] - a2 y[n-2].
struct Biquad {
  double b0 = 1;  ///< of x[n]
  double b1 = 0;  ///< of x[n-1]
  double b2 = 0;  ///< of x[n-2]
  double a1 = 0;  ///< of -y[n-1]
  double a2 = 0;  ///< of -y[n-2]
};

/// The transfer function of a section as it stands, with its rounded coefficients; exact up to double arithmetic.
/// From C (zI - A)^-1 B + D of the four equations above.
constexpr Biquad biquad_of(const Section& s) noexcept {
  const double mix_v = static_cast<double>(s.mix_v), mix_1 = static_cast<double>(s.mix_1);
  const double through_2 = static_cast<double>(s.mix_2) - mix_v;
  const double rate = static_cast<double>(s.rate), damp = static_cast<double>(s.damp);
  const double cross = static_cast<double>(s.cross);
  Biquad b;
  b.a1 = damp + cross - 2.0;
  b.a2 = (1.0 - damp) * (1.0 - cross) + rate * rate;
  b.b0 = mix_v;
  b.b1 = mix_v * b.a1 + mix_1 * rate + through_2 * cross;
  b.b2 = mix_v * b.a2 - mix_1 * rate + through_2 * (rate * rate - cross + cross * damp);
  return b;
}

/// Both poles inside the unit circle, as the coefficients stand (E. I. Jury's test for order 2, in the section's own
/// numbers: without cancellation in its first two terms). A section whose states nothing drives is stable, as the
/// identity is. A NaN is not.
constexpr bool is_stable(const Section& s) noexcept {
  if (s.rate == 0.0f && s.cross == 0.0f) return s.damp >= 0.0f && s.damp < 2.0f;
  const float turn = s.rate * s.rate;
  const float at_dc = s.damp * s.cross + turn;                         // 1 + a1 + a2
  const float at_nyquist = (2.0f - s.damp) * (2.0f - s.cross) + turn;  // 1 - a1 + a2
  const float inside = s.damp + s.cross * (1.0f - s.damp) - turn;      // 1 - a2
  return at_dc > 0.0f && at_nyquist > 0.0f && inside > 0.0f;
}

/// Up to eight sections of one design, in the order in which they run.
template <class S>
struct ListOf {
  static constexpr std::size_t kCapacity = 8;  ///< sections at most
  S sections[kCapacity];                       ///< the first `count` of them are in use
  std::size_t count = 0;                       ///< how many there are
  /// False where the list is full: then it is as it was.
  constexpr bool push(const S& s) noexcept {
    if (count == kCapacity) return false;
    sections[count++] = s;
    return true;
  }
  /// Those in use; as long as the list lives.
  constexpr std::span<const S> view() const noexcept { return {sections, count}; }
};
/// What a design gives to the chain.
using SectionList = ListOf<Section>;

}  // namespace rackproof::dsp
