#pragma once
/// The time constant of something that dies away: the reduction of a limiter after the burst, a room, a detector.
///   v[n] ~ v0 e^(-n / (tau rate)),  a straight line in ln v, fitted where v falls from `from` to `to`
///   of its first value
/// Weights v^2: an even error in v (rounding) is then an even error of the fit.
#include <cstddef>
#include <span>
namespace rackproof::analysis {

struct DecayFit {
  bool found = false;  ///< false: it never falls that far, or too few values lie between
  double time_constant_s = 0;
  double start_value = 0;           ///< v0 of the fitted line, at the first value
  double worst_relative_error = 0;  ///< of the line against the track, within the fitted stretch
  std::size_t first = 0, last = 0;  ///< the fitted stretch, `last` included
};
/// `values` are not negative and begin at the start of the decay.
DecayFit fit_decay(std::span<const double> values, double rate_hz, double from = 0.9, double to = 0.1);
/// The same for a gain track that returns to 1: the decay of 1 - gain.
DecayFit fit_release(std::span<const double> gain, double rate_hz, double from = 0.9, double to = 0.1);

}  // namespace rackproof::analysis
