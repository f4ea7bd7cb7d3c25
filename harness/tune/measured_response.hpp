#pragma once
/// A response as it is measured, with what is known of its noise, and what a pair of recordings has in common.
#include <complex>
#include <cstddef>
#include <span>
#include <vector>

#include "harness/analysis/cross_spectrum.hpp"

namespace rackproof::tune {

using Samples = std::vector<double>;
using View = std::span<const double>;

/// The response at bins 0 .. N/2, time zero where the caller put it, with its coherence, and the power of its noise over
/// its own, which `averages` of one such draw have made smaller already.
struct Response {
  std::vector<std::complex<double>> h;
  Samples coherence, noise_share;
  std::size_t size() const { return 2 * (h.size() - 1); }
};

/// The response by its phase alone, weighted by coherence, its middle at time zero: neither the spectrum nor a room's
/// resonance has a say in what correlates with it.
Samples phase_wave(std::vector<std::complex<double>> h, const Samples& coherence);

/// Where `sent` is found in `captured`: the crest of their plain correlation, to a sample.
std::ptrdiff_t coarse_lag(View sent, View captured);

/// What both hold when `captured` is taken `lag` samples earlier.
struct Overlap {
  View x, y;
};
Overlap overlap(View sent, View captured, std::ptrdiff_t lag);

/// Averaged after P. D. Welch (1967): segments `segment / overlaps` samples apart.
analysis::CrossSpectrum welch(const Overlap& pair, double rate, std::size_t segment, std::size_t overlaps);
/// Coherence without what chance alone would show.
Samples debiased_coherence(const analysis::CrossSpectrum& cross);

std::size_t power_of_two_below(double x);

}  // namespace rackproof::tune
