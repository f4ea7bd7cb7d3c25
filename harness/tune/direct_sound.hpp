#pragma once
/// When the direct sound arrives, and which way up: the first crest that counts, not the greatest.
/// Method   the response with its octave-smoothed level evened out, so that a bass-heavy spectrum does not blur it, but
///          not its fine structure: a reflection stays what it is. Bins without coherence, or 30 dB below the loudest
///          octave, are left out, with soft edges. Of the envelope's crests the first within 12 dB of the greatest (and
///          13 dB above its median) is the direct sound; its time is that of the crest of the wave next to it, known
///          between the samples (analysis/arrival.hpp).
#include <span>

#include "harness/analysis/fourier.hpp"

namespace rackproof::tune {

struct DirectSound {
  bool found = false;
  double at_samples = 0;  ///< negative: before time zero
  int polarity = 1;
  double period_samples = 0;  ///< in the middle of the band that counts, by power
  double coherence = 0;       ///< the mean over that band
};
/// `h`: bins 0 .. N/2 of a response of N samples, time zero at 0 (what is before it wraps); `coherence` as many.
DirectSound direct_sound(std::span<const analysis::Complex> h, std::span<const double> coherence);

}  // namespace rackproof::tune
