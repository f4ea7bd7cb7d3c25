// Must hold, for every verb: standard error that is full or closed changes neither the status nor what was done;
// standard output that is full or closed is told by status 3 after the work is done; a reader that has gone is no
// error; no file that is written takes the place of a closed stream.
#include <gmock/gmock.h>

#include "shell.hpp"
#include "tests/sanitized.hpp"

namespace rackproof {
namespace {

using test::Result;
using testing::HasSubstr;
using testing::Not;

struct Lines {
  const char *verb, *good, *bad, *misused;
  const char* makes;  ///< a file or folder that `good` leaves, whole
};
constexpr Lines kVerbs[] = {
    {"plan", "$R plan rig.toml", "$R plan none.toml", "$R plan", nullptr},
    {"render", "$R render rig.toml in.wav -o DIR", "$R render rig.toml none.wav -o d", "$R render rig.toml",
     "DIR/high.left.wav"},
    {"prove", "$R prove one.toml", "$R prove none.toml", "$R prove --no-such", nullptr},
    {"stimulus", "$R stimulus sine -o DIR.wav --seconds 0.1", "$R stimulus sine -o s.wav --frequency 1e9",
     "$R stimulus song -o s.wav", "DIR.wav"},
    {"budget", "$R budget rig.toml", "$R budget none.toml", "$R budget rig.toml --target abacus", nullptr},
    {"export", "$R export rig.toml -o DIR", "$R export none.toml -o e", "$R export rig.toml", "DIR/chain_numbers.hpp"},
    {"measure", "$R measure --sent in.wav --captured in.wav -o DIR.json",
     "$R measure --sent in.wav --captured none.wav -o m.json", "$R measure", "DIR.json"},
    {"flatten", "cp venue.toml DIR.toml && $R flatten low.json --points 1 --into DIR.toml",
     "$R flatten rig.toml --into f.toml", "$R flatten", "DIR.toml"},
    {"align",
     "mkdir DIR && cp rig.toml DIR && $R align rig.toml --way low=low.json --way high=high.json --into DIR/rig.toml",
     "$R align rig.toml --way low=low.json --way high=none.json", "$R align rig.toml", "DIR/rig.toml"},
    {"seal", "cp rig.toml DIR.toml && $R seal DIR.toml", "$R seal none.toml", "$R seal a b", "DIR.seal"},
    {"drift", "$R drift sealed.toml", "$R drift rig.toml", "$R drift", nullptr},
    {"compare", "$R compare one.toml one.toml", "$R compare one.toml none.toml", "$R compare one.toml", nullptr},
    {"help", "$R help --format man", "$R help nowhere", "$R help --format tape", nullptr},
    {"", "$R --version", "$R no-such-verb", "$R --no-such-option", nullptr},
    {"", "$R plan --help", "$R plan --venue", "$R", nullptr},
};

class Streams : public testing::TestWithParam<Lines> {
 protected:
  void SetUp() override {
    shell_.with_rig();
    shell_.with_small_rig();
    shell_.with_recording();
    shell_.with_measurements();
    shell_.write("venue.toml", "format = 1\ntitle = \"a room\"\n");
    ASSERT_EQ(shell_.run("cp rig.toml sealed.toml && $R seal sealed.toml").status, 0);
  }
  /// `line`, its outputs named after `name`, with its streams turned elsewhere. No status: not run.
  Result run(std::string line, const std::string& name, const std::string& streams) const {
    for (std::size_t at; (at = line.find("DIR")) != line.npos;) line.replace(at, 3, name);
    return shell_.run("{ " + line + "\n} " + streams);
  }
  /// What the good line left under `name`; nothing where it leaves nothing.
  std::string made(const std::string& name) const {
    if (GetParam().makes == nullptr) return {};
    std::string file = GetParam().makes;
    file.replace(file.find("DIR"), 3, name);
    return shell_.read(file);
  }
  test::Shell shell_;
};

TEST_P(Streams, ThatCannotBeWrittenChangeNothing) {
  const Lines& lines = GetParam();
  const Result usual = run(lines.good, "usual", "");
  ASSERT_EQ(usual.status, 0) << usual.err;
  if (lines.makes != nullptr) {
    ASSERT_FALSE(made("usual").empty());
  }

  const bool slow = std::string_view(lines.verb) == "prove" || std::string_view(lines.verb) == "budget";
  int number = 0;
  for (const std::string streams : {">/dev/full", ">&-", "2>/dev/full", "2>&-", ">/dev/full 2>/dev/full",
                                    "<&- >&- 2>&-", "--json 2>/dev/full", "--json >/dev/full"}) {
    if (slow && streams != ">/dev/full 2>/dev/full") continue;
    if (test::kSanitized && number >= 3) break;
    const std::string name = "n" + std::to_string(number++);
    const bool json = streams.starts_with("--json");
    if (json && (*lines.verb == '\0')) continue;
    const std::string where = json ? streams.substr(7) : streams;
    const Result result = run(lines.good + std::string(json ? " --json" : ""), name, where);
    const bool no_output = where[0] != '2';
    EXPECT_EQ(result.status, no_output ? 3 : 0) << streams << result.err;
    EXPECT_EQ(made(name), made("usual")) << streams;
    if (where == ">/dev/full") {
      EXPECT_THAT(result.err, HasSubstr("standard output cannot be written: No space left"));
    } else if (where == ">&-") {
      EXPECT_THAT(result.err, HasSubstr("standard output cannot be written: Bad file descriptor"));
    }
  }
  for (const std::string streams : {">/dev/full", ">&-", "2>/dev/full", "2>&-", ">/dev/full 2>/dev/full", ">&- 2>&-"}) {
    EXPECT_EQ(run(lines.bad, "bad", streams).status, 2) << streams;
    EXPECT_EQ(run(lines.misused, "bad", streams).status, 2) << streams;
  }
  // Control: with nothing in the way the words are there.
  EXPECT_THAT(run(lines.bad, "bad", "").err, HasSubstr("rackproof: "));
  EXPECT_THAT(run(lines.misused, "bad", "").err, HasSubstr("rackproof: "));
  if (!slow) {
    const Result gone = shell_.run("{ sleep 0.1; " + std::string(lines.good) + "\n echo $? >status; } | true");
    EXPECT_EQ(shell_.read("status"), "0\n") << "a reader that has gone is no error" << gone.err;
  }
}

INSTANTIATE_TEST_SUITE_P(OfEveryVerb, Streams, testing::ValuesIn(kVerbs), [](const auto& verb) {
  return *verb.param.verb == '\0' ? "no_verb_" + std::to_string(verb.index) : std::string(verb.param.verb);
});

TEST(QuietStreams, NeedNone) {
  test::Shell shell;
  shell.with_rig();
  for (const char* streams : {">&- 2>&-", ">/dev/full 2>/dev/full", "<&- >&- 2>&-"})
    EXPECT_EQ(shell.run("$R plan rig.toml --quiet " + std::string(streams)).status, 0) << streams;
}

// A title, a file's name and what stood in a file can hold what a terminal takes for commands.
TEST(ShownNames, ControlCharactersNeverReachATerminal) {
  test::Shell shell;
  shell.with_rig();
  shell.with_measurements();
  std::string text = shell.read("rig.toml");
  const std::size_t title = text.find("title = \""), end = text.find('\n', title);
  ASSERT_NE(title, text.npos);
  text.replace(title, end - title, "title = \"hall\\u001b[2J\\u009b31m\\u007f\\nFORGED: all is well\"");
  const std::string name = "r\x1b[31m\xc2\x9b\nFORGED.toml";
  shell.write(name, text);
  const auto is_clean = [](const std::string& out, bool json) {
    for (std::size_t i = 0; i < out.size(); ++i) {
      const auto byte = static_cast<unsigned char>(out[i]);
      if (byte == 0x7f || (byte < 0x20 && byte != '\n')) return false;
      if (byte == 0xc2 && static_cast<unsigned char>(out[i + 1]) < 0xa0) return false;
    }
    return json || out.find("\nFORGED") == out.npos;
  };
  const std::string quoted = "\"$(printf 'r\\033[31m\\302\\233\\nFORGED.toml')\"";
  for (const std::string line :
       {"plan NAME", "seal NAME", "drift NAME", "export NAME -o e", "plan NAME --venue NAME", "plan x-NAME",
        "align NAME --way low=low.json --way high=high.json", "flatten low.json --into NAME",
        "flatten NAME --into x.toml", "align NAME --way low=NAME --way high=high.json"}) {
    std::string with = line;
    for (std::size_t at; (at = with.find("NAME")) != with.npos;) with.replace(at, 4, quoted);
    for (std::size_t at; (at = with.find("x-\"")) != with.npos;) with.replace(at, 3, "\"x-");
    const Result told = shell.run("$R " + with);
    EXPECT_TRUE(is_clean(told.out, false)) << line << "\n" << told.out;
    EXPECT_TRUE(is_clean(told.err, false)) << line << "\n" << told.err;
    const Result json = shell.run("$R " + with + " --json");
    EXPECT_TRUE(is_clean(json.out, true)) << line << "\n" << json.out;
    if (json.status == 0) {
      const nlohmann::json document = nlohmann::json::parse(json.out);
      if (document.contains("rig")) {
        EXPECT_EQ(document["rig"], name) << line;
      }
      if (document.contains("title")) {
        EXPECT_EQ(document["title"], "hall\u001b[2J\u009b31m\u007f\nFORGED: all is well") << line;
      }
    }
  }
}

}  // namespace
}  // namespace rackproof
