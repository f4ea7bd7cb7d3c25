#pragma once
/// What a section does to a sine, from the numbers that it runs on.
/// Theorem  with e = z - 1,  H = (mix_v e (e + damp) + mix_1 rate e + mix_2 (cross (e + damp) + rate^2)) / D,
///          D = e (e + damp) + cross (e + damp) + rate^2: the four equations of section.hpp, solved for y / x.
/// Method   e = -2 sin^2(w/2) + j sin w, so nothing is lost at low frequencies, where 1 + a1 + a2 of the biquad would
///          be a small difference of large numbers.
/// Rounded sections and exact ones alike: `response(Section)` is the response after rounding.
#include <cmath>
#include <complex>
#include <numbers>
#include <span>

#include "dsp/design/exact_section.hpp"
namespace rackproof::dsp {

/// The response at `frequency_hz`, 0 to half the sample rate; a delay has negative phase.
template <class S>
std::complex<double> response(const S& s, double frequency_hz, double sample_rate_hz) noexcept {
  const double mix_v = static_cast<double>(s.mix_v), mix_1 = static_cast<double>(s.mix_1);
  const double mix_2 = static_cast<double>(s.mix_2), rate = static_cast<double>(s.rate);
  const double damp = static_cast<double>(s.damp), cross = static_cast<double>(s.cross);
  if (rate == 0.0 && cross == 0.0) return mix_v;
  const double half = std::numbers::pi * frequency_hz / sample_rate_hz, sine = std::sin(half);
  const std::complex<double> e(-2.0 * sine * sine, 2.0 * sine * std::cos(half));
  const std::complex<double> damped = e + damp, first = e * damped, second = cross * damped + rate * rate;
  return (mix_v * first + mix_1 * rate * e + mix_2 * second) / (first + second);
}

/// Of sections in a row; of none, 1.
template <class S>
std::complex<double> response(std::span<const S> sections, double frequency_hz, double sample_rate_hz) noexcept {
  std::complex<double> product = 1.0;
  for (const S& s : sections) product *= response(s, frequency_hz, sample_rate_hz);
  return product;
}
/// Of all sections of a list.
template <class S>
std::complex<double> response(const ListOf<S>& list, double frequency_hz, double sample_rate_hz) noexcept {
  return response(list.view(), frequency_hz, sample_rate_hz);
}

}  // namespace rackproof::dsp
