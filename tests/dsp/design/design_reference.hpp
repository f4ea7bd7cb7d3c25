#pragma once
/// What the tests of dsp/design measure against: prototypes evaluated in extended precision, and a plain runner of the
/// four equations of a section, also in extended precision.
#include <cmath>
#include <complex>
#include <cstddef>
#include <cstdint>
#include <numbers>
#include <random>
#include <span>
#include <vector>

#include "dsp/design/exact_section.hpp"
namespace rackproof::dsp::reference {

using Wide = long double;
using Complex = std::complex<Wide>;

/// (z - 1) / (z + 1) at a frequency: j tan(pi f / fs).
inline Complex bilinear(double frequency_hz, double sample_rate_hz) {
  return {0, std::tan(std::numbers::pi_v<Wide> * static_cast<Wide>(frequency_hz) / static_cast<Wide>(sample_rate_hz))};
}

/// The first samples of the impulse response of sections in a row.
template <class S>
std::vector<Wide> impulse_response(std::span<const S> sections, std::size_t samples) {
  std::vector<Wide> track(samples);
  if (samples > 0) track[0] = 1;
  for (const S& s : sections) {
    Wide s1 = 0, s2 = 0;
    for (Wide& x : track) {
      const Wide v = x - s2, y = s.mix_v * v + s.mix_1 * s1 + s.mix_2 * s2;
      s2 += s.cross * v + s.rate * s1;
      s1 += s.rate * v - s.damp * s1;
      x = y;
    }
  }
  return track;
}

/// Raw bits of a fixed seed: the same on every machine.
class Random {
 public:
  explicit Random(std::uint32_t seed) : bits_(seed) {}
  double between(double low, double high) { return low + (high - low) * static_cast<double>(bits_()) / 4294967296.0; }
  double log_between(double low, double high) { return low * std::pow(high / low, between(0.0, 1.0)); }
  std::uint32_t below(std::uint32_t n) { return static_cast<std::uint32_t>(bits_() % n); }

 private:
  std::mt19937 bits_;
};

inline double db(double magnitude) { return 20.0 * std::log10(magnitude); }
template <class T>
double db(const std::complex<T>& h) {
  return db(static_cast<double>(std::abs(h)));
}

/// 1/k of a section, from its coefficients.
template <class S>
double q_of(const S& s) {
  return static_cast<double>(s.rate) / (static_cast<double>(s.damp) - static_cast<double>(s.cross));
}

/// How far the response of a section may move when its coefficients are rounded to single precision, against the
/// greatest magnitude that it has. A unit roundoff u = 2^-24 in `rate`^2 and `cross` moves the resonance by u at most,
/// which the slope of the phase, 2 Q, makes 2 Q u; `damp` moves its height by u or its like; three mixes add u each;
/// one more for the sums. Above a quarter of the sample rate, where g passes 1, `damp` and `cross` come near 2 and what
/// counts is what they lack: u there is g u of it.
template <class S>
double rounding_bound(const S& s) {
  const double g = static_cast<double>(s.cross) / static_cast<double>(s.rate);
  return std::ldexp(1.0, -24) * (2.0 * std::fabs(q_of(s)) + 5.0) * (1.0 + g);
}
template <class S>
double rounding_bound(const ListOf<S>& list) {
  double sum = 0.0;
  for (const S& s : list.view()) sum += rounding_bound(s) * std::fmax(1.0, std::fabs(q_of(s)));
  return sum;
}

inline constexpr double kSampleRates[] = {44100, 48000, 88200, 96000, 176400, 192000};

}  // namespace rackproof::dsp::reference
