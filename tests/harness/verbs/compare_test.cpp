// Must hold: `compare` keeps its promised statuses and keys; what differs is told in the sentences of `drift`; comments
// and spelling are no difference; a recording of another rate is refused as `render` refuses it; the page is whole.
#include <gmock/gmock.h>

#include <nlohmann/json.hpp>

#include "tests/harness/verbs/shell.hpp"

namespace rackproof {
namespace {

using nlohmann::json;
using test::Result;
using testing::AllOf;
using testing::HasSubstr;
using testing::Not;

class CompareVerb : public testing::Test, protected test::Shell {
 protected:
  CompareVerb() {
    with_small_rig();
    changed("\"60 Hz\"", "\"60 Hz\"");
  }
  /// other.toml: one.toml with one text for another.
  void changed(const std::string& from, const std::string& to) const {
    std::string text = read("one.toml");
    ASSERT_NE(text.find(from), std::string::npos);
    write("other.toml", text.replace(text.find(from), from.size(), to));
  }
  json document(int status, const std::string& line = "$R compare one.toml other.toml --json") const {
    const Result result = run(line);
    EXPECT_EQ(result.status, status) << result.err;
    return json::parse(result.out);
  }
};

TEST_F(CompareVerb, WrittenOtherwiseIsTheSame) {
  changed("highpass = { at = \"60 Hz\"", "# a remark\nhighpass = { at = \"0.06 kHz\"");
  const json same = document(0);
  EXPECT_EQ(same.begin().key(), "a");  // a parsed document is in order of its letters: the text begins with the format
  EXPECT_THAT(run("$R compare one.toml other.toml --json").out, testing::StartsWith("{\n  \"format\": 1,\n"));
  EXPECT_EQ(same.at("a"), "one.toml");
  EXPECT_EQ(same.at("b"), "other.toml");
  EXPECT_EQ(same.at("verdict"), "same");
  EXPECT_EQ(same.at("moved"), json::array());
  EXPECT_EQ(same.at("outputs").at(0).at("response_max_db"), 0);
  EXPECT_TRUE(same["outputs"][0].at("response_at_hz").is_null());
  EXPECT_EQ(same["outputs"][0].at("a"), same["outputs"][0].at("b"));
  EXPECT_THAT(run("$R compare one.toml other.toml").out, HasSubstr("Nothing differs but how the files are written."));
  EXPECT_EQ(run("$R compare one.toml one.toml --quiet").out, "");
}

TEST_F(CompareVerb, WhatDiffersIsToldInTheSentencesOfDrift) {
  changed("below_clip = \"2 dB\"", "below_clip = \"5 dB\"");
  const json differ = document(1);
  EXPECT_EQ(differ.at("verdict"), "differ");
  ASSERT_EQ(run("cp one.toml sealed.toml && $R seal sealed.toml && cp other.toml sealed.toml").status, 0);
  EXPECT_EQ(differ.at("moved"), json::parse(run("$R drift sealed.toml --json").out).at("moved"));
  const json& output = differ.at("outputs").at(0);
  EXPECT_EQ(output.at("name"), "full.main");
  // 500 W into 8 ohm clip at 89.44 V peak: 2 dB and 5 dB below it.
  EXPECT_NEAR(output.at("a").at("limit_volts_peak").get<double>(), 89.443 * std::pow(10, -2 / 20.0), 0.01);
  EXPECT_NEAR(output.at("b").at("limit_volts_peak").get<double>(), 89.443 * std::pow(10, -5 / 20.0), 0.01);
  EXPECT_GT(differ.at("cost").at("a").at("ns_per_frame").get<double>(), 0);
  EXPECT_EQ(differ["cost"]["a"].at("state_bytes"), differ["cost"]["b"].at("state_bytes"));
  const std::string text = run("$R compare one.toml other.toml").out;
  EXPECT_THAT(text, AllOf(HasSubstr("full's limiter's distance below clip is 3 dB higher (2 to 5 dB)"),
                          HasSubstr("71.0  50.3  -3.00"), HasSubstr("Cost\n")))
      << text;
}

TEST_F(CompareVerb, AnEqBandIsFoundAndTheVenueIsOnBoth) {
  changed("limit = {", "eq = [ { type = \"peaking\", at = \"1 kHz\", gain = \"+3 dB\", q = 4 } ]\nlimit = {");
  const json plain = document(1);
  EXPECT_NEAR(plain.at("outputs")[0].at("response_max_db").get<double>(), 3, 0.005);
  EXPECT_NEAR(plain["outputs"][0].at("response_at_hz").get<double>(), 1000, 2);
  EXPECT_NEAR(plain.at("sums")[0].at("response_max_db").get<double>(), 3, 0.005);
  EXPECT_TRUE(plain["sums"][0].at("heard_max_db").is_null());
  EXPECT_THAT(plain.at("not_heard").get<std::string>(), HasSubstr("driver.cone.sensitivity"));
  write("venue.toml", "format = 1\ntitle = \"room\"\n[venue]\ngain = \"-4 dB\"\n");
  const json tonight = document(1, "$R compare one.toml other.toml --json --venue venue.toml");
  EXPECT_NEAR(tonight.at("outputs")[0].at("response_max_db").get<double>(), 3, 0.005);
  EXPECT_EQ(tonight["outputs"][0].at("a").at("gain_db"), -4);
  EXPECT_EQ(tonight["outputs"][0].at("b").at("gain_db"), -4);
}

TEST_F(CompareVerb, WhatOneAloneHasIsNullInTheOther) {
  changed("main = 1", "main = 1\nside = 1");
  const json found = document(1);
  ASSERT_EQ(found.at("outputs").size(), 2u);
  EXPECT_EQ(found["outputs"][1].at("name"), "full.side");
  EXPECT_TRUE(found["outputs"][1].at("a").is_null());
  EXPECT_TRUE(found["outputs"][1].at("b").is_object());
  EXPECT_TRUE(found["outputs"][1].at("response_max_db").is_null());
  EXPECT_THAT(run("$R compare one.toml other.toml").out, HasSubstr("only b has it"));
}

TEST_F(CompareVerb, RecordingsGiveThePromisedKeysAndThePageHoldsThem) {
  test::write_audio(folder() / "in.wav", SF_FORMAT_WAV | SF_FORMAT_FLOAT, 1, 48000, test::noise(48000, 5));
  test::write_audio(folder() / "cd.wav", SF_FORMAT_WAV | SF_FORMAT_FLOAT, 1, 44100, test::noise(44100, 6));
  changed("below_clip = \"2 dB\"", "below_clip = \"8 dB\"");
  const json found = document(1, "$R compare one.toml other.toml --json --quiet --program in.wav --report both.html");
  const json proven = json::parse(run("$R prove other.toml --program in.wav --json --quiet").out);
  const json& b = found.at("outputs").at(0).at("b");
  const json& track = proven.at("recordings").at(0).at("outputs").at(0);
  for (const char* key : {"peak_held_mean_db", "peak_held_p95_db", "peak_held_time_fraction",
                          "peak_held_3_db_time_fraction", "power_held_mean_db", "rms_volts"}) {
    EXPECT_EQ(b.at(key), track.at(key)) << key;
    EXPECT_TRUE(found["outputs"][0].at("a").at(key).is_number()) << key;
  }
  EXPECT_GT(b.at("peak_held_mean_db"), found["outputs"][0]["a"].at("peak_held_mean_db"));
  EXPECT_THAT(read("both.html"), AllOf(HasSubstr("The two rigs differ in"), HasSubstr("<bdi>in.wav</bdi>")));

  const Result refused = run("$R compare one.toml other.toml --json --program cd.wav");
  EXPECT_EQ(refused.status, 2);
  EXPECT_EQ(refused.out, "");
  EXPECT_EQ(refused.err, run("$R render one.toml cd.wav -o o").err);  // the same words
  const json converted =
      document(1, "$R compare one.toml other.toml --json --program cd.wav --program in.wav --resample");
  EXPECT_EQ(converted.at("programmes").size(), 2u);
}

TEST_F(CompareVerb, SeveralLoudspeakersAreToldOneByOne) {
  const std::string square = test::bytes_of(RACKPROOF_SOURCE_DIR "/audio_fixtures/town-square.toml");
  write("one.toml", square);
  changed("name = \"fill\"", "name = \"fill\"\nmute = true");
  std::string text = read("other.toml");
  const std::string from = "{ type = \"highshelf\", at = \"8 kHz\", gain = \"2 dB\"";
  ASSERT_NE(text.find(from), std::string::npos);
  text.replace(text.find(from), from.size(), "{ type = \"highshelf\", at = \"8 kHz\", gain = \"5 dB\"");
  write("other.toml", text);
  const json found = document(1);
  ASSERT_EQ(found.at("outputs").size(), 8u);
  for (const json& output : found["outputs"]) {
    const bool fill = output.at("name") == "fill.box";
    EXPECT_EQ(output.at("b").at("muted"), fill);
    EXPECT_EQ(output.at("a").at("muted"), false);
    // A muted output answers as it will when it is heard again: 3 dB more at the top of the shelf.
    EXPECT_NEAR(output.at("response_max_db").get<double>(), fill ? 3 : 0, fill ? 0.2 : 0) << output.at("name");
  }
  // Of each loudspeaker the sums of its own: the mains' two sides, the fills' mix, the delayed pair's two sides.
  ASSERT_EQ(found.at("sums").size(), 5u);
  for (const json& sum : found["sums"]) {
    const bool fill = sum.at("loudspeaker") == "fill";
    EXPECT_EQ(sum.at("response_max_db"), fill ? 100 : 0) << sum;  // what is muted adds nothing
    EXPECT_EQ(sum.at("heard_max_db"), fill ? 100 : 0) << sum;
  }
  EXPECT_TRUE(found.at("not_heard").is_null());
  const Result told = run("$R compare one.toml other.toml --report both.html");
  EXPECT_THAT(told.out,
              AllOf(HasSubstr("fill.box (muted in b)"), HasSubstr("silent in b"), HasSubstr("main, sum of left")));
  EXPECT_THAT(read("both.html"), HasSubstr("It is silent in b."));
  // One side that is 0.5 dB louder by itself is no difference between the rigs; a rig beside itself has none at all.
  EXPECT_EQ(document(0, "$R compare one.toml one.toml --json").at("verdict"), "same");
}

TEST_F(CompareVerb, BadInputIsToldAndNothingIsPrinted) {
  EXPECT_EQ(run("$R compare one.toml").status, 2);
  const Result absent = run("$R compare one.toml nowhere.toml --json");
  EXPECT_NE(absent.status, 0);
  EXPECT_EQ(absent.out, "");
  EXPECT_EQ(run("$R compare one.toml other.toml --report one.toml").status, 2);
  EXPECT_EQ(run("$R compare one.toml other.toml --target abacus").status, 2);
}

}  // namespace
}  // namespace rackproof
