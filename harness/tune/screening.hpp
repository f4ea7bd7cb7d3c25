#pragma once
/// Recordings that would make a measurement worthless, found before they are averaged.
#include <span>
#include <string>

#include "harness/tune/transfer.hpp"

namespace rackproof::tune {

/// From the first to the last sample within 60 dB of the peak.
struct Stretch {
  std::size_t begin = 0, end = 0;
  std::size_t size() const { return end - begin; }
};
Stretch active_stretch(std::span<const double> samples);

/// Runs of three samples and more that stand still at the recording's own extreme, with a step into or out of it that
/// no band-limited crest makes: where a converter, a preamplifier or an editor ran out.
std::size_t flat_tops(std::span<const double> samples);

/// Throws InputError where `sent` cannot be measured with.
void screen_sent(const Recording& sent);
/// Throws InputError where `captured` cannot be measured from; returns a warning's text, or nothing.
std::string screen_captured(const Recording& captured, const Recording& sent);

}  // namespace rackproof::tune
