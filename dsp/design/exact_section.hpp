#pragma once
/// From a second-order prototype to the numbers of `Section`, in double precision and, last of all, rounded to single.
///
/// Prototype   H(s) = (high s^2 + band s + low) / (s^2 + k s + 1),   s = (1/g) (z - 1) / (z + 1)
///             g = tan(pi f / fs) puts s = j at f: the bilinear transform, prewarped there. k = 1/Q.
/// Section     h = 1 / (1 + g (g + k)),   rate = 2 g h,   damp = 2 g (g + k) h,   cross = 2 g^2 h,
///             mix_v = (high + band g + low g^2) h,   mix_1 = (band - k high + g (low - high)) h,   mix_2 = low
/// Claim       `rate`, `damp`, `cross` and `mix_2` are products and sums of positive numbers: good to a few units in
///             the last place at every frequency, so that a rounded 20 Hz section is as true as a 2 kHz one.
///
/// First order stands in the same form, exactly, with its second pole at z = 0: g = sqrt(t), k = (1 + t) / sqrt(t),
/// where t = tan(pi f / fs) and the wanted pole is (1 - t) / (1 + t). What is left of the formulas above is given in
/// closed form, without that k.
#include <cmath>
#include <limits>
#include <numbers>

#include "dsp/design/section.hpp"
namespace rackproof::dsp {

/// `Section` before rounding: the same six coefficients, the same equations.
struct ExactSection {
  double mix_v = 1.0;   ///< as in Section
  double mix_1 = -0.0;  ///< as in Section
  double mix_2 = -0.0;  ///< as in Section
  double rate = 0.0;    ///< as in Section
  double damp = 0.0;    ///< as in Section
  double cross = 0.0;   ///< as in Section
};
/// What a design gives to what computes on.
using ExactList = ListOf<ExactSection>;

/// high s^2 + band s + low, or high s + low for first order.
struct Numerator {
  double high = 0.0;  ///< of s^2, or of s
  double band = 0.0;  ///< of s
  double low = 0.0;   ///< the constant
};

/// tan(pi f / fs), or a NaN where f is not between 0 and fs / 2.
inline double prewarped(double at_hz, double sample_rate_hz) noexcept {
  const bool sane = at_hz > 0.0 && at_hz < sample_rate_hz / 2.0 && std::isfinite(sample_rate_hz);
  return sane ? std::tan(std::numbers::pi * at_hz / sample_rate_hz) : std::numeric_limits<double>::quiet_NaN();
}

/// (high s^2 + band s + low) / (s^2 + k s + 1).
constexpr ExactSection second_order(double g, double k, const Numerator& n) noexcept {
  const double h = 1.0 / (1.0 + g * (g + k));
  return {.mix_v = h * (n.high + g * (n.band + g * n.low)),
          .mix_1 = h * (n.band - k * n.high + g * (n.low - n.high)),
          .mix_2 = n.low,
          .rate = 2.0 * g * h,
          .damp = 2.0 * g * (g + k) * h,
          .cross = 2.0 * g * g * h};
}

/// (high s + low) / (s + 1), with s = (1/t) (z - 1) / (z + 1). `band` is not used.
inline ExactSection first_order(double t, const Numerator& n) noexcept {
  const double root = std::sqrt(t), h = 1.0 / (1.0 + t);
  return {.mix_v = h * (n.high + t * n.low),
          .mix_1 = h * root * (n.low - n.high),
          .mix_2 = n.low,
          .rate = root * h,
          .damp = h * (1.0 + 2.0 * t),
          .cross = h * t};
}

/// To single precision, each coefficient to the nearest.
constexpr Section nearest(const ExactSection& s) noexcept {
  const auto f = [](double x) { return static_cast<float>(x); };
  return {f(s.mix_v), f(s.mix_1), f(s.mix_2), f(s.rate), f(s.damp), f(s.cross)};
}
/// To single precision, so that the response stays. The poles hang on damp + cross and rate^2 + damp cross, the zeros
/// on these and the mixes: at low frequencies `cross` and `mix_1` are finer than they need be, and can take up what
/// rounding took from the others. Of a handful of such neighbours and `nearest`, this is the one whose response is
/// nearest to the exact one at five frequencies about the resonance. It is never further off there than `nearest`.
Section rounded(const ExactSection& exact) noexcept;
/// Each section of the list.
SectionList rounded(const ExactList& list) noexcept;

/// What a design may give out: finite, no coefficient of the loop lost below the single-precision range, and stable
/// once rounded.
bool is_usable(const ExactSection& s) noexcept;

}  // namespace rackproof::dsp
