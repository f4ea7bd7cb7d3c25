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
  float mix_v = 1.0f, mix_1 = -0.0f, mix_2 = -0.0f;
  float rate = 0.0f, damp = 0.0f, cross = 0.0f;
  friend constexpr bool operator==(const Section&, const Section&) = default;
};

/// b0 + b1 z^-1 + b2 z^-2 over 1 + a1 z^-1 + a2 z^-2. Note the signs of a1 and a2: y[n] = ... - a1 y[n-1] - a2 y[n-2].
struct Biquad {
  double b0 = 1, b1 = 0, b2 = 0, a1 = 0, a2 = 0;
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

/// Whether both poles lie inside the unit circle, from the rounded coefficients: with the stability triangle of a
/// second-order denominator, a2 < 1 and |a1| < 1 + a2, written in the section's own numbers, where low frequencies lose
/// no digits. A section whose states nothing enters (the identity is one) counts as stable. False for a NaN.
constexpr bool is_stable(const Section& s) noexcept {
  if (s.rate == 0.0f && s.damp == 0.0f && s.cross == 0.0f) return true;
  const float turn = s.rate * s.rate, both = s.damp * s.cross;
  const bool below_one = s.damp + s.cross - both - turn > 0.0f;              // 1 - a2
  const bool at_dc = both + turn > 0.0f;                                     // 1 + a1 + a2
  const bool at_nyquist = (2.0f - s.damp) * (2.0f - s.cross) + turn > 0.0f;  // 1 - a1 + a2
  return below_one && at_dc && at_nyquist;
}

/// Up to eight sections of one design, in the order in which they run.
template <class S>
struct ListOf {
  static constexpr std::size_t kCapacity = 8;
  S sections[kCapacity];
  std::size_t count = 0;
  /// False where the list is full: then it is as it was.
  constexpr bool push(const S& s) noexcept {
    if (count == kCapacity) return false;
    sections[count++] = s;
    return true;
  }
  constexpr std::span<const S> view() const noexcept { return {sections, count}; }
};
using SectionList = ListOf<Section>;

}  // namespace rackproof::dsp
