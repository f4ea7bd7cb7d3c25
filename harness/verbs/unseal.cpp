#include "harness/verbs/unseal.hpp"

#include <fmt/format.h>

#include "harness/seal/unseal.hpp"
#include "harness/verbs/table.hpp"

namespace rackproof {

void Unseal::add_to(CLI::App& verb) {
  add_flag(verb, "--unseal", asked_for,
           "Write into a sealed rig: the old file is kept beside it as RIG.kept-N.toml, and 'drift' says what moved");
}

void Unseal::require(const rig::EditedFile& rig) const { seal::refuse_sealed(rig, asked_for); }

Unseal::Outcome Unseal::replace(rig::EditedFile& rig, std::string_view text,
                                std::span<files::WholeFile> before_it) const {
  const std::optional<seal::Kept> kept = seal::replace(rig, text, asked_for, before_it);
  if (!kept) return {};
  return {
      kept->file.string(),
      wrapped(fmt::format("unsealed: {0} as it was is kept as {1}. The seal {2} is left: it fits {1}, no longer {0}. "
                          "'rackproof drift {0}' says what moved; 'rackproof seal {0} --again' seals what stands "
                          "there now.",
                          kept->rig.string(), kept->file.string(), kept->seal.string()),
              text_width(), "  ! ")};
}

}  // namespace rackproof
