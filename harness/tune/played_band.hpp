#pragma once
/// Where a loudspeaker played, and what noise did to its measurement there: a way alone is silent above its point, and
/// that is no fault of the measurement.
#include <span>

#include "harness/tune/measurement.hpp"

namespace rackproof::tune {

/// From the lowest to the highest frequency where a third of an octave's sound that follows what was sent is within 20
/// dB of the loudest octave's.
struct Played {
  double from_hz = 0, to_hz = 0;
  bool holds(double hz) const { return hz >= from_hz && hz <= to_hz; }
};
/// `power`: |H|^2 at the measurement's frequencies; its coherence must be there.
Played played_band(const Measurement& measurement, std::span<const double> power);

/// Adds `magnitude-error` where the level may be off by more than a decibel in that band, and `coherence` where more than
/// half of it is mostly noise.
void warn_of_noise(Measurement& measurement, const Played& played);

}  // namespace rackproof::tune
