#pragma once
/// What a person should know before the rig is switched on. A sound rig gets none.
#include <vector>

#include "harness/calibration/compile.hpp"

namespace rackproof {

/// `settings` and `outputs` of `compiled` are there already.
std::vector<Warning> warnings_for(const rig::Rig& rig, const CompiledRig& compiled);

}  // namespace rackproof
