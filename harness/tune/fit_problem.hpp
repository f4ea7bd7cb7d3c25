#pragma once
/// What equaliser sections are to bring to a target, and how far off it they leave it.
#include <limits>
#include <span>
#include <vector>

#include "dsp/design/eq.hpp"
namespace rackproof::tune {

/// A response on a grid that ascends; equal sizes.
struct FitProblem {
  double sample_rate_hz = 48000;      ///< of the controller that will run the sections
  std::vector<double> frequency_hz;   ///< above 0, below half the sample rate
  std::vector<double> level_db;       ///< what is there
  std::vector<double> target_db;      ///< what it should be, but for its level
  std::vector<double> weight;         ///< 0: left alone; 1: as good as it gets
  std::vector<double> trust;          ///< share of each value in the smoothing around it: its coherence
  std::vector<double> doubt_db;       ///< standard error of the level: how far other places may lie; empty: none
  std::vector<double> most_boost_db;  ///< of all sections together
  /// Of all sections together over their median where there is weight, up to its highest frequency: also below a corner,
  /// where nothing is fitted. More where the target lies above its own median.
  double most_over_median_db = std::numeric_limits<double>::infinity();
  double smoothing = 3;    ///< 1/smoothing octave; 0: none
  bool level_free = true;  ///< the level is taken out: what is left over is for a plain gain
};

/// What one section may be.
struct FitBounds {
  double from_hz = 20, to_hz = 20000;  ///< where a section may stand
  double least_gain_db = -15, most_gain_db = 6;
  double least_q = 0.5, most_q = 6;
};

struct Deviation {
  double rms_db = 0, max_db = 0;
};

// Below these no response's power and no value's trust counts: a logarithm and a quotient stay finite.
inline constexpr double kLeastPower = 1e-30, kLeastTrust = 1e-3;

/// |H|^2 of one section, by the core's own design, into `power`, as long as `frequency_hz`. Nothing but 1 where it cannot
/// be designed.
void power_response(const dsp::EqSettings& section, std::span<const double> frequency_hz, double sample_rate_hz,
                    std::span<double> power);
/// What sections do together, in dB, at each frequency.
std::vector<double> gain_db_of(std::span<const dsp::EqSettings> eq, std::span<const double> frequency_hz,
                               double sample_rate_hz);
/// Smoothed response after `eq`, less target, less the weighted mean of that difference where the level is free.
std::vector<double> deviation_db(const FitProblem& problem, std::span<const dsp::EqSettings> eq);
/// Of those that have weight.
Deviation judge(const FitProblem& problem, std::span<const dsp::EqSettings> eq);

}  // namespace rackproof::tune
