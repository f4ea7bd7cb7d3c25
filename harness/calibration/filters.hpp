#pragma once
/// The rig's words for filters to the core's designs. What cannot be designed is refused with the place where it
/// stands.
#include "dsp/design/alignment.hpp"
#include "dsp/design/eq.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof {

dsp::FilterSettings settings_of(const rig::Filter& filter, dsp::Pass pass);
dsp::EqSettings settings_of(const rig::EqBand& band);

dsp::SectionList sections_of(const rig::Filter& filter, dsp::Pass pass, double sample_rate_hz);
dsp::Section section_of(const rig::EqBand& band, double sample_rate_hz);
/// What the two sides of a point make together. An all-pass of it has gain +1 at 0 Hz: a polarity is the way's to say.
dsp::CrossoverSum sum_of(const rig::Point& point, bool same_polarity, double sample_rate_hz);

}  // namespace rackproof
