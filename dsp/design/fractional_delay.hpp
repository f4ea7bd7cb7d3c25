#pragma once
/// Sixteen taps that delay by seven samples and a fraction.
/// Theorem  up to 0.4 of the sample rate the taps, as rounded to single precision, are within 0.1 dB of one and within
///          0.002 sample of 7 + fraction (phase delay); up to 0.25 of it within 0.001 dB and 0.0001 sample.
///          Fraction 0 is the pure delay of seven samples.
/// Method   least squares on the complex error against exp(-jwD), weighted by band: the normal equations in closed form
///          (T. Laakso et al., "Splitting the Unit Delay", IEEE SP Magazine 13(1), 1996, general least squares), solved
///          by Cholesky's method in double; condition 10^6, so ten digits are left.
#include <array>

#include "dsp/chain/chain_settings.hpp"
namespace rackproof::dsp {

/// Taps in the order of their age: y[n] = sum of taps[k] x[n - k]. Precondition: 0 <= fraction < 1, in samples.
std::array<float, kFractionTaps> fractional_delay(double fraction) noexcept;

}  // namespace rackproof::dsp
