#pragma once
/// Every second-order section of an output in words: what it is, where it acts, and which key of the file it comes from.
/// Claim    stage i of an output is section i of its plan, number for number. Rebuilt from its words alone by the
///          formulas of the W3C Audio EQ Cookbook note (first order: s in place of s^2), it has the same response, but
///          for the rounding of the core's sections.
/// Method   the rig is walked in the order in which `compile` walks it, and each section that the walk designs is held
///          against the plan's own: words that do not fit the numbers are never given out.
#include <optional>
#include <string>
#include <vector>

#include "harness/calibration/compile.hpp"

namespace rackproof {

struct Stage {
  /// The note's word: `lowpass`, `highpass`, `bandpass`, `notch`, `allpass`, `peaking`, `lowshelf`, `highshelf`. Of a
  /// crossover point or a high-pass filter `lowpass`, `highpass`, or `allpass` for what a point adds to the ways below.
  std::string type;
  /// Where the prototype has s = j. A section of a Bessel filter has one of its own, which is not the filter's `at`.
  double at_hz = 0;
  double gain_db = 0;       ///< 0 where the type has none
  std::optional<double> q;  ///< the section's own; nothing: it is of first order
  std::string key;          ///< as the person would look for it: `way.low.eq[1]`, `crossover.points[1].low`
  dsp::Biquad biquad;
  const char* place = "";  ///< in the order of the signal: `feed`, `loudspeaker`, `split`, `way`, `output`
};

/// How the two signs of a1 and a2 are to be read, in words, for whoever takes the numbers elsewhere.
inline constexpr const char* kBiquadConvention =
    "H(z) = (b0 + b1 z^-1 + b2 z^-2) / (1 + a1 z^-1 + a2 z^-2): a0 = 1, and y[n] = b0 x[n] + b1 x[n-1] + b2 x[n-2] - "
    "a1 y[n-1] - a2 y[n-2]. Where a1 and a2 are added instead, turn the sign of both.";

/// One a section of `plan.sections`, in the same order. `rig`, `venue` and `bypass` are those that `plan` was compiled
/// from; with others the walk does not fit, which is std::logic_error.
std::vector<Stage> stages_of(const rig::Rig& rig, const rig::Venue* venue, const OutputPlan& plan,
                             Bypass bypass = Bypass::none);
/// The same of one of `plan.feed_paths`.
std::vector<Stage> stages_of(const rig::Rig& rig, const rig::Venue* venue, const FeedPath& path,
                             Bypass bypass = Bypass::none);

}  // namespace rackproof
