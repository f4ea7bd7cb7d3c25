#pragma once
/// A sine and its harmonics in a recording, by least squares; what the fit leaves is distortion of other kinds and
/// noise.
///   x[n] ~ offset + sum_{h=1}^{H} a_h cos(2 pi h f n) + b_h sin(2 pi h f n)
/// No window and no whole number of periods needed: the fit is exact for what it models (IEEE Std 1057, three-parameter
/// sine fit, with harmonics).
#include <cstddef>
#include <span>
#include <vector>
namespace rackproof::analysis {

struct SineFit {
  double offset = 0;
  std::vector<double> amplitude;  ///< peak, of the fundamental and of each harmonic below half the sample rate
  std::vector<double> phase_rad;  ///< of a sine that begins at n = 0: amplitude sin(2 pi h f n + phase)
  double residual_rms = 0;        ///< of what is neither offset nor harmonic
  /// Total harmonic distortion: RMS of the harmonics over the fundamental.
  double thd() const;
  /// The same with the residual: all that is not the fundamental (and not the offset).
  double thd_plus_noise() const;
};
/// `frequency`: of the fundamental in cycles a sample, above 0, below 0.5. `harmonics`: how many with the fundamental;
/// those at or above half the sample rate are left out. At least two periods, else std::invalid_argument.
SineFit fit_sine(std::span<const double> signal, double frequency, std::size_t harmonics = 10);

}  // namespace rackproof::analysis
