/// `drift`: what moved in a rig since it was sealed, in words; and the same for the verbs that work with a rig.
#include <fmt/format.h>

#include <nlohmann/json.hpp>

#include "harness/seal/drift.hpp"
#include "harness/seal/seal.hpp"
#include "harness/verbs/plan_json.hpp"
#include "harness/verbs/seal_check.hpp"
#include "harness/verbs/table.hpp"
#include "harness/verbs/verb.hpp"

namespace rackproof {
namespace {

struct Drift {
  std::filesystem::path rig_file;
  Voice voice;

  void run(int& status) const {
    const rig::Rig rig = rig::load_rig(rig_file);
    const seal::Seal sealed = seal::load_seal(seal::seal_place_of(rig_file));
    Json document{{"rig", rig_file.string()}, {"seal", seal::seal_place_of(rig_file).string()}};
    if (sealed.state != seal::State::whole) {
      document["verdict"] = "damaged";
      document["moved"] = Json::array();
      document["why"] = sealed.why;
      voice.document(document);
      throw InputError(sealed.why);
    }
    const std::vector<seal::Move> moves = seal::moves_between(sealed.facts, seal::facts_of(rig));
    document["verdict"] = moves.empty() ? "same" : "moved";
    document["moved"] = Json::array();
    std::string text = moves.empty() ? rig_file.string() + ": nothing moved since it was sealed\n"
                                     : fmt::format("{}: moved since it was sealed:\n", rig_file.string());
    for (const seal::Move& move : moves) {
      text += wrapped(move.text, text_width(), "  ");
      document["moved"].push_back(
          {{"key", move.key}, {"was", or_null(move.was)}, {"now", or_null(move.now)}, {"text", move.text}});
    }
    voice.say(text);
    voice.document(document);
    status = moves.empty() ? 0 : 1;
  }
};

std::string moved_in_words(const rig::Rig& rig, const seal::Seal& sealed) {
  std::string words;
  for (const seal::Move& move : seal::moves_between(sealed.facts, seal::facts_of(rig)))
    words += (words.empty() ? "" : "; ") + move.text;
  return words;
}

}  // namespace

std::vector<Warning> seal_warnings(const rig::Rig& rig) {
  const seal::Seal sealed = seal::load_seal(seal::seal_place_of(rig.file));
  if (sealed.state == seal::State::absent) return {};
  if (sealed.state == seal::State::damaged) return {{"seal-damaged", sealed.why}};
  const std::string moved = moved_in_words(rig, sealed);
  if (moved.empty()) return {};
  return {{"drifted", "since it was sealed, " + moved}};
}

std::string seal_state(const rig::Rig& rig) {
  const seal::Seal sealed = seal::load_seal(seal::seal_place_of(rig.file));
  if (sealed.state == seal::State::absent) return "The rig was never sealed.";
  if (sealed.state == seal::State::damaged) return "Its seal cannot be used: " + sealed.why;
  const std::string moved = moved_in_words(rig, sealed);
  return moved.empty() ? "The rig is as it was sealed." : "Since the rig was sealed, " + moved + ".";
}

void require_seal(const rig::Rig& rig) {
  const seal::Seal sealed = seal::load_seal(seal::seal_place_of(rig.file));
  if (sealed.state != seal::State::whole) throw InputError("--sealed: " + sealed.why);
  if (const std::string moved = moved_in_words(rig, sealed); !moved.empty())
    throw InputError(fmt::format("--sealed: {}: the rig has drifted from its seal: {}", rig.file.string(), moved));
}

void add_drift(CLI::App& program, int& status) {
  CLI::App* verb =
      add_verb(program, "drift",
               "Says in words what moved in a rig since it was sealed. Exit status: 0 nothing, 1 something, "
               "2 no seal or a damaged one",
               "rackproof drift rig.toml");
  const auto drift = std::make_shared<Drift>();
  add_option(*verb, "RIG", drift->rig_file, "The rig file").type_name("FILE").required();
  drift->voice.add_to(*verb);
  when_called(*verb, [drift, &status] { drift->run(status); });
}

}  // namespace rackproof
