/// `seal`: a rig's numbers and a hash over them, in a file beside it.
#include <fmt/format.h>

#include <nlohmann/json.hpp>

#include "harness/files/kind.hpp"
#include "harness/files/whole_file.hpp"
#include "harness/proof/way_response.hpp"
#include "harness/seal/drift.hpp"
#include "harness/seal/seal.hpp"
#include "harness/verbs/table.hpp"
#include "harness/verbs/verb.hpp"

namespace rackproof {
namespace {

struct Sealing {
  std::filesystem::path rig_file;
  bool again = false;
  Voice voice;

  void run() const {
    const rig::Rig rig = rig::load_rig(rig_file);
    const std::filesystem::path place = seal::seal_place_of(rig_file);
    for (const rig::Rig& part : rig.parts()) static_cast<void>(proof::way_responses(part));  // each can be read
    const seal::Facts facts = seal::facts_of(rig);
    files::must_be_replaceable(place, files::Kind::seal);
    const seal::Seal before = seal::load_seal(place);
    std::vector<seal::Move> moves;
    if (before.state == seal::State::whole) moves = seal::moves_between(before.facts, facts);
    if (!moves.empty() && !again) throw InputError(refusal(place, moves));
    if (before.state == seal::State::damaged && !again)
      throw InputError(fmt::format(
          "{}. Whether the rig has moved since cannot be told: look at it, and if it is right, seal it with "
          "--again",
          before.why));
    files::write_whole_file(place, seal::seal_text(facts));

    std::string text = fmt::format("{}: {} numbers sealed\n", place.string(), facts.size());
    Json replaced = nullptr;
    if (before.state == seal::State::whole) {
      replaced = Json::array();
      for (const seal::Move& move : moves) {
        text += wrapped("since the seal it replaces, " + move.text, text_width(), "  ");
        replaced.push_back(move.text);
      }
    } else if (before.state == seal::State::damaged) {
      text += wrapped("the file that stood there was no whole seal", text_width(), "  ! ");
    }
    Json notes = Json::array();
    for (const Warning& warning : compile(rig).warnings) {
      text += wrapped(warning.code + ": " + warning.text, text_width(), "  ! ");
      notes.push_back({{"code", warning.code}, {"text", warning.text}});
    }
    voice.say(text);
    voice.document({{"rig", rig_file.string()},
                    {"seal", place.string()},
                    {"numbers", facts.size()},
                    {"moved_since_the_last", std::move(replaced)},
                    {"warnings", std::move(notes)}});
  }

  /// A seal over a rig that moved would make an accident the baseline: somebody has to mean it.
  std::string refusal(const std::filesystem::path& place, const std::vector<seal::Move>& moves) const {
    std::string words;
    for (const seal::Move& move : moves) words += (words.empty() ? "" : "; ") + move.text;
    return fmt::format("{}: since it was sealed ({}), {}; if that is right, seal it with --again", rig_file.string(),
                       place.string(), words);
  }
};

}  // namespace

void add_seal(CLI::App& program, int&) {
  CLI::App* verb =
      add_verb(program, "seal",
               "Keeps a rig's numbers beside it, RIG with .seal for .toml: what 'drift' compares with, and "
               "what --sealed insists on. Venues are no part of it",
               "rackproof seal rig.toml");
  const auto sealing = std::make_shared<Sealing>();
  add_option(*verb, "RIG", sealing->rig_file, "The rig file").type_name("FILE").required();
  add_flag(*verb, "--again", sealing->again,
           "Seal a rig that moved since its last seal, or whose seal is damaged; what moved is told");
  sealing->voice.add_to(*verb);
  when_called(*verb, [sealing] { sealing->run(); });
}

}  // namespace rackproof
