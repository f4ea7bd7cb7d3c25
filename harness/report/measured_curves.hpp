#pragma once
/// What a page shows of a measurement: no more places than an eye tells apart, and which of them mean anything.
/// Theorem  the places are some of the measurement's own, 48 an octave at most, and what lies between two of them is in
///          the window of one. Level and phase are smoothed over 1/24 octave, or as the measurement is where that is
///          more; a response that smoothing leaves alone, such as a wire's, comes out as it went in.
#include <string>
#include <vector>

#include "harness/tune/measurement.hpp"

namespace rackproof::report {

/// From one frequency of the measurement to another, both of them in it.
struct Stretch {
  double from_hz = 0, to_hz = 0;
  double octaves() const;
};
struct DoubtfulStretch : Stretch {
  double least_coherence = 0;
};

struct MeasuredCurves {
  double smoothing = 24;  ///< 1/b octave
  std::vector<double> frequency_hz, magnitude_db, coherence;
  std::vector<double> magnitude_error_db;  ///< of the average, either way; empty where the measurement does not say
  std::vector<double> phase_deg;           ///< arrival taken out; empty where the measurement has none
  /// After the arrival, the mean over 1/6 octave by energy; as long as the phase. At the ends, where less than half of
  /// the window is left, gaps.
  std::vector<double> group_delay_ms;
  struct Place {
    std::string name;
    std::vector<double> magnitude_db, coherence;
  };
  std::vector<Place> places;  ///< each capture, where there are several and their curves are known

  /// Where coherence, smoothed over 1/6 octave, is below tune::kTrustedCoherence. Phase and group delay are gaps there.
  /// Those with less than 1/6 octave between them are one.
  std::vector<DoubtfulStretch> doubtful;
  std::vector<Stretch> clear;  ///< what is left between them, at least two frequencies each
};

MeasuredCurves curves_of(const tune::Measurement& measurement);

}  // namespace rackproof::report
