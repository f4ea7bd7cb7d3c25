#pragma once
/// Which way up a direct sound is, where that can be told.
/// Readings (1) the crest of the direct sound, its octave-smoothed level evened out (direct_sound.hpp); (2) the crest
///          that is left when the phase that follows from the level alone is taken out as well: a box, its filters and
///          its equaliser are of minimum phase, and so a steep filter turns no crest over here.
/// Claim    an answer is given where both readings agree and in the second no crest of the other sign is within 2 dB;
///          else 0, with the reason.
#include <span>
#include <string>

#include "harness/analysis/fourier.hpp"

namespace rackproof::tune {

struct Polarity {
  int sign = 0;     ///< 1, -1; 0: it cannot be told
  std::string why;  ///< of 0, for a person
};
/// `h`, `coherence`: bins 0 .. N/2 of a response of N samples; `at_samples`, `crest`: its direct sound and that one's
/// sign, as direct_sound() found them.
Polarity polarity_of(std::span<const analysis::Complex> h, std::span<const double> coherence, double at_samples,
                     int crest);

}  // namespace rackproof::tune
