#pragma once
/// What would make a chain smaller, and by how many bytes of a part's memory.
/// Method   each change is made to a copy of the rig, which is compiled anew; the difference is that of the memory
///          which the chain asks for in one lane, and of the rows of samples around it. Counted with this machine's
///          pointers: a part's are half as long, which is some ten bytes an output.
#include <cstddef>
#include <string>
#include <vector>

#include "harness/calibration/compile.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof::firmware {

struct Saving {
  std::string key;     ///< of the rig file, or the output that would go
  std::string change;  ///< in words
  std::size_t bytes = 0;
};
/// The greatest first; those that save nothing are left out.
std::vector<Saving> savings_of(const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& compiled);

}  // namespace rackproof::firmware
