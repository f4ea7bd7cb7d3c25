#pragma once
/// The phase that follows from a level: that of the minimum-phase response with these magnitudes.
/// Method   the cepstrum of the log magnitude, folded onto positive time (A. V. Oppenheim, R. W. Schafer,
///          "Discrete-Time Signal Processing", the chapter on cepstrum analysis; from memory).
/// Claim    of a response that is of minimum phase and whose bins are close enough, the phase itself.
#include <span>
#include <vector>

#include "harness/analysis/fourier.hpp"

namespace rackproof::analysis {

/// `power`: |H|^2 above 0 at the bins 0 .. N/2 of `fourier`. Returns radians, as many, not wrapped.
std::vector<double> minimum_phase(std::span<const double> power, const RealFourier& fourier);

}  // namespace rackproof::analysis
