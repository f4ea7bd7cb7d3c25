#pragma once
/// Signals that a formula gives: tones, edges, pulses, sweeps, and the worst case of a linear path.
/// Claim    a phase is a fraction of a turn, taken from the sample's number and not summed up: it does not drift. At
///          sample n it is within 2^-52 of the n f turns that there have been (after a week at 48 kHz, 4e-7 rad).
#include <cstdint>
#include <span>
#include <vector>

#include "harness/stimuli/generator.hpp"
namespace rackproof::stimuli {

struct Tone {
  double frequency_hz = 997;  ///< 0 to half the sample rate
  double amplitude = 1.0;     ///< peak
  double phase_rad = 0.0;     ///< of the sine at frame 0
};
Signal sine(const Tone& tone, double sample_rate_hz);
Signal multi_tone(std::vector<Tone> tones, double sample_rate_hz);

/// Sign of the sine: edges on whole samples, so it holds what aliases.
Signal square(const Tone& tone, double sample_rate_hz);
/// The odd harmonics below half the sample rate, 4/(pi k) each. Overshoots its plateau, `amplitude`, by up to 18 % of
/// it: that is the band limit (J. W. Gibbs), not an error.
Signal band_limited_square(const Tone& tone, double sample_rate_hz);

/// `before` up to frame `at`, `after` from there on.
Signal step(std::uint64_t at, double before, double after);

/// A sine that begins at phase 0 at `start_frame` and lasts `frames`, with raised-cosine flanks of `flank_frames`
/// inside it (0: hard gates). Repeats every `period_frames`, each time from phase 0; 0: once.
struct Burst {
  Tone tone;
  std::uint64_t start_frame = 0, frames = 4800, flank_frames = 0, period_frames = 0;
};
Signal burst(const Burst& burst, double sample_rate_hz);

/// A band-limited pulse whose crest, `amplitude`, is at any place between samples: sinc under a Kaiser window.
struct Click {
  double at = 128;  ///< frames, with a fraction
  double amplitude = 1.0;
  double band = 0.6;       ///< its -6 dB edge over half the sample rate
  double half_width = 64;  ///< frames; beyond it, silence
  double kaiser_beta = 10;
};
Signal click(const Click& click);

/// x(t) = a sin(2 pi f1 L (e^(t/L) - 1)), L = T / ln(f2/f1): an octave always takes the same time; the k-th harmonic
/// that a system adds comes L ln k early. A. Farina, "Simultaneous Measurement of Impulse Response and Distortion with
/// a Swept-Sine Technique", AES 108th Convention, 2000. Silence after `frames`.
struct Sweep {
  double from_hz = 20, to_hz = 20000;
  std::uint64_t frames = 480000;
  double amplitude = 1.0;
  double sample_rate_hz = 48000;
  double time_scale_s() const;             ///< L
  double harmonic_advance_s(int k) const;  ///< L ln k
};
Signal sweep(const Sweep& sweep);
/// The signal that turns the sweep into a pulse at frame `frames` - 1: the sweep backwards under e^(-t/L), 1 at its
/// beginning (the high end). In the band, |X F| = a^2 fs^2 L / (4 to_hz); divide by that for unity.
std::vector<double> inverse_sweep(const Sweep& sweep);
double sweep_deconvolution_gain(const Sweep& sweep);

/// A maximum-length sequence of +-1, 2^order - 1 long, repeated; order 2 .. 20. Its circular autocorrelation is its
/// length at 0 and -1 elsewhere.
Signal maximum_length_sequence(int order);

/// The input within +-1 that drives a path of impulse response h the furthest, to sum |h| at frame h.size() - 1: the
/// signs of h backwards. No input within +-1 goes beyond, since |sum h[k] x[n-k]| <= sum |h[k]|.
std::vector<double> worst_case(std::span<const double> impulse_response);
/// sum |h|
double worst_case_peak(std::span<const double> impulse_response);

}  // namespace rackproof::stimuli
