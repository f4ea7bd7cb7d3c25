#pragma once
/// What a verb that works with a rig says where the rig is no longer what was sealed.
#include <string>
#include <vector>

#include "harness/calibration/compile.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof {

/// `drifted` or `seal-damaged`; nothing where the rig is as sealed, or was never sealed.
std::vector<Warning> seal_warnings(const rig::Rig& rig);
/// A sentence for a report: never sealed, as it was sealed, or what moved since.
std::string seal_state(const rig::Rig& rig);
/// What --sealed insists on: throws InputError unless there is a whole seal and the rig is as it says.
void require_seal(const rig::Rig& rig);

}  // namespace rackproof
