#pragma once
/// The list that makes a folder of files a set: `render.json`, `export.json`. What the files were made from, and the
/// name, size and fingerprint of each.
/// Claim    a folder that holds its list holds the whole set: the list is taken away before the first file is replaced
///          and put there after the last (files::commit_all). It says nothing of when, where or by how many workers it
///          was made: the same set has the same list. `xxh128sum` prints the same fingerprints.
#include <filesystem>
#include <map>
#include <string>
#include <string_view>
#include <vector>

#include "harness/calibration/compile.hpp"
#include "harness/rig/rig.hpp"
#include "harness/verbs/verb.hpp"

namespace rackproof {

/// The rig's numbers and the hash over them, as `seal` writes both; the venue by the fingerprint of its text; the
/// fingerprint of the chain that both make.
Json made_from(const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& compiled);

struct ListedFile {
  std::string name;  ///< below the folder
  std::uint64_t bytes = 0;
  std::string xxh128;
};
Json json_of(const ListedFile& file);

/// What a chain's inputs and outputs are called, in the converter's order.
struct Slots {
  std::vector<std::string> inputs, outputs;
};

/// What stands in the folder before a set is put there.
struct EarlierSet {
  bool whole = true;                   ///< no part of a set without its list
  std::vector<std::string> others;     ///< files of an earlier set that are not of this one, and still there
  std::map<std::string, Slots> slots;  ///< of an export, by preset
};
/// `names`: what will be put there, below `folder`. `left`: parts that a killed process had left there and that were
/// removed. The list may hold anything: what it says is used only as far as it names files that are there.
EarlierSet earlier_set(const std::filesystem::path& folder, std::string_view list_name,
                       const std::vector<std::string>& names, std::size_t left);
/// For a person: nothing where there is nothing to be said.
std::vector<Warning> warnings_of(const EarlierSet& earlier, const std::filesystem::path& folder,
                                 std::string_view list_name);

}  // namespace rackproof
