#pragma once
/// Equaliser sections that bring a response to a target.
/// Claim    what is minimised is what is judged: the deviation in decibels, after the sections and then the smoothing,
///          with the level taken out. Within the bounds, always: at no frequency of the grid do the sections together
///          boost by more than `most_boost_db` there, nor is it lifted by more than `most_over_median_db` over most of the
///          band, by cutting all else.
/// Claim    where the level is in doubt a section is believed less, the narrower the less: as the mean of a normal
///          distribution whose prior is 0 dB, with kPriorDb, would be.
/// Claim    no two peaking sections stand on one spot (nearer than kOneSpotOctaves), and none takes back half or more of
///          what one of the other sign does at its own centre: such pairs are merged, and the others fitted anew.
/// Claim    cuts before boosts. A boost stays only where without it, a cut in its place and the others fitted anew, the
///          deviation would be kBoostWorthDb larger or more; and from cuts alone is another start.
/// Method   Levenberg-Marquardt (Eigen) on log frequency, gain and log Q, each squashed into its bounds, from several
///          starts: the worst deviations one after the other, then the same scattered by a fixed seed. What remains
///          of a boost above its bound is taken from the section that boosts most there. The sections are those of the
///          core: the W3C Audio EQ Cookbook's.
#include <cstdint>
#include <limits>
#include <span>
#include <vector>

#include "dsp/design/eq.hpp"
namespace rackproof::tune {

/// Nearer than what is smoothed together; common practice, no source.
inline constexpr double kOneSpotOctaves = 1.0 / 3;
inline constexpr double kBoostWorthDb = 0.02;  ///< root mean square

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
  /// Of all sections together over their median, where there is weight; more where the target lies above its own median.
  double most_over_median_db = std::numeric_limits<double>::infinity();
  double smoothing = 3;    ///< 1/smoothing octave; 0: none
  bool level_free = true;  ///< the level is taken out: what is left over is for a plain gain
};
struct FitBounds {
  double from_hz = 20, to_hz = 20000;  ///< where a section may stand
  double least_gain_db = -15, most_gain_db = 6;
  double least_q = 0.5, most_q = 6;
};
struct FitOptions {
  std::vector<dsp::EqType> types = std::vector<dsp::EqType>(6, dsp::EqType::peaking);
  FitBounds bounds;
  int starts = 6;
};

struct Deviation {
  double rms_db = 0, max_db = 0;
};

/// Sections with `width` q; ascending frequency. May be fewer than asked for: what would do nothing is left out.
/// Numbers are rounded as a person would write them: 4 digits of frequency (above 10 kHz 5), 0.01 dB, 0.01 of Q.
std::vector<dsp::EqSettings> fit(const FitProblem& problem, const FitOptions& options);

/// What sections do together, in dB, at each frequency.
std::vector<double> gain_db_of(std::span<const dsp::EqSettings> eq, std::span<const double> frequency_hz,
                               double sample_rate_hz);
/// Smoothed response after `eq`, less target, less the weighted mean of that difference where the level is free.
std::vector<double> deviation_db(const FitProblem& problem, std::span<const dsp::EqSettings> eq);
/// Of those that have weight.
Deviation judge(const FitProblem& problem, std::span<const dsp::EqSettings> eq);

}  // namespace rackproof::tune
