#pragma once
/// What a person should know before the rig is switched on. A sound rig gets none.
/// What cannot be meant is refused where the file is read. What is odd, contradicts itself or gives something away gets
/// a warning with a stable code, so that a rig that is odd on purpose still runs.
#include <vector>

#include "harness/calibration/compile.hpp"

namespace rackproof {

/// `settings` and `outputs` of `compiled` are there already. `venue` may be null.
std::vector<Warning> warnings_for(const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& compiled);

/// What was found in one of several loudspeakers.
struct PartWarnings {
  std::string loudspeaker;
  std::vector<Warning> warnings;
};
/// Of a rig of several: what several of them have alike once, everything else with the loudspeaker's name ahead, and
/// what only the whole rig shows.
std::vector<Warning> warnings_for_all(const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& compiled,
                                      const std::vector<PartWarnings>& parts);

}  // namespace rackproof
