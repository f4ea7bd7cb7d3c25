#include "harness/seal/unseal.hpp"

#include <fmt/format.h>

#include <string>
#include <system_error>

#include "harness/errors.hpp"
#include "harness/files/entry.hpp"
#include "harness/files/plain_file.hpp"
#include "harness/files/shown.hpp"
#include "harness/seal/seal.hpp"

namespace rackproof::seal {

namespace fs = std::filesystem;

namespace {

bool is_free(const fs::path& name) {
  std::error_code error;
  const fs::file_type type = fs::symlink_status(name, error).type();
  if (type == fs::file_type::not_found) return true;
  if (error) throw MachineError(fmt::format("{}: cannot be examined: {}", files::shown(name), error.message()));
  return false;
}

bool holds(const fs::path& name, std::string_view bytes) {
  return files::entry_at(name) == files::Entry::file && files::beginning_of(name, bytes.size() + 1) == bytes;
}

}  // namespace

std::optional<Sealed> sealed_rig(const fs::path& rig_file) {
  fs::path seal = seal_place_of(rig_file);
  if (files::entry_at(seal) == files::Entry::nothing) return std::nullopt;
  return Sealed{seal == seal_file_of(rig_file) ? rig_file : fs::canonical(rig_file), std::move(seal)};
}

fs::path kept_file_of(const fs::path& rig_file, std::string_view bytes) {
  const bool is_toml = rig_file.extension() == ".toml";
  for (unsigned number = 1;; ++number) {
    fs::path kept = rig_file;
    if (is_toml) kept.replace_extension();
    kept += fmt::format(".kept-{}{}", number, is_toml ? ".toml" : "");
    if (is_free(kept) || holds(kept, bytes)) return kept;
  }
}

void refuse_sealed(const rig::EditedFile& rig_file, bool unseal) {
  if (unseal) return;
  const std::optional<Sealed> sealed = sealed_rig(rig_file.file());
  if (!sealed) return;
  throw InputError(fmt::format(
      "{}: this rig is sealed by {}, and stays as it is; write into a copy of it, or, if the baseline is to change, give "
      "--unseal: the rig as it is now is then kept as {}",
      files::shown(rig_file.file()), files::shown(sealed->seal),
      files::shown(kept_file_of(sealed->rig, rig_file.text().value_or("")))));
}

std::optional<Kept> replace(rig::EditedFile& rig_file, std::string_view text, bool unseal,
                            std::span<files::WholeFile> before_it) {
  const std::optional<Sealed> sealed = sealed_rig(rig_file.file());
  if (!sealed || !rig_file.text() || *rig_file.text() == text) {
    rig_file.replace(text, {}, before_it);
    return std::nullopt;
  }
  refuse_sealed(rig_file, unseal);
  Kept kept{rig_file.file(), kept_file_of(sealed->rig, *rig_file.text()), sealed->seal};
  rig_file.replace(text, is_free(kept.file) ? kept.file : fs::path(), before_it);
  return kept;
}

}  // namespace rackproof::seal
