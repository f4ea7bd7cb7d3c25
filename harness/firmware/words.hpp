#pragma once
/// What each number of an exported chain is, in words, for whoever reads the header.
/// Claim    the sections are walked as `compile` lays them out, and each that the walk designs is held against the
///          chain's own, number for number: words that do not fit are std::logic_error, never given out. A figure of a
///          limit is rounded down.
#include <string>
#include <vector>

#include "harness/calibration/compile.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof::firmware {

using SectionWords = std::vector<std::string>;  ///< one a section
struct PointWords {
  SectionWords low_pass, high_pass, all_pass;
};
struct ChainWords {
  std::vector<SectionWords> feeds, loudspeakers, outputs;  ///< as many as the settings have
  std::vector<std::vector<PointWords>> points;             ///< by loudspeaker
  std::vector<std::vector<std::string>> output_lines;      ///< gain, delay and limits of each output
};
/// Of what `compile(rig, venue)` made.
ChainWords words_of(const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& compiled);

/// Text from a rig file as a comment of one line: no line break, no backslash at an end, gets out of it.
std::string one_line(std::string text);

}  // namespace rackproof::firmware
