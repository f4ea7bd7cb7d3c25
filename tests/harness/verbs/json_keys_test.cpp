// Must hold: what json_keys.hpp claims. Every verb is run so that all its keys occur, and each document begins with its
// format; help, manual page and the help's own document tell every word.
#include "harness/verbs/json_keys.hpp"

#include <gmock/gmock.h>

#include <map>
#include <nlohmann/json.hpp>
#include <set>
#include <sstream>
#include <string>
#include <utility>
#include <vector>

#include "harness/verbs/verb.hpp"
#include "tests/harness/verbs/shell.hpp"
#include "tests/sanitized.hpp"

namespace rackproof {
namespace {

using test::Result;
using testing::HasSubstr;
using testing::IsEmpty;

/// Every path that was printed, and what kinds of value stood there.
using Printed = std::map<std::string, std::set<std::string>>;

std::string kind_of_value(const Json& value) {
  return value.is_null()      ? "null"
         : value.is_string()  ? "text"
         : value.is_boolean() ? "true or false"
         : value.is_object()  ? "table"
         : value.is_array()   ? "list"
                              : "number";
}
void walk_into(const Json& value, const std::string& path, Printed& printed) {
  if (value.is_object()) {
    for (const auto& [key, inside] : value.items()) {
      // The rig's own numbers have names that the rig gives; each of several renders is what one's document is.
      const std::string below = path.ends_with("rig.numbers") ? path + ".*" : path.empty() ? key : path + "." + key;
      printed[below].insert(kind_of_value(inside));
      walk_into(inside, below, printed);
    }
  } else if (value.is_array()) {
    for (const Json& item : value)
      if (item.is_object()) walk_into(item, path == "renders" ? "" : path + "[]", printed);
  }
}

/// What kind of value a unit stands for.
std::string kind_of_unit(std::string_view unit) {
  for (const std::string_view kind : {"text", "true or false", "table", "list"})
    if (unit.starts_with(kind)) return std::string(kind);
  return "number";
}

/// In words, what does not fit: a key without a word, a word without a key, a value of another kind.
std::vector<std::string> misfits(const Printed& printed, std::span<const JsonKey> keys,
                                 std::string_view left_out = {}) {
  std::vector<std::string> found;
  std::set<std::string> told;
  for (const JsonKey& key : keys) {
    const std::string path(key.path);
    if (!told.insert(path).second) found.push_back(path + " stands twice");
    if (key.unit.empty() || key.meaning.empty()) found.push_back(path + " has no unit or no meaning");
    const auto seen = printed.find(path);
    if (seen == printed.end()) {
      if (left_out.empty() || !key.path.starts_with(left_out)) found.push_back(path + " is never printed");
      continue;
    }
    for (const std::string& kind : seen->second) {
      const bool null_told = kind == "null" && key.unit.ends_with(" or null");
      if (kind != kind_of_unit(key.unit) && !null_told)
        found.push_back(path + " is " + kind + ", told as " + std::string(key.unit));
    }
  }
  for (const auto& [path, kinds] : printed)
    if (!told.contains(path)) found.push_back(path + " has no word");
  return found;
}

class JsonKeys : public testing::Test, protected test::Shell {
 protected:
  JsonKeys() {
    with_rig();
    with_small_rig();
    with_recording();
    with_measurements();
    const std::string fixtures = RACKPROOF_SOURCE_DIR "/audio_fixtures/";
    write("three.toml", test::bytes_of(fixtures + "three-way-mono-sub.toml"));
    write("venue.toml", test::bytes_of(fixtures + "harbour-hall.venue.toml"));
    const std::string one = read("one.toml");
    write("unlimited.toml", one.substr(0, one.find("limit = ")));
    write("mic.txt", "20 -2.0\n1000 0\n20000 3.5\n");
    // Two channels: late by 10 ms, and as it was sent; and a recording that began after the sound had left.
    const std::vector<float> sent = test::noise(96000, 7);
    std::vector<float> both;
    for (std::size_t n = 0; n < sent.size(); ++n) {
      both.push_back(n < 480 ? 0.0f : 0.5f * sent[n - 480]);
      both.push_back(sent[n]);
    }
    test::write_audio(folder() / "sent.wav", SF_FORMAT_WAV | SF_FORMAT_FLOAT, 1, 48000, sent);
    test::write_audio(folder() / "heard.wav", SF_FORMAT_WAV | SF_FORMAT_FLOAT, 2, 48000, both);
    test::write_audio(folder() / "early.wav", SF_FORMAT_WAV | SF_FORMAT_FLOAT, 1, 48000,
                      std::vector<float>(sent.begin() + 480, sent.end()));
  }
  /// Runs `$R VERB ARGUMENTS --json` and takes what it prints into the verb's document.
  Json take(const std::string& verb, const std::string& arguments, int status = 0) {
    const Result result = run("$R " + verb + " " + arguments + " --json");
    EXPECT_EQ(result.status, status) << verb << " " << arguments << "\n" << result.err;
    return take_text(verb, "", result.out);
  }
  void take_file(const std::string& verb, const std::string& name, const std::string& place) {
    take_text(verb, name, read(place));
  }
  Json take_text(const std::string& verb, const std::string& file, const std::string& text) {
    Json document = Json::parse(text, nullptr, false);
    EXPECT_TRUE(document.is_object() && !document.empty()) << verb << file << "\n" << text;
    if (!document.is_object() || document.empty()) return Json::object();
    EXPECT_EQ(document.begin().key(), "format") << verb << " " << file;
    EXPECT_EQ(document.begin().value(), 1) << verb << " " << file;
    walk_into(document, "", printed_[{verb, file}]);
    return document;
  }

