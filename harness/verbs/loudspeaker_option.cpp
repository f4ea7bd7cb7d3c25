#include "harness/verbs/loudspeaker_option.hpp"

#include <fmt/format.h>

#include <CLI/CLI.hpp>
#include <algorithm>

#include "harness/rig/faults.hpp"

namespace rackproof {

void LoudspeakerOption::add_to(CLI::App& verb, const char* help) {
  add_option(verb, "--loudspeaker", name, help).type_name("NAME");
}

std::size_t LoudspeakerOption::place_in(const rig::Rig& rig) const {
  std::vector<std::string> names;
  for (const rig::Rig& part : rig.loudspeakers) names.push_back(part.loudspeaker);
  if (names.empty()) {
    if (!name.empty())
      throw InputError(fmt::format("--loudspeaker: read {}; {} has no [[loudspeaker]]: right would be nothing",
                                   rig::excerpt(name), rig.file.string()));
    return 0;
  }
  if (name.empty() && names.size() == 1) return 0;
  if (name.empty())
    throw InputError(fmt::format("--loudspeaker: read nothing; {} has several: say whether it is {}", rig.file.string(),
                                 rig::one_of(names)));
  const auto found = std::find(names.begin(), names.end(), name);
  if (found == names.end())
    throw InputError(fmt::format("--loudspeaker: read {}; {} has no such one: {}", rig::excerpt(name),
                                 rig.file.string(), rig::suggestion(name, names)));
  return static_cast<std::size_t>(found - names.begin());
}

}  // namespace rackproof
