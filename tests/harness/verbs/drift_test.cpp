// Must hold: `seal` and `drift` keep their promised statuses and keys; `plan`, `render`, `prove` and `export` warn of a rig
// that drifted and refuse it with --sealed, as they do a seal that is missing or damaged; a venue has no part in it. A rig
// that moved is sealed anew with --again alone, one that did not without.
#include <gmock/gmock.h>

#include <filesystem>
#include <nlohmann/json.hpp>

#include "tests/harness/verbs/shell.hpp"

namespace rackproof {
namespace {

using nlohmann::json;
using test::bytes_of;
using test::put;
using test::Result;
using testing::AllOf;
using testing::HasSubstr;
using testing::Not;

class DriftVerb : public testing::Test, protected test::Shell {
 protected:
  DriftVerb() {
    with_rig();
    write("venue.toml", bytes_of(RACKPROOF_SOURCE_DIR "/audio_fixtures/harbour-hall.venue.toml"));
    test::write_audio(folder() / "in.wav", SF_FORMAT_WAV | SF_FORMAT_FLOAT, 2, 48000, test::noise(2000, 5));
  }
  void edit(const char* file, const std::string& from, const std::string& to) const {
    std::string text = bytes_of(folder() / file);
    ASSERT_NE(text.find(from), std::string::npos);
    put(folder() / file, text.replace(text.find(from), from.size(), to));
  }
  static inline const std::vector<std::string> kOthers{"$R plan rig.toml --json",
                                                       "$R render rig.toml in.wav -o o --json",
                                                       "$R prove rig.toml --json", "$R export rig.toml -o e --json"};
  /// A warning of this code among those of all these verbs.
  void expect_warning(const std::string& code, const std::string& words) const {
    for (const std::string& verb : kOthers) {
      const Result result = run(verb);
      EXPECT_EQ(result.status, 0) << verb << result.err;
      bool found = false;
      const json document = json::parse(result.out);
      for (const json& warning : document.at("warnings"))
        found = found ||
                (warning.at("code") == code && warning.at("text").get<std::string>().find(words) != std::string::npos);
      EXPECT_TRUE(found) << verb;
      EXPECT_THAT(result.err, HasSubstr(words)) << verb;
    }
  }
  void expect_refusal(const std::string& words) const {
    std::vector<std::string> verbs = kOthers;
    verbs.emplace_back("$R budget rig.toml --json");
    for (const std::string& verb : verbs) {
      const Result result = run(verb + " --sealed");
      EXPECT_EQ(result.status, 2) << verb;
      EXPECT_EQ(result.out, "") << verb;
      EXPECT_THAT(result.err, HasSubstr(words)) << verb;
    }
  }
  json drift(int status) const {
    const Result result = run("$R drift rig.toml --json");
    EXPECT_EQ(result.status, status) << result.err;
    return json::parse(result.out);
  }
};

TEST_F(DriftVerb, SameAfterSealingAndWhateverIsOnlyWrittenOtherwise) {
  ASSERT_EQ(run("$R seal rig.toml").status, 0);
  EXPECT_EQ(drift(0).at("verdict"), "same");
  edit("rig.toml", "\"1.6 kHz\"", "\"1600 Hz\"");
  edit("rig.toml", "[feeds]", "# a remark\n[feeds]");
  EXPECT_EQ(drift(0).at("moved"), json::array());
  EXPECT_THAT(run("$R drift rig.toml").out, HasSubstr("nothing moved"));
  for (const std::string& verb : kOthers) {
    const Result result = run(verb + " --sealed --venue venue.toml");  // the room is no part of the seal
    EXPECT_EQ(result.status, 0) << verb << result.err;
    EXPECT_THAT(result.out, Not(HasSubstr("drifted")));
  }
}

TEST_F(DriftVerb, ToldInWordsAndRefused) {
  ASSERT_EQ(run("$R seal rig.toml").status, 0);
  edit("rig.toml", "\"1.6 kHz\"", "\"1.9 kHz\"");
  edit("rig.toml", "limit = { below_clip = \"2 dB\", look_ahead = \"3 ms\"",
       "limit = { below_clip = \"0.5 dB\", look_ahead = \"3 ms\"");
  const json document = drift(1);
  EXPECT_EQ(document.at("verdict"), "moved");
  ASSERT_EQ(document.at("moved").size(), 3u);
  EXPECT_EQ(document["moved"][0].at("text"), "the low to high point rose from 1.6 to 1.9 kHz");
  EXPECT_EQ(document["moved"][0].at("was"), "1.6 kHz");
  EXPECT_EQ(document["moved"][0].at("now"), "1.9 kHz");
  EXPECT_EQ(document["moved"][0].at("key"), "crossover.low/high.at");
  EXPECT_THAT(document["moved"][2].at("text").get<std::string>(), HasSubstr("low's threshold is 1.5 dB higher"));
  expect_warning("drifted", "the low to high point rose from 1.6 to 1.9 kHz");
  expect_refusal("the low to high point rose from 1.6 to 1.9 kHz");
  // Sealed anew by somebody who means it, with what that changed told.
  const std::string sealed = bytes_of(folder() / "rig.seal");
  const Result refused = run("$R seal rig.toml --json");
  EXPECT_EQ(refused.status, 2);
  EXPECT_EQ(refused.out, "");
  for (const char* words : {"rig.toml: ", "rig.seal", "the low to high point rose from 1.6 to 1.9 kHz",
                            "low's threshold is 1.5 dB higher", "--again"})
    EXPECT_THAT(refused.err, HasSubstr(words));
  EXPECT_EQ(bytes_of(folder() / "rig.seal"), sealed);
  const Result again = run("$R seal rig.toml --again");
  EXPECT_EQ(again.status, 0) << again.err;
  EXPECT_THAT(again.out, HasSubstr("rose from 1.6 to 1.9 kHz"));
  EXPECT_EQ(drift(0).at("verdict"), "same");
}

TEST_F(DriftVerb, SealedOnceMoreWhereNothingMoved) {
  ASSERT_EQ(run("$R seal rig.toml --again").status, 0);  // there is nothing yet to be sealed over
  const std::string sealed = bytes_of(folder() / "rig.seal");
  edit("rig.toml", "\"1.6 kHz\"", "\"1600 Hz\"");
  for (const char* line : {"$R seal rig.toml --json", "$R seal rig.toml --again --json"}) {
    const Result result = run(line);
    EXPECT_EQ(result.status, 0) << result.err;
    EXPECT_EQ(json::parse(result.out).at("moved_since_the_last"), json::array());
    EXPECT_EQ(bytes_of(folder() / "rig.seal"), sealed);
  }
}

TEST_F(DriftVerb, ADamagedSealIsNoMovedRig) {
  ASSERT_EQ(run("$R seal rig.toml").status, 0);
  edit("rig.seal", "32 dB", "33 dB");
  const json document = drift(2);
  EXPECT_EQ(document.at("verdict"), "damaged");
  EXPECT_EQ(document.at("moved"), json::array());
  expect_warning("seal-damaged", "the seal is damaged");
  expect_refusal("the seal is damaged");
  // Whether the rig moved cannot be told: sealed anew by somebody who means it.
  const std::string damaged = bytes_of(folder() / "rig.seal");
  const Result refused = run("$R seal rig.toml --json");
  EXPECT_EQ(refused.status, 2);
  EXPECT_EQ(refused.out, "");
  EXPECT_THAT(refused.err, AllOf(HasSubstr("rig.seal: the seal is damaged"), HasSubstr("--again")));
  EXPECT_EQ(bytes_of(folder() / "rig.seal"), damaged);
  EXPECT_EQ(run("$R seal rig.toml --again").status, 0);
  EXPECT_EQ(drift(0).at("verdict"), "same");
}

TEST_F(DriftVerb, ASealWithOtherLineEndsSaysThatItsLineEndsWereChanged) {
  ASSERT_EQ(run("$R seal rig.toml && sed -i 's/$/\\r/' rig.seal").status, 0);
  EXPECT_THAT(run("$R drift rig.toml").err, HasSubstr("changed to CR LF"));
  ASSERT_EQ(run("sed -i 's/\\r$//' rig.seal && printf '\\r' >>rig.seal").status, 0);
  EXPECT_THAT(run("$R drift rig.toml").err, HasSubstr("it was edited, cut short or damaged"));
  ASSERT_EQ(run("sed -i 's/\\r$//' rig.seal").status, 0);
  EXPECT_EQ(drift(0).at("verdict"), "same");
}

// By whatever name it is opened, a rig has one seal: a link is no way around it.
TEST_F(DriftVerb, ALinkHasTheSealOfItsRig) {
  ASSERT_EQ(run("mkdir shows && ln -s ../rig.toml shows/tonight.toml && ln -s shows/tonight.toml link.toml").status, 0);
  ASSERT_EQ(run("$R seal link.toml").status, 0);
  EXPECT_TRUE(std::filesystem::exists(folder() / "rig.seal"));
  EXPECT_EQ(drift(0).at("verdict"), "same");
  edit("rig.toml", "\"1.6 kHz\"", "\"1.9 kHz\"");
  for (const char* link : {"link.toml", "shows/tonight.toml"}) {
    const std::string name(link);
    EXPECT_EQ(run("$R drift " + name).status, 1) << name;
    EXPECT_THAT(run("$R plan " + name).out, HasSubstr("drifted")) << name;
    EXPECT_EQ(run("$R plan --sealed " + name).status, 2) << name;
    EXPECT_EQ(run("$R seal " + name).status, 2) << name;
  }
  EXPECT_FALSE(std::filesystem::exists(folder() / "link.seal"));
  EXPECT_FALSE(std::filesystem::exists(folder() / "shows/tonight.seal"));
  // A link that leads nowhere is told as such.
  ASSERT_EQ(run("ln -s nowhere.toml lost.toml").status, 0);
  EXPECT_EQ(run("$R seal lost.toml").status, 2);
}

// What is sealed is the baseline: `seal` says what `plan` warns of, and takes no response that `prove` refuses.
TEST_F(DriftVerb, SealTellsWhatIsOddAboutWhatItSeals) {
  EXPECT_EQ(json::parse(run("$R seal rig.toml --json").out).at("warnings"), json::array());
  edit("rig.toml", "thermal_time = \"1 s\"", "thermal_time = \"50 s\"");
  const Result odd = run("$R seal rig.toml --again --json");
  ASSERT_EQ(odd.status, 0) << odd.err;
  const json warnings = json::parse(odd.out).at("warnings");
  ASSERT_EQ(warnings.size(), 1u);
  EXPECT_EQ(warnings, json::parse(run("$R plan rig.toml --json").out).at("warnings")) << "nothing moved since";
  EXPECT_THAT(odd.err, HasSubstr(warnings[0].at("code").get<std::string>() + ": "));

  edit("rig.toml", "[[way]]\n", "[[way]]\nresponse = \"low.csv\"\n");
  put(folder() / "low.csv", "frequency_hz,magnitude_db,phase_deg\n20,0,0\n20000,loud,0\n");
  const Result refused = run("$R seal rig.toml --again");
  EXPECT_EQ(refused.status, 2);
  EXPECT_THAT(refused.err, HasSubstr("low.csv:3"));
  for (const char* verb : {"plan rig.toml", "render rig.toml in.wav -o o"}) {
    const Result told = run(std::string("$R ") + verb + " --json");
    EXPECT_EQ(told.status, 0) << verb;
    EXPECT_THAT(told.err, AllOf(HasSubstr("response-unusable: "), HasSubstr("low.csv:3"))) << verb;
  }
}

TEST_F(DriftVerb, NoSealIsNoMatterUnlessItIsInsistedOn) {
  EXPECT_EQ(drift(2).at("verdict"), "damaged");
  EXPECT_THAT(run("$R drift rig.toml").err, HasSubstr("there is no seal"));
  EXPECT_EQ(json::parse(run(kOthers[0]).out).at("warnings"), json::array());
  expect_refusal("there is no seal");
}

TEST_F(DriftVerb, ARigThatCannotBeReadIsNoDrift) {
  ASSERT_EQ(run("$R seal rig.toml").status, 0);
  edit("rig.toml", "\"1.6 kHz\"", "\"1.6 kg\"");
  const Result result = run("$R drift rig.toml");
  EXPECT_EQ(result.status, 2);
  EXPECT_THAT(result.err, HasSubstr("rig.toml:"));
  EXPECT_EQ(run("$R seal rig.toml").status, 2);
  EXPECT_EQ(run("$R seal nowhere.toml").status, 2);
}

// By another program: the hash is BLAKE2b of 256 bits (RFC 7693), as GNU coreutils' b2sum computes it, over all lines
// but the last.
TEST_F(DriftVerb, TheHashIsWhatOthersComputeToo) {
  ASSERT_EQ(run("$R seal rig.toml").status, 0);
  const Result other = run("head -n -1 rig.seal | b2sum -l 256 | cut -d ' ' -f 1");
  ASSERT_EQ(other.status, 0) << other.err;
  EXPECT_THAT(bytes_of(folder() / "rig.seal"), testing::EndsWith("blake2b = " + other.out));
}

}  // namespace
}  // namespace rackproof
