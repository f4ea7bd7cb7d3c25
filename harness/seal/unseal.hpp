#pragma once
/// A rig that a tool is about to write into, and the seal that may stand beside it.
/// Claim    a sealed rig is not written into unless that is asked for. Then the old file stays beside it, byte-identical,
///          under a name that no file had: the old one and the new one are in their places, or nothing has changed.
/// The seal stays as it is. It fits the kept file and no longer the rig, which `drift` and --sealed then say; put back,
/// the kept file is the sealed rig again.
#include <filesystem>
#include <optional>
#include <string_view>

#include "harness/rig/edit.hpp"

namespace rackproof::seal {

struct Sealed {
  std::filesystem::path rig, seal;  ///< by the name that was given, or by the one to which links lead
};
/// Whether a seal stands beside the rig, a damaged one included. Throws MachineError.
std::optional<Sealed> sealed_rig(const std::filesystem::path& rig_file);

/// `rig.kept-1.toml` for `rig.toml`: with the first number from 1 under whose name nothing stands, or these bytes.
std::filesystem::path kept_file_of(const std::filesystem::path& rig_file, std::string_view bytes);

/// Throws InputError where a seal stands beside the rig, with the rig, the seal and what to do, unless `unseal`.
void refuse_sealed(const rig::EditedFile& rig_file, bool unseal);

/// Where the old rig went.
struct Kept {
  std::filesystem::path rig, file, seal;
};
/// Puts `text` in the rig's place as EditedFile::replace does. Of a sealed rig the old text is kept; nothing: no seal
/// stands beside it, or `text` is what the file holds already. A run that was killed may have kept the old one without
/// having written the new one: the next one finds it kept. Throws as `refuse_sealed` and EditedFile::replace.
std::optional<Kept> replace(rig::EditedFile& rig_file, std::string_view text, bool unseal,
                            std::span<files::WholeFile> before_it = {});

}  // namespace rackproof::seal
