#include "harness/verbs/rig_warnings.hpp"

#include <algorithm>
#include <iterator>
#include <stdexcept>

#include "harness/proof/way_response.hpp"
#include "harness/verbs/seal_check.hpp"

namespace rackproof {

std::vector<Warning> rig_warnings(const rig::Rig& rig, const CompiledRig& compiled) {
  std::vector<Warning> warnings = compiled.warnings;
  std::ranges::move(seal_warnings(rig), std::back_inserter(warnings));
  for (const rig::Rig& part : rig.parts()) {
    try {
      static_cast<void>(proof::way_responses(part));
    } catch (const std::runtime_error& fault) {  // InputError, MachineError
      warnings.push_back({"response-unusable", fault.what()});
    }
  }
  return warnings;
}

}  // namespace rackproof
