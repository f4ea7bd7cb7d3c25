#pragma once
/// What a way's box does by itself: a measurement with all that drove the way divided out, as the file that `response`
/// names.
/// Method   smoothed over 1/12 octave as a vector, its own arrival taken out first; told at 1/24 octave and closer, so
///          that the phase turns by less than a fifth of a turn from line to line with the time that stays in it.
/// Claim    times what drives the way it is what was measured, within the smoothing, from where to where the filters
///          leave at least -30 dB and coherence is 0.5 or more.
#include <string>

#include "harness/tune/measurement.hpp"

namespace rackproof::tune {

/// `common_s`: the time that is taken out of the phase, one for all ways, so that they keep their places to each other.
/// Lines of frequency_hz, magnitude_db, phase_deg under such a head, with a remark on what it is. Throws InputError where
/// nothing is left to tell.
std::string acoustic_response(const Measurement& measurement, const DrivenWay& way, double sample_rate_hz,
                              double common_s);

}  // namespace rackproof::tune
