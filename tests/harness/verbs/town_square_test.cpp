// Must hold: every verb knows a rig of several loudspeakers: the demo rig of eight outputs is planned, proven,
// rendered, sealed and compared with its seal, exported, costed, measured against and tuned, loudspeaker by
// loudspeaker, and says whose each thing is.
#include <gmock/gmock.h>

#include <cmath>
#include <nlohmann/json.hpp>

#include "harness/audio/reader.hpp"
#include "tests/harness/edited.hpp"
#include "tests/harness/verbs/shell.hpp"

namespace rackproof {
namespace {

using nlohmann::json;
using testing::AllOf, testing::ElementsAre, testing::HasSubstr;

class TownSquare : public testing::Test, protected test::Shell {
 protected:
  void SetUp() override {
    square_ = test::bytes_of(RACKPROOF_SOURCE_DIR "/audio_fixtures/town-square.toml");
    write("square.toml", square_);
  }
  json document(const std::string& line, int status = 0) const {
    const test::Result result = run(line);
    EXPECT_EQ(result.status, status) << result.err;
    return result.status == status && !result.out.empty() ? json::parse(result.out) : json();
  }
  std::string edited(const std::string& from, const std::string& to) const { return test::edited(square_, from, to); }
  std::string square_;
};

TEST_F(TownSquare, IsPlanned) {
  const json plan = document("$R plan square.toml --json");
  ASSERT_EQ(plan["outputs"].size(), 8u);
  const json &low = plan["outputs"][2], &fill = plan["outputs"][5], &right = plan["outputs"][7];
  EXPECT_EQ(low["name"], "main.low.right");
  EXPECT_EQ(low["loudspeaker"], "main");
  EXPECT_EQ(low["way"], "low");
  EXPECT_EQ(low["feed"], "right");
  EXPECT_EQ(low["muted"], false);
  EXPECT_NEAR(low["gain_db"].get<double>(), -4 + 1 + 0.5, 1e-9);
  EXPECT_EQ(fill["name"], "fill.box");
  EXPECT_EQ(fill["feed"], "mix");
  ASSERT_EQ(fill["feed_paths"].size(), 2u);
  EXPECT_EQ(fill["feed_paths"][0]["gain_db"], -6.0);
  const double speed = 331.3 + 0.606 * 18;
  EXPECT_NEAR(right["delay_samples"].get<double>(), 48000 * (28 + 1.2) / speed, 1e-6);
  write("muted.toml", edited("name = \"fill\"\n", "name = \"fill\"\nmute = true\n"));
  EXPECT_EQ(document("$R plan muted.toml --json")["outputs"][5]["muted"], true);
  EXPECT_THAT(run("$R plan muted.toml").out, HasSubstr("left -6 dB, right -6 dB, MUTED"));
  EXPECT_TRUE(
      document("$R plan '" RACKPROOF_SOURCE_DIR "/audio_fixtures/two-way-top.toml' --json")["outputs"][0]["loudspeaker"]
          .is_null());
}

TEST_F(TownSquare, IsRenderedByAnyNumberOfWorkersAndMutedOutputsAreExactZeros) {
  write("muted.toml", edited("name = \"high\"\n", "name = \"high\"\n  mute = true\n"));
  ASSERT_EQ(run("$R stimulus pink --seconds '1 s' --channels 2 --level '-14 dBFS' -o pink.wav").status, 0);
  const json made = document("$R render square.toml pink.wav -o whole --json --quiet");
  ASSERT_EQ(made["outputs"].size(), 8u);
  EXPECT_EQ(made["outputs"][5]["name"], "fill.box");
  document("$R render muted.toml pink.wav -o muted --json --quiet");
  for (const json& output : made["outputs"]) {
    const std::string file = output["name"].get<std::string>() + ".wav";
    const std::string heard = test::bytes_of(*this / ("whole/" + file)),
                      other = test::bytes_of(*this / ("muted/" + file));
    EXPECT_EQ(heard == other, !file.starts_with("main.high")) << file;
    if (!file.starts_with("main.high")) continue;
    audio::Reader reader(*this / ("muted/" + file));
    std::vector<float> row(reader.frames(), 1.0f);
    float* const to = row.data();
    const std::uint32_t channel = 0;
    ASSERT_EQ(reader.read(std::span(&channel, 1), std::span(&to, 1), row.size()), row.size());
    EXPECT_TRUE(std::ranges::all_of(row, [](float x) { return x == 0.0f; }));
  }
  // The delayed pair comes later by its distance: the same noise, so the same sum of squares in all of it.
  EXPECT_GT(made["outputs"][7]["rms_volts"].get<double>(), 1);
}

TEST_F(TownSquare, FallsUnderTheNameOfTheLoudspeakerAndSaysItsKey) {
  write("hurt.toml",
        edited("  limit = { below_clip = \"2 dB\", look_ahead = \"2.5 ms\", hold = \"6 ms\", release = \"120 ms\" }\n"
               "  thermal = { below_rating = \"1 dB\" }\n\n# ---- the delayed",
               "  thermal = { below_rating = \"1 dB\" }\n\n# ---- the delayed"));
  const json proof = document("$R prove hurt.toml --json --quiet", 1);
  ASSERT_GE(proof["changes"].size(), 1u);
  EXPECT_EQ(proof["changes"][0]["key"], "loudspeaker.fill.way.box.limit");
  for (const json& check : proof["checks"])
    if (!check["holds"]) EXPECT_EQ(check["loudspeaker"], "fill") << check["id"];
  EXPECT_THAT(run("$R plan hurt.toml").out, HasSubstr("loudspeaker fill: "));
}

TEST_F(TownSquare, HoldsAndItsPageDrawsEachLoudspeaker) {
  const json proof = document("$R prove square.toml --json --quiet --report page.html");
  EXPECT_EQ(proof["verdict"], "holds");
  const std::string page = read("page.html");
  for (const char* const part : {"Loudspeaker <bdi>main</bdi>", "Loudspeaker <bdi>fill</bdi>",
                                 "data-plot=\"magnitude\"", "data-plot=\"magnitude-3\"", "data-plot=\"delay-2\""})
    EXPECT_THAT(page, HasSubstr(part));
}

TEST_F(TownSquare, IsSealedAndSaysWhatMoved) {
  ASSERT_EQ(run("$R seal square.toml").status, 0);
  EXPECT_EQ(document("$R drift square.toml --json")["verdict"], "same");
  write("square.toml", edited("gain = \"0.5 dB\"", "gain = \"0 dB\""));
  const json drift = document("$R drift square.toml --json", 1);
  ASSERT_EQ(drift["moved"].size(), 1u);
  EXPECT_EQ(drift["moved"][0]["key"], "loudspeaker.main.way.low.output.right.gain");
}

TEST_F(TownSquare, IsExportedAndCosted) {
  ASSERT_EQ(run("$R export square.toml -o export --quiet").status, 0);
  EXPECT_THAT(read("export/chain_numbers.hpp"),
              AllOf(HasSubstr("kLoudspeakers[] = {\n    {-1, "), HasSubstr("{-2, kMix"), HasSubstr("\"fill.box\"")));
  const json budget = document("$R budget square.toml --json");
  EXPECT_EQ(budget["outputs"].size(), 8u);
  EXPECT_GT(budget["state_bytes"].get<int>(), 8 * 4096) << "two of the outputs wait for 4000 samples";
}

TEST_F(TownSquare, ATuningNamesItsLoudspeaker) {
  ASSERT_EQ(run("$R stimulus sweep --seconds '2 s' -o sweep.wav").status, 0);
  ASSERT_EQ(
      run("$R measure --sent sweep.wav --captured sweep.wav --rig square.toml --loudspeaker fill -o fill.json").status,
      0);
  const json measured = json::parse(read("fill.json"));
  EXPECT_EQ(measured["driven_by"]["ways"].size(), 1u);
  EXPECT_EQ(measured["driven_by"]["ways"][0]["name"], "box");
  const test::Result unnamed = run("$R measure --sent sweep.wav --captured sweep.wav --rig square.toml -o x.json");
  EXPECT_EQ(unnamed.status, 2);
  EXPECT_THAT(unnamed.err, HasSubstr("say whether it is main, fill or delayed"));
  const test::Result unknown =
      run("$R measure --sent sweep.wav --captured sweep.wav --rig square.toml --loudspeaker fil -o x.json");
  EXPECT_EQ(unknown.status, 2);
  EXPECT_THAT(unknown.err, HasSubstr("did you mean \"fill\""));
  EXPECT_EQ(run("$R measure --sent sweep.wav --captured sweep.wav --loudspeaker fill -o x.json").status, 2);
  // Into the loudspeaker's own system, into one that has none yet, and into tonight's layer for it.
  EXPECT_EQ(document("$R flatten fill.json --into square.toml --loudspeaker fill --json")["table"],
            "loudspeaker.fill.system");
  EXPECT_THAT(read("square.toml"), HasSubstr("name = \"delayed\"\ndelay = \"28 m\""));
  write("bare.toml", edited("system = { gain = \"-3 dB\", eq = [] }\n", ""));
  EXPECT_EQ(run("$R flatten fill.json --into bare.toml --loudspeaker delayed").status, 0);
  EXPECT_NE(document("$R plan bare.toml --json")["outputs"][6]["gain_db"], 1.0);
  EXPECT_EQ(document("$R flatten fill.json --into tonight.toml --loudspeaker fill --json")["table"],
            "venue.loudspeaker.fill");
  EXPECT_EQ(run("$R plan square.toml --venue tonight.toml --quiet").status, 0);
  EXPECT_EQ(run("$R flatten fill.json --into tonight.toml --loudspeaker fill --feed left").status, 2);
}

TEST_F(TownSquare, AlignWritesTheWaysOfTheLoudspeakerThatIsNamed) {
  ASSERT_EQ(run("$R stimulus sweep --seconds '2 s' -o sweep.wav").status, 0);
  // Each way alone through the chain is what a microphone in front would hear of it.
  ASSERT_EQ(
      run("$R stimulus sweep --seconds '2 s' --channels 2 -o both.wav && $R render square.toml both.wav -o out").status,
      0);
  for (const std::string way : {"sub", "low", "high"}) {
    const std::string file = way == "sub" ? "main.sub" : "main." + way + ".left";
    ASSERT_EQ(run("$R measure --sent sweep.wav --captured out/" + file +
                  ".wav --rig square.toml --loudspeaker main -o " + way + ".json")
                  .status,
              0);
  }
  const std::string line = "$R align square.toml --way sub=sub.json --way low=low.json --way high=high.json ";
  EXPECT_EQ(run(line).status, 2) << "which loudspeaker is not said";
  const json made = document(line + "--loudspeaker main --into square.toml --json");
  EXPECT_EQ(made["loudspeaker"], "main");
  const std::string text = read("square.toml");
  EXPECT_THAT(text, HasSubstr("response = \"square.main.high.response.csv\""));
  EXPECT_THAT(names(), testing::Contains("square.main.sub.response.csv"));
  EXPECT_THAT(text, HasSubstr("delay = \"28 m\"")) << "the others stay";
  EXPECT_EQ(run("$R align square.toml --loudspeaker fill --way box=low.json").status, 2) << "one way alone";
}

}  // namespace
}  // namespace rackproof
