#pragma once
/// A rig's facts in a file beside it, under a hash: what the rig was when someone found it right.
/// Claim    a seal that was cut short, edited or damaged in any byte is told from a rig that moved: the hash (BLAKE2b
///          of 256 bits, RFC 7693) is over every byte ahead of it, and nothing stands behind it.
/// It guards against accidents, not against people: whoever can write the file can seal anew.
#include <filesystem>
#include <string>

#include "harness/seal/facts.hpp"

namespace rackproof::seal {

/// `rig.seal` for `rig.toml`; for a name without `.toml`, `.seal` is added to it.
std::filesystem::path seal_file_of(const std::filesystem::path& rig_file);
/// Where a rig's seal stands, or will stand: beside the file, and beside what a link leads to unless one stands beside the
/// link. So a link is no way around a seal.
std::filesystem::path seal_place_of(const std::filesystem::path& rig_file);

std::string seal_text(const Facts& facts);

enum class State { absent, damaged, whole };
struct Seal {
  State state = State::absent;
  Facts facts;      ///< of a whole one
  std::string why;  ///< what is wrong with it, for a person, with its file
};
Seal read_seal(const std::string& text, const std::filesystem::path& file);
Seal load_seal(const std::filesystem::path& file);  ///< throws nothing of its own: what cannot be read is damaged

}  // namespace rackproof::seal
