#pragma once
/// Whether a reference, the channel that arrivals are counted from, took what was sent by a cable.
/// Method   its thirds of an octave from 315 Hz to 16 kHz, those that are heard. A cable passes all of them alike, within
///          0.1 dB, and late by the same, but for what a clock that drifts makes of a sweep: a line over the octaves.
///          A way's own signal lies 60 dB and more apart. Samples that a recorder lost move the treble of a sweep: 15 of
///          them leave 0.34 ms beside that line, good references 0.011 ms (both measured).
#include <optional>

#include "harness/tune/transfer.hpp"
#include "harness/tune/way.hpp"

namespace rackproof::tune {

/// Throws InputError where it is no cable, or samples were lost; else a warning where it may be none, or nothing.
/// `heard`: what was heard of `reference` at `frequency_hz`; `captured`: the microphone beside it. Of noise each frequency
/// has no time of its own: lost samples take its coherence, and its phases are too rough for that line.
std::optional<Warning> doubt_of_reference(const Way::Heard& heard, const Samples& frequency_hz, bool of_a_sweep,
                                          const Recording& reference, const Recording& captured);

}  // namespace rackproof::tune
