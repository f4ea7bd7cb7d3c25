#pragma once
/// `plan` for a person: everything that was computed and everything that was chosen, a table a subject.
#include <cstddef>
#include <string>

#include "harness/calibration/compile.hpp"

namespace rackproof {

/// `venue` may be null; `width` in columns.
std::string plan_text(const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& made, std::size_t width);

}  // namespace rackproof
