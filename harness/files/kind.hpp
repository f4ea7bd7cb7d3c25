#pragma once
/// What a file that is about to be replaced holds: `stimulus -o rig.toml` must not turn a rig into a recording.
/// Claim    a file whose first bytes are not those of the kind that is written is never replaced. An empty file may be.
#include <filesystem>
#include <string_view>

namespace rackproof::files {

enum class Kind {
  wav,               ///< also RF64
  measurement_json,  ///< as `measure` writes it
  measurement_csv,
  page,  ///< HTML
  seal,
  source,    ///< C++
  set_list,  ///< render.json, export.json
  biquads_text,
  biquads_json,  ///< both as `export --biquads` writes them
};

/// Nothing where there is no file, an empty one, or one of this kind; else InputError with what stands there. Pipes,
/// devices and folders are refused too. Throws MachineError where it cannot be read.
void must_be_replaceable(const std::filesystem::path& place, Kind kind);

}  // namespace rackproof::files
