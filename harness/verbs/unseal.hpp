#pragma once
/// What a verb with --into does where a seal stands beside the rig that it writes into.
#include <string>

#include "harness/rig/edit.hpp"
#include "harness/verbs/verb.hpp"

namespace rackproof {

/// `--unseal`.
struct Unseal {
  bool asked_for = false;
  void add_to(CLI::App& verb);
  /// Ahead of the work. Throws InputError where a seal stands beside the rig, unless it was asked for.
  void require(const rig::EditedFile& rig) const;
  /// As EditedFile::replace. `kept` is where the old file of a sealed rig went, empty without; `words` say so.
  struct Outcome {
    std::string kept, words;
  };
  Outcome replace(rig::EditedFile& rig, std::string_view text, std::span<files::WholeFile> before_it = {}) const;
};

}  // namespace rackproof
