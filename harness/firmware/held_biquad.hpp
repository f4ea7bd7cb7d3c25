#pragma once
/// What becomes of a section when a processor holds its five coefficients in a format of few bits, and what its
/// arithmetic adds.
///
/// Error     of the magnitude, from 10 Hz to 20 kHz or 0.45 of the sample rate, whichever is lower. Down to 40 dB under
///           the section's own largest gain there it is the ratio of the two magnitudes in dB. Below that a ratio says
///           nothing (a notch has no bottom), and the difference is set against that level instead: a notch or a stop
///           band that comes out 80 dB under the largest gain, where nothing should, reads 0.086 dB.
/// Method    a grid of 2000 points with more about the poles and zeros of both, then a golden-section search about the
///           worst of them.
///
/// Noise     of the structure alone, as RMS at the section's output. A sine at full scale (1.0) reads 0 dBFS (AES17).
///   fixed   1.0 is full scale, samples and states have the step of the coefficients. The products of one sum are kept
///           whole and the sum is rounded once, where it is stored: direct form I stores y (one rounding), transposed
///           direct form II stores y and two states (three). Each rounding is white, with variance step^2 / 12, and
///           reaches the output through 1 / A(z): variance times the sum of the squares of its impulse response. Where
///           each of the five products is rounded instead, direct form I gains 10 log10(5 / 1) = 7.0 dB and the
///           transposed form 10 log10(5 / 3) = 2.2 dB; some 2 dB more where b0 and b2 are one number, whose roundings
///           are alike and add up.
///   float   each product and each sum is rounded, with a variance that follows its own size: 0.18 x 2^(-2 p) of its
///           mean square, p = 24 or 53 bits (0.541 / 3 where the mantissa is spread evenly on a logarithmic scale). All
///           reach the output through 1 / A(z). For a sine at full scale, at the frequency where the noise is greatest;
///           it falls with the level.
///   Source  A. V. Oppenheim, R. W. Schafer, "Discrete-Time Signal Processing", the sections on round-off noise in
///           digital filters; from memory. The sum of squares of 1 / A(z), order 2, is (1 + a2) / ((1 - a2) ((1 + a2)^2
///           - a1^2)). A test holds both against a simulation.
/// Not here  truncation in place of rounding (adds half a step times 1 / A(1) at 0 Hz), limit cycles, and overflow
///           between or within sections.
#include <array>
#include <optional>

#include "dsp/design/section.hpp"
#include "harness/firmware/number_format.hpp"

namespace rackproof::firmware {

inline constexpr std::array<const char*, 5> kCoefficientNames{"b0", "b1", "b2", "a1", "a2"};
inline std::array<double, 5> coefficients_of(const dsp::Biquad& s) { return {s.b0, s.b1, s.b2, s.a1, s.a2}; }

/// Of the farthest of the two poles from z = 0: below 1 the section is stable.
double pole_radius(const dsp::Biquad& section);
/// By E. I. Jury's test for order 2, exact for the numbers of every format of up to 53 bits.
bool is_stable(const dsp::Biquad& section);
/// Sum of the squares of the impulse response of 1 / (1 + a1 z^-1 + a2 z^-2). Of a stable section.
double noise_gain(const dsp::Biquad& section);

struct HeldBiquad {
  std::array<Held, 5> codes;  ///< in the order of kCoefficientNames
  dsp::Biquad section;        ///< of these codes
  double pole_radius = 0;
  double worst_error_db = 0, worst_error_at_hz = 0;  ///< with its sign: above 0 it is louder than it should be
  double direct_form_1_dbfs = 0, transposed_direct_form_2_dbfs = 0;  ///< noise
};
/// Why a section cannot be held.
struct NotHeld {
  enum class Why { beyond, unstable, silent } why = Why::beyond;
  std::size_t coefficient = 0;  ///< of kCoefficientNames, where it is beyond the format
  double pole_radius = 0;       ///< where it is unstable
};
struct Holding {
  std::optional<HeldBiquad> held;
  NotHeld refusal;  ///< where there is nothing held
};
/// `exact` is stable and finite.
Holding hold(const dsp::Biquad& exact, const NumberFormat& format, double sample_rate_hz);

}  // namespace rackproof::firmware
