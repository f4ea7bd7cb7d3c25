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
#include <vector>

#include "dsp/design/eq.hpp"
#include "harness/tune/fit_problem.hpp"
namespace rackproof::tune {

/// Nearer than what is smoothed together; common practice, no source.
inline constexpr double kOneSpotOctaves = 1.0 / 3;
inline constexpr double kBoostWorthDb = 0.02;  ///< root mean square

struct FitOptions {
  std::vector<dsp::EqType> types = std::vector<dsp::EqType>(6, dsp::EqType::peaking);
  FitBounds bounds;
  int starts = 6;
};

/// Sections with `width` q; ascending frequency. May be fewer than asked for: what would do nothing is left out.
/// Numbers are rounded as a person would write them: 4 digits of frequency (above 10 kHz 5), 0.01 dB, 0.01 of Q.
std::vector<dsp::EqSettings> fit(const FitProblem& problem, const FitOptions& options);

}  // namespace rackproof::tune
