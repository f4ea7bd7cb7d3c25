#pragma once
/// The way from what was sent to what a microphone heard.
/// Method   that of the signal: noise_way.hpp, sweep_way.hpp; what both have in common: way.hpp.
/// Claims   the arrival is the direct sound's, also where a reflection is up to 12 dB louder; it and the drift of the
///          recorder's clock come out to a fraction of a sample; a capture that means nothing is refused, not averaged.
#include <cstddef>
#include <span>
#include <string>
#include <vector>

#include "harness/tune/measurement.hpp"

namespace rackproof::tune {

struct Recording {
  std::string name;  ///< only named in texts
  double sample_rate_hz = 48000;
  std::vector<double> samples;
};

enum class SentKind { automatic, noise, sweep };
struct TransferOptions {
  SentKind kind = SentKind::automatic;
  double smoothing = 0;                       ///< window of 1/b octave; 0: none
  double lowest_hz = 16, highest_hz = 20500;  ///< as far as what was sent reaches
};

/// The recorder's clock. With a reference (a channel of the same recording that took what was sent, by a cable) arrival
/// and drift are those of the reference: arrival is the time from it to the microphone. Without one the drift is found in
/// noise, and in a sweep that was sent twice; a single sweep tells a drift from a loudspeaker's phase only where it is
/// large. What cannot be told is left open, and the arrival's error says what two devices may be apart (kUnknownDriftPpm).
/// Captures are averaged: power for the magnitude, the vector (arrivals aligned) for the phase, the mean for coherence.
/// Throws InputError, naming the recording and why: another sample rate, too short, too quiet, clipped, bad samples, or
/// nothing in it of what was sent. `references`: one a capture, or none at all.
Measurement measure(const Recording& sent, std::span<const Recording> captured, const TransferOptions& options = {},
                    std::span<const Recording> references = {});

/// Two devices whose clocks are further apart than this are rare (common practice, no source).
inline constexpr double kUnknownDriftPpm = 100;

}  // namespace rackproof::tune
