#pragma once
/// Sixteen taps that delay by seven samples and a fraction.
/// Theorem  up to 0.25 of the sample rate the response of the taps, as rounded to single precision, is within -100 dB of
///          the ideal delay's, exp(-j w (7 + fraction)): both together null to -100 dB. Up to 0.4 of it the taps are
///          within 0.2 dB of one and within 0.004 sample of 7 + fraction (phase delay). Fraction 0 is the pure delay of
///          seven samples.
/// Method   least squares on the complex error against exp(-j w (7 + fraction)), weighted by band: the normal equations
///          in closed form (T. Laakso et al., "Splitting the Unit Delay", IEEE SP Magazine 13(1), 1996, general least
///          squares), solved by Cholesky's method in double; condition 3 10^7, so eight digits are left.
#include <array>

#include "dsp/chain/chain_settings.hpp"
namespace rackproof::dsp {

/// Taps in the order of their age: y[n] = sum of taps[k] x[n - k]. `fraction` in samples, 0 .. below 1. False where it
/// is not in there, or not a number: then `taps` stay as they were.
[[nodiscard]] bool fractional_delay(double fraction, std::array<float, kFractionTaps>& taps) noexcept;

}  // namespace rackproof::dsp
