#pragma once
/// Noise: white, pink, with a wanted crest factor, and weighted as a programme.
#include <cstdint>
#include <random>
#include <span>
#include <vector>

#include "harness/stimuli/generator.hpp"
namespace rackproof::stimuli {

/// Evenly spread in -1 .. 1, white: x = 2 v / (2^31 - 1) - 1, v from std::minstd_rand (48271, as the C++ standard has
/// it).
Signal uniform_noise(std::uint32_t seed = 1);

/// Gaussian, white, of RMS 1. G. Marsaglia's polar method on std::mt19937, with a logarithm of our own: nothing in it
/// is left to a machine's library.
Signal white_noise(std::uint32_t seed = 1);

/// Gaussian noise whose density falls by 10 dB a decade from 10 Hz to 0.45 of the sample rate, within +-0.1 dB, of
/// RMS 1. First-order sections an octave apart on the axis that the bilinear transform warps. It begins in mid-stream:
/// the filter has run for a second.
Signal pink_noise(double sample_rate_hz, std::uint32_t seed = 1);

/// How Gaussian noise of RMS 1 is clipped to a crest factor (peak over RMS, above 1).
struct CrestClip {
  double ceiling = 0;        ///< clip here
  double rms = 0;            ///< what RMS is left
  double clipped_share = 0;  ///< of the samples
};
CrestClip clip_for_crest(double crest_factor);
/// `noise`, Gaussian and of RMS 1, clipped to `crest_factor` and brought back to RMS 1.
Signal with_crest_factor(Signal noise, double crest_factor);

/// First-order sections in a row: y[n] = b0 x[n] + b1 x[n-1] - a1 y[n-1].
struct FirstOrder {
  double b0 = 1, b1 = 0, a1 = 0;
  double power_at(double frequency) const;  ///< |H|^2; cycles a sample
};
Signal filtered(Signal source, std::vector<FirstOrder> sections);
std::vector<FirstOrder> pink_sections(double sample_rate_hz);

/// The filter that turns pink noise into the simulated programme signal of IEC 60268-1:1985, 0 dB at 500 Hz: three
/// corners below and two above, fitted to the third-octave levels of its Table II (20 Hz to 20 kHz; within 0.3 dB up to
/// 12.5 kHz at every sample rate, where the table grants 0.5 to 3).
std::vector<FirstOrder> programme_sections(double sample_rate_hz);

}  // namespace rackproof::stimuli
