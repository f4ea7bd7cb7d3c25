#pragma once
/// Whether two recordings of what was sent twice are of one thing.
/// Method   octave by octave, in pieces of 4096 samples: what the two differ by while the octave sounds, against what
///          they differ by while it does not, which is the noise. A linear way that stays as it is leaves noise alone;
///          lost samples turn the phase, and leave as much as was sent.
#include <optional>

#include "harness/tune/measured_response.hpp"

namespace rackproof::tune {

struct Disagreement {
  double frequency_hz = 0;  ///< the middle of the octave that differs the most
  double share = 0;  ///< power of the difference in it, against that of both: 1 of two that have nothing in common
};

/// Of recordings of equal length, the first cut so that both begin alike. Nothing where no octave from `from_hz` to
/// `to_hz` differs by a twentieth or more of the power and by ten times the noise.
std::optional<Disagreement> disagreement(View first, View second, double rate_hz, double from_hz, double to_hz);

}  // namespace rackproof::tune
