#pragma once
/// Which loudspeaker of a rig a verb works on, where the rig has several.
#include <string>

#include "harness/rig/rig.hpp"
#include "harness/verbs/verb.hpp"

namespace rackproof {

/// `--loudspeaker`.
struct LoudspeakerOption {
  std::string name;
  void add_to(CLI::App& verb, const char* help);
  /// The one that is named, as a rig of the plain form; of a rig of that form the rig itself. Throws InputError where
  /// there is none of that name, or several and none is named.
  const rig::Rig& of(const rig::Rig& rig) const { return rig.parts()[place_in(rig)]; }
  /// Which of Rig::parts() that is.
  std::size_t place_in(const rig::Rig& rig) const;
};

}  // namespace rackproof
