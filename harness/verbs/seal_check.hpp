#pragma once
/// What a verb that works with a rig says where the rig is no longer what was sealed.
#include <vector>

#include "harness/calibration/compile.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof {

/// `drifted` or `seal-damaged`; nothing where the rig is as sealed, or was never sealed. With `must_hold` (--sealed)
/// each of these, and a seal that is missing, is thrown as InputError.
std::vector<Warning> seal_warnings(const rig::Rig& rig, bool must_hold);

}  // namespace rackproof
