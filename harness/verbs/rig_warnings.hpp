#pragma once
/// What a verb says of a rig's files before a person goes on with what it made of them.
#include <vector>

#include "harness/calibration/compile.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof {

/// The warnings of `plan`, in its order: of the numbers, as they were compiled; of the seal; of measured responses that
/// cannot be used, which `prove` and `seal` refuse (`response-unusable`). Reads the seal and the responses.
std::vector<Warning> rig_warnings(const rig::Rig& rig, const CompiledRig& compiled);

}  // namespace rackproof
