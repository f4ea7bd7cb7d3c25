#pragma once
/// What a recorder, or a loudspeaker that is driven hard, does to a sweep and its response does not show.
/// Method   a tone that rises leaves what lies above it alone. Noise there is as loud with the tone as without it, unless
///          a gain moves; harmonics are there where a wave is bent. Coherence sees neither: both follow the sweep.
#include <vector>

#include "harness/tune/transfer.hpp"

namespace rackproof::tune {

/// Warnings: `gain-moved`, where the noise from 5 kHz up is 6 dB quieter with the tone than without it; `distorted`, where
/// half an octave has harmonics above -25 dB, 6 % (common practice, no source). `sent` is a sweep, once or twice;
/// `lag_samples` later it arrives in `captured`. Not looked at: what falls, what is shorter than a second, and sample
/// rates below 20 kHz, which leave no room for such noise.
std::vector<Warning> doubts_of_sweep(const Recording& sent, const Recording& captured, double lag_samples);

}  // namespace rackproof::tune
