#pragma once
/// One equaliser section, as in the W3C Working Group Note "Audio EQ Cookbook" (8 June 2021): its prototypes H(s), its
/// three ways to state a width, the bilinear transform with s = j at `at_hz`.
#include <cstdint>

#include "dsp/design/exact_section.hpp"
namespace rackproof::dsp {

/// The note's types; `bandpass` is the one with a peak of 0 dB.
enum class EqType : std::uint8_t { lowpass, highpass, bandpass, notch, allpass, peaking, lowshelf, highshelf };
/// How the width is stated. `bandwidth_oct`: octaves, between the -3 dB points of a bandpass or notch and between the
/// half-gain (in dB) points of a peaking, after the transform as the note has it. `shelf_slope`: shelves only; 1 is as
/// steep as a shelf gets without overshoot.
enum class EqWidth : std::uint8_t { q, bandwidth_oct, shelf_slope };

/// One band of an equaliser.
struct EqSettings {
  EqType type = EqType::peaking;                 ///< its shape
  double at_hz = 1000.0;                         ///< above 0, below half the sample rate
  double gain_db = 0.0;                          ///< peaking and shelves only, within +-kMaxGainDb
  EqWidth width = EqWidth::q;                    ///< how `width_value` is meant
  double width_value = std::numbers::sqrt2 / 2;  ///< above 0
};
/// Of a band, up and down.
inline constexpr double kMaxGainDb = 60.0;

/// The note's Q, whichever way the width is stated; not finite or no number where the width has none. Of a peaking the
/// prototype's damping is 1 / (A Q), A = 10^(gain_db / 40); of the other types it is 1 / Q.
double q_of(const EqSettings& settings, double sample_rate_hz) noexcept;

/// False, with `out` as it was, where a setting is out of its range (a NaN is), a shelf slope is too steep for the gain
/// to have a real Q, or single precision cannot hold the section. A peaking or shelf of 0 dB is the identity, to the
/// bit.
[[nodiscard]] bool design(const EqSettings& settings, double sample_rate_hz, ExactSection& out) noexcept;
/// The same, rounded for the chain.
[[nodiscard]] bool design(const EqSettings& settings, double sample_rate_hz, Section& out) noexcept;

}  // namespace rackproof::dsp