  std::map<std::pair<std::string, std::string>, Printed> printed_;
};

TEST_F(JsonKeys, NoKeyIsWithoutAWordAndNoWordWithoutAKey) {
  take("plan", "three.toml --venue venue.toml");
  take("plan", "unlimited.toml");
  write("square.toml", test::bytes_of(RACKPROOF_SOURCE_DIR "/audio_fixtures/town-square.toml"));
  take("plan", "square.toml");

  take("stimulus", "pink -o pink.wav --seconds 0.5");
  take("stimulus", "sine -o loud.wav --seconds 1.5 --level '0 dBFS'");
  take("stimulus", "sweep -o sweep.wav --seconds 1");
  take("stimulus", "burst -o burst.wav --seconds 1");
  take("stimulus", "worst-case -o worst.wav --rig one.toml --output full.main");

  take("render", "one.toml loud.wav -o out");
  take("render", "unlimited.toml loud.wav -o out");
  const Json several = take("render", "one.toml loud.wav pink.wav -o outs");
  for (const Json& one : several.at("renders")) EXPECT_EQ(one.begin().key(), "format");
  take("render", "rig.toml in.wav -o venue --venue venue.toml");
  take_file("render", "render.json", "venue/render.json");
  take("render", "rig.toml in.wav -o heard --listen heard/ears.wav");
  take_file("render", "render.json", "heard/render.json");

  take("seal", "unlimited.toml");
  std::string moved = read("unlimited.toml");
  write("unlimited.toml", moved.replace(moved.find("60 Hz"), 5, "65 Hz"));
  const Json falls = take("prove", "unlimited.toml", 1);
  EXPECT_FALSE(falls.at("warnings").empty());
  const Result held = run("$R prove one.toml --program loud.wav --json");
  EXPECT_LE(held.status, 1) << held.err;
  EXPECT_FALSE(take_text("prove", "", held.out).at("recordings")[0].at("advice").empty());

  take("drift", "unlimited.toml", 1);
  take("seal", "unlimited.toml --again");
  take("drift", "unlimited.toml");
  write("unlimited.seal", "no seal");
  take("drift", "unlimited.toml", 2);
  take("drift", "one.toml", 2);

  take("export", "unlimited.toml -o firmware");
  take("export", "rig.toml -o firmware --venue venue.toml");
  take_file("export", "export.json", "firmware/export.json");
  take("export", "rig.toml unlimited.toml -o several --name tonight");
  take_file("export", "export.json", "several/export.json");
  take("export", "three.toml -o biquads --biquads q5.23 --venue venue.toml");  // by some tenths of a dB off
  take_file("export", "biquads.json", "biquads/biquads.json");
  write("unlike.toml",
        "format = 1\n[venue.feed.left]\ngain = \"-2 dB\"\neq = [ { type = \"notch\", at = \"2 kHz\", q = 4 } ]\n");
  take("export", "square.toml -o biquads --biquads float32 --venue unlike.toml");
  take_file("export", "biquads.json", "biquads/biquads.json");
  take("export", "unlimited.toml -o biquads --biquads q2.30");
  take_file("export", "biquads.json", "biquads/biquads.json");

  const bool has_part = run("command -v arm-none-eabi-g++ && command -v qemu-system-arm").status == 0;
  take("budget", has_part ? "one.toml --target cortex-m4 --at-most 100000" : "one.toml");
  if (has_part) take("budget", "one.toml --target cortex-m4 --ram 1", 1);

  write("other.toml", moved);
  take("compare", std::string("other.toml one.toml --program loud.wav") + (has_part ? " --target cortex-m4" : ""), 1);
  take("compare", "one.toml other.toml", 1);

  take("measure", "--sent sent.wav --captured early.wav -o early.json");
  take("measure",
       "--sent sent.wav --captured heard.wav --reference-channel 2 --rig rig.toml --microphone mic.txt -o m.json");
  take_file("measure", "", "m.json");

  nlohmann::json third = nlohmann::json::parse(read("low.json"));
  third["magnitude_db"][0] = third["magnitude_db"][0].get<double>() + 0.1;  // another place
  write("third.json", third.dump());
  take("flatten", "low.json --into tonight.toml --points 1");
  take("flatten", "low.json third.json m.json --into tonight.toml --points 1");

  take("align",
       "rig.toml --way low=low.json --way high=high.json --distance low=3m,12m high=2.6m,11.9m --temperature 0degC");

  const bool has_server = !test::kSanitized && run("command -v jackd").status == 0;
  if (has_server) {
    // A document a second, until it is told to quit: when the first has come, however busy the machine is.
    const Result live =
        run("S=rackproof-keys-$$; jackd -n $S --no-mlock -d dummy -r 48000 -p 1024 >/dev/null 2>&1 & J=$!\n"
            "for i in $(seq 100); do jack_wait -s $S -c 2>/dev/null | grep -q '^running' && break; sleep 0.05; done\n"
            "{ for i in $(seq 300); do grep -q . live.json && break; sleep 0.1; done; echo quit; } |\n"
            "  $R live rig.toml --server $S --json >live.json; STATUS=$?; kill $J; wait $J; exit $STATUS");
    EXPECT_EQ(live.status, 0) << live.err;
    const std::string documents = read("live.json");
    const Json state = take_text("live", "", documents.substr(0, documents.find('\n')));
    EXPECT_EQ(state.at("outputs").size(), 4u);
  }

  take("help", "");
  take("help", "render");

  for (const JsonDocument& document : json_documents()) {
    if (document.verb == "live" && !has_server) continue;
    const auto printed = printed_.find({std::string(document.verb), std::string(document.file)});
    ASSERT_NE(printed, printed_.end()) << document.verb << " " << document.file << " was never printed";
    const std::string_view left_out = has_part ? "" : document.verb == "budget" ? "target" : "cost.";
    EXPECT_THAT(misfits(printed->second, document.keys, left_out), IsEmpty()) << document.verb << " " << document.file;
    printed_.erase(printed);
  }
  for (const auto& [document, printed] : printed_)
    ADD_FAILURE() << document.first << document.second << " has no words";
}

TEST_F(JsonKeys, HelpManualAndTheHelpsDocumentTellEveryWord) {
  const std::string manual = run("$R help --format man").out;
  std::istringstream names(run("$R").err);
  std::string word;
  std::set<std::string> verbs;
  while (names >> word && word != "are") continue;
  while (names >> word && word != "rackproof:") verbs.insert(word.substr(0, word.find(',')));
  ASSERT_GE(verbs.size(), 12u);
  for (const std::string& verb : verbs) {
    const std::string help = run("$R help " + verb).out, narrow = run("COLUMNS=40 $R help " + verb).out;
    EXPECT_THAT(run("$R " + verb + " --help").out, HasSubstr("rackproof help " + verb + "\n"));
    const Json documents = Json::parse(run("$R help " + verb + " --json --quiet").out).at("documents");
    std::size_t count = 0;
    for (const JsonDocument& document : json_documents()) {
      if (document.verb != verb) continue;
      const Json& told = documents.at(count++);
      EXPECT_EQ(told.at("file"), document.file.empty() ? Json(nullptr) : Json(document.file));
      ASSERT_EQ(told.at("keys").size(), document.keys.size());
      for (std::size_t k = 0; k < document.keys.size(); ++k) {
        const JsonKey& key = document.keys[k];
        EXPECT_EQ(told["keys"][k], (Json{{"key", key.path}, {"unit", key.unit}, {"meaning", key.meaning}}));
        EXPECT_THAT(help, HasSubstr("\n  " + std::string(key.path) + "  "));
        EXPECT_THAT(help, HasSubstr("  " + std::string(key.meaning) + "\n"));
        EXPECT_THAT(narrow, HasSubstr("\n  " + std::string(key.path) + " (" + std::string(key.unit) + ")\n      "));
        EXPECT_THAT(manual, HasSubstr("\n.B " + std::string(key.path) + "\n("));
      }
    }
    EXPECT_GE(count, 1u) << verb << ": its JSON has no words";
    EXPECT_EQ(count, documents.size());
  }
  EXPECT_THAT(Json::parse(run("$R help --json --quiet").out).at("documents"), IsEmpty());
  EXPECT_THAT(run("$R --help").out, testing::Not(HasSubstr("The keys of its JSON")));
}

TEST(JsonMisfits, AreFound) {  // the control of the test above
  constexpr JsonKey kTold[] = {
      {"name", "text", "a name"}, {"list", "list", "a list"}, {"list[].hz", "Hz or null", "x"}};
  const auto misfits_of = [&](const char* text, std::string_view left_out = {}) {
    Printed printed;
    walk_into(Json::parse(text), "", printed);
    return misfits(printed, kTold, left_out);
  };
  EXPECT_THAT(misfits_of(R"({"name": "a", "list": [{"hz": 1}, {"hz": null}]})"), IsEmpty());
  EXPECT_THAT(misfits_of(R"({"name": "a", "list": [{"hz": 1, "q": 2}]})"),
              testing::ElementsAre("list[].q has no word"));
  EXPECT_THAT(misfits_of(R"({"name": "a", "list": []})"), testing::ElementsAre("list[].hz is never printed"));
  EXPECT_THAT(misfits_of(R"({"name": "a", "list": []})", "list[]"), IsEmpty());
  EXPECT_THAT(misfits_of(R"({"name": null, "list": [{"hz": "1"}]})"),
              testing::ElementsAre("name is null, told as text", "list[].hz is text, told as Hz or null"));
}

}  // namespace
}  // namespace rackproof
