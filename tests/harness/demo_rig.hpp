#pragma once
#include <filesystem>
#include <string>

#include "harness/rig/rig.hpp"

namespace rackproof::test {

/// A rig of audio_fixtures by the name of its file, as `rackproof` reads it.
inline rig::Rig demo_rig(const std::string& file_name) {
  return rig::load_rig(std::filesystem::path(RACKPROOF_SOURCE_DIR) / "audio_fixtures" / file_name);
}

}  // namespace rackproof::test
