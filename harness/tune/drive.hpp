#pragma once
/// What drove the ways of a rig when they were measured, as a measurement keeps it (`measure --rig`): so that `align`
/// starts from that, whatever the rig file says by then.
#include <complex>
#include <string>
#include <vector>

#include "harness/calibration/compile.hpp"

namespace rackproof::tune {

/// What drove a way when it was measured: all that the controller does to it but its limiters.
struct DrivenWay {
  std::string name;
  double gain_db = 0;                 ///< venue, system and way: all that is a plain factor
  double delay_s = 0;                 ///< the way's
  int polarity = 1;                   ///< the way's
  std::vector<dsp::Biquad> sections;  ///< feed to limiter
  std::vector<dsp::Biquad> own;       ///< those of them that are neither the venue's nor the system's
};
/// Of one loudspeaker. Of the way's first output where it has several: what that one has of its own in delay and
/// polarity, and the delay of the whole loudspeaker, count as its place and wiring, which stay. A rig whose venue
/// treats its feeds unalike is not kept whole: what one feed alone has ahead of a mean is missing.
struct Drive {
  std::string rig;  ///< its file; only named in texts
  double sample_rate_hz = 48000;
  std::vector<DrivenWay> ways;
};
/// With the venue that stood over it, or null. Throws what `compile` throws.
Drive drive_of(const rig::Rig& rig, const rig::Venue* venue);
/// Whether the filters that are the way's own are the same; `delay_s` and `polarity` may differ.
bool same_filters(const DrivenWay& a, const DrivenWay& b);
/// Whether the loudspeaker was driven alike in all: ways, gains, delays, polarities, filters.
bool same_drive(const Drive& a, const Drive& b);
/// Response at a frequency of all that drove the way: gain, sections, polarity and delay.
std::complex<double> response_of(const DrivenWay& way, double frequency_hz, double sample_rate_hz);

}  // namespace rackproof::tune
