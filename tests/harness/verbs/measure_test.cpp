// Must hold: from files to files, `measure` writes the promised keys with the truth of a simulated rig in them and a
// page of the same, and refuses what means nothing with status 2 and nothing written.
#include <fmt/format.h>
#include <gmock/gmock.h>

#include <filesystem>
#include <memory>
#include <nlohmann/json.hpp>

#include "harness/audio/writer.hpp"
#include "harness/calibration/compile.hpp"
#include "harness/rig/rig.hpp"
#include "tests/harness/report/html.hpp"
#include "tests/harness/tune/rig_in_a_field.hpp"
#include "tests/harness/verbs/shell.hpp"

namespace rackproof {
namespace {

namespace fs = std::filesystem;
using nlohmann::json;
using test::Result;
using testing::HasSubstr;
using namespace tune;

class Measure : public testing::Test {
 protected:
  static void SetUpTestSuite() {
    shell_ = std::make_unique<test::Shell>();
    const std::vector<double> sent = noise_sent(4);
    write("sent.wav", {sent});
    Recorder recorder;
    recorder.drift_ppm = 50;
    recorder.noise_rms = 1e-4;
    const std::vector<double> heard = recorded(driver(), paths(), sent, recorder).samples;
    write("seat.wav", {std::vector<double>(heard.size(), 0.0), heard});
    write("other.wav", {noise_sent(4, 99)});
    // Started by hand, 0.75 s before the player, with what was sent on the second channel.
    std::vector<double> late(36000, 0.0);
    late.insert(late.end(), sent.begin(), sent.end());
    SimulatedDriver cable;
    write("both.wav", {recorded(driver(), paths(), late, recorder).samples,
                       recorded(cable, {{1e-3, 0.5}}, late, recorder).samples});
  }
  static void TearDownTestSuite() { shell_.reset(); }
  static SimulatedDriver driver() { return a_driver(); }
  static std::vector<SoundPath> paths() { return field_paths({0, 0, 2}, {3, 0, 1.8}); }
  static void write(const char* name, const std::vector<std::vector<double>>& channels) {
    audio::Writer writer(shell_->folder() / name, {.channels = static_cast<std::uint32_t>(channels.size())});
    std::vector<float> interleaved;
    for (std::size_t n = 0; n < channels[0].size(); ++n)
      for (const auto& channel : channels) interleaved.push_back(static_cast<float>(channel[n]));
    writer.write(interleaved);
    writer.keep();
  }
  static std::string read(const char* name) { return shell_->read(name); }
  static Result run(const std::string& arguments) { return shell_->run("$R " + arguments); }
  static inline std::unique_ptr<test::Shell> shell_;  // for all tests: its recordings take long to make
};

TEST_F(Measure, WritesThePromisedKeysWithTheTruthInThem) {
  const Result result = run("measure --sent sent.wav --captured seat.wav --captured-channel 2 -o seat.json --json");
  ASSERT_EQ(result.status, 0) << result.err;
  const json document = json::parse(result.out);
  EXPECT_EQ(document, json::parse(read("seat.json")));
  for (const char* key : {"sample_rate_hz", "captures", "arrival_ms", "polarity", "drift_ppm", "frequency_hz",
                          "magnitude_db", "phase_deg", "coherence", "smoothing", "warnings"})
    EXPECT_TRUE(document.contains(key)) << key;
  EXPECT_EQ(document["captures"], 1);
  EXPECT_EQ(document["polarity"], 1);
  EXPECT_NEAR(document["drift_ppm"].get<double>(), 50, 0.5);
  EXPECT_NEAR(document["arrival_ms"].get<double>(), 1e3 * (paths()[0].delay_s + driver().delay_s), 0.2 / 48);
  const Measurement m = load_measurement(shell_->folder() / "seat.json");
  const Errors errors = errors_of(m, driver(), paths(), 60, 16000, 0.98);
  EXPECT_GT(errors.points, 4000u);
  EXPECT_LT(errors.level_db, 0.4);
  EXPECT_THAT(result.err, HasSubstr("50.0"));
}

TEST_F(Measure, SaysWhereAFileStandsInForAnother) {
  const auto warned = [](const std::string& captured) {
    const Result result = run("measure --sent sent.wav --captured " + captured + " -o copies.json --json");
    EXPECT_EQ(result.status, 0) << result.err;
    const json told = json::parse(result.out);
    std::string codes;
    for (const json& warning : told.at("warnings")) codes += warning.at("code").get<std::string>() + ' ';
    return codes;
  };
  std::filesystem::copy_file(shell_->folder() / "sent.wav", shell_->folder() / "tab.wav");
  EXPECT_THAT(warned("tab.wav"), HasSubstr("sent-itself"));
  EXPECT_THAT(run("measure --sent sent.wav --captured tab.wav -o copies.json").out, HasSubstr("  0.0000 ms"));
  EXPECT_THAT(warned("both.wav both.wav"), HasSubstr("given-twice"));
  EXPECT_THAT(warned("both.wav"), testing::Not(testing::AnyOf(HasSubstr("sent-itself"), HasSubstr("given-twice"))));
}

TEST_F(Measure, AReferenceTakesTheStartOut) {
  const Result result = run("measure --sent sent.wav --captured both.wav --reference-channel 2 -o both.json --json");
  ASSERT_EQ(result.status, 0) << result.err;
  const json document = json::parse(result.out);
  const double truth = 1e3 * (paths()[0].delay_s + driver().delay_s - 1e-3);
  EXPECT_NEAR(document["arrival_ms"].get<double>(), truth, document["arrival_error_ms"].get<double>());
  EXPECT_LT(document["arrival_error_ms"].get<double>(), 0.01);
  EXPECT_EQ(document["reference_channel"], 2);
  EXPECT_NEAR(document["drift_ppm"].get<double>(), 50, 0.5);
  EXPECT_EQ(document["magnitude_error_db"].size(), document["frequency_hz"].size());
  // Without it the arrival is that of the hand.
  const Result plain = run("measure --sent sent.wav --captured both.wav -o plain.json --json");
  EXPECT_GT(json::parse(plain.out)["arrival_ms"].get<double>(), 700);
  EXPECT_TRUE(json::parse(plain.out)["reference_channel"].is_null());
  const Result same = run("measure --sent sent.wav --captured both.wav --reference-channel 1 -o no.json");
  EXPECT_EQ(same.status, 2);
  EXPECT_THAT(same.err, HasSubstr("which is the microphone's"));
}

TEST_F(Measure, TheMicrophonesOwnResponseIsTakenOut) {
  const std::string command = "measure --sent sent.wav --captured seat.wav --captured-channel 2 --json ";
  shell_->write("mic.txt", "* an invented microphone\n20 -2.0 0\n1000 0\n2000\t3.5\n20000 3.5\n");
  const json plain = json::parse(run(command + "-o plain.json").out);
  const Result result = run(command + "-o mic.json --microphone mic.txt");
  ASSERT_EQ(result.status, 0) << result.err;
  const json document = json::parse(result.out);
  EXPECT_EQ(document["microphone"], "mic.txt");
  for (std::size_t i = 0; i < document["frequency_hz"].size(); ++i) {
    const double f = document["frequency_hz"][i].get<double>();
    const double taken = plain["magnitude_db"][i].get<double>() - document["magnitude_db"][i].get<double>();
    if (f >= 2000) EXPECT_NEAR(taken, 3.5, 2e-4) << f;
    if (f > 20 && f < 1000) EXPECT_NEAR(taken, -2 + 2 * std::log(f / 20) / std::log(50.0), 2e-4) << f;
    if (f < 20) EXPECT_NEAR(taken, -2, 2e-4) << f;
  }
  for (const auto& [text, says] :
       {std::pair{"20 0\n10 0\n", "mic.txt:2"}, {"20 0\n", "mic.txt"}, {"20 zero\n", "mic.txt"}}) {
    shell_->write("mic.txt", text);
    const Result bad = run(command + "-o no.json --microphone mic.txt");
    EXPECT_EQ(bad.status, 2) << text;
    EXPECT_THAT(bad.err, HasSubstr(says)) << text;
  }
}

// Two ways one after the other in one file, recorded in one go: each part alone is measured, and both keep its clock.
TEST_F(Measure, APartOfWhatWasSent) {
  std::vector<double> sent = noise_sent(3, 5), second = noise_sent(3, 6);
  sent.resize(sent.size() + 48000, 0.0);
  sent.insert(sent.end(), second.begin(), second.end());
  const std::vector<double> heard = recorded(driver(), paths(), sent).samples;
  write("two.wav", {sent});
  write("heard.wav", {heard});
  const double truth = 1e3 * (paths()[0].delay_s + driver().delay_s);
  std::string fingerprint;
  for (const char* part : {"--sent-seconds 3.5s", "--sent-start 3.5s"}) {
    const Result result = run(std::string("measure --sent two.wav --captured heard.wav -o part.json --json ") + part);
    ASSERT_EQ(result.status, 0) << result.err;
    const json document = json::parse(result.out);
    EXPECT_NEAR(document["arrival_ms"].get<double>(), truth, document["arrival_error_ms"].get<double>()) << part;
    const std::string recording = document["recordings"][0]["fingerprint"].get<std::string>();
    EXPECT_EQ(recording.size(), 32u);
    if (!fingerprint.empty()) EXPECT_EQ(recording, fingerprint);
    fingerprint = recording;
  }
  EXPECT_EQ(run("measure --sent two.wav --captured heard.wav -o no.json --sent-start 99s").status, 2);
}

TEST_F(Measure, KeepsWhatDroveTheWays) {
  shell_->with_rig();
  const Result result =
      run("measure --sent sent.wav --captured seat.wav --captured-channel 2 -o rig.json --rig rig.toml --json");
  ASSERT_EQ(result.status, 0) << result.err;
  const Measurement m = load_measurement(shell_->folder() / "rig.json");
  const rig::Rig rig = rig::load_rig(shell_->folder() / "rig.toml");
  const Drive drive = drive_of(rig, nullptr);
  ASSERT_TRUE(m.driven_by);
  ASSERT_EQ(m.driven_by->ways.size(), rig.ways.size());
  const CompiledRig compiled = compile(rig);
  for (std::size_t w = 0; w < rig.ways.size(); ++w) {
    const DrivenWay& way = m.driven_by->ways[w];
    EXPECT_EQ(way.name, rig.ways[w].name);
    EXPECT_NEAR(way.delay_s, rig.ways[w].delay_s, 1e-12);
    EXPECT_TRUE(same_filters(way, drive.ways[w]));
    EXPECT_FALSE(same_filters(way, drive.ways[1 - w]));
    EXPECT_NEAR(way.gain_db, compiled.outputs[w].gain_db, 1e-9);
  }
  EXPECT_EQ(run("measure --sent sent.wav --captured seat.wav --captured-channel 2 -o no.json --venue v.toml").status,
            2);
}

TEST_F(Measure, WritesATable) {
  ASSERT_EQ(run("measure --sent sent.wav --captured seat.wav --captured-channel 2 -o seat.csv --smoothing 1/6 --quiet")
                .status,
            0);
  const std::string text = read("seat.csv");
  EXPECT_TRUE(text.starts_with("frequency_hz,magnitude_db,phase_deg,coherence\n"));
  EXPECT_GT(std::count(text.begin(), text.end(), '\n'), 5000);
}

TEST_F(Measure, ThePageIsTheMeasurement) {
  const Result result =
      run("measure --sent sent.wav --captured seat.wav --captured-channel 2 -o 'a&b.json' --report page.html --json");
  ASSERT_EQ(result.status, 0) << result.err;
  EXPECT_THAT(result.err, HasSubstr("\nReport: page.html\n"));
  const json document = json::parse(result.out);
  EXPECT_EQ(document, json::parse(read("a&b.json")));  // the page adds no key
  const std::string html = read("page.html");
  EXPECT_THAT(html, HasSubstr("<h1><bdi>a&amp;b</bdi></h1>"));
  EXPECT_THAT(html, HasSubstr("Sent: <bdi>sent.wav</bdi>, channel 1, noise at 48 kHz. Captured: <bdi>seat.wav</bdi>, "
                              "channel 2. Made <span class=\"when\">20"));
  EXPECT_THAT(html, HasSubstr(fmt::format(
                        "<bdi>seat.wav</bdi></th><td class=\"figure\">{:.4f}</td><td class=\"figure\">{:.4f}</td>"
                        "<td>normal</td>",
                        document["arrival_ms"].get<double>(), document["arrival_error_ms"].get<double>())));
  const json data = report::data_of(html);
  const auto& file_hz = document["frequency_hz"];
  for (const json& hz : data["frequency"])  // the file's own, to the fifth digit
    ASSERT_TRUE(std::any_of(file_hz.begin(), file_hz.end(), [&](const json& one) {
      return std::abs(one.get<double>() / hz.get<double>() - 1) < 1e-4;
    })) << hz;
  for (const auto& one : fs::directory_iterator(shell_->folder()))
    EXPECT_NE(one.path().extension(), ".part");  // what was written beside its place is there no more
}

TEST_F(Measure, APageThatCannotBeWrittenIsRefusedBeforeTheWork) {
  const std::string seat = read("seat.wav");
  struct Case {
    const char *place, *says;
    int status;
  };
  for (const Case& c : {Case{"none/page.html", "there is no folder none", 2}, Case{".", "that is a folder", 2},
                        Case{"seat.wav", "read by this very run", 2}, Case{"./no.json", "written by this very run", 2},
                        Case{"/proc/page.html", "/proc", 3}}) {
    const Result result = run(
        std::string("measure --sent sent.wav --captured seat.wav --captured-channel 2 -o no.json --report ") + c.place);
    EXPECT_EQ(result.status, c.status) << c.place << result.err;
    EXPECT_THAT(result.err, HasSubstr(c.says));
    EXPECT_FALSE(fs::exists(shell_->folder() / "no.json")) << c.place;
  }
  EXPECT_EQ(read("seat.wav"), seat);
  // A capture that means nothing leaves neither file nor page.
  EXPECT_EQ(run("measure --sent sent.wav --captured other.wav -o no.json --report no.html").status, 2);
  EXPECT_FALSE(fs::exists(shell_->folder() / "no.html"));
}

TEST_F(Measure, RefusesWithStatusTwoAndWritesNothing) {
  struct Case {
    const char *arguments, *says;
  };
  for (const Case& c :
       {Case{"--sent sent.wav --captured seat.wav -o no.json", "silence"},
        Case{"--sent sent.wav --captured other.wav -o no.json", "other.wav: nothing in it"},
        Case{"--sent sent.wav --captured seat.wav --captured-channel 3 -o no.json", "it has 2 channels"},
        Case{"--sent sent.wav --captured gone.wav -o no.json", "gone.wav"},
        Case{"--sent sent.wav --captured other.wav -o no.txt", ".json or .csv"},
        Case{"--sent sent.wav --captured other.wav -o no.json --smoothing 1/99", "1/99"},
        Case{"--sent sent.wav --captured other.wav -o no.json --from 3s", "--from"},
        Case{"--sent sent.wav --captured other.wav -o no.json --reference-channel two",
             "--reference-channel: read two; right would be a whole number from 1 to 1024"},
        Case{"--sent sent.wav --captured other.wav -o no.json --reference-channel 0", "--reference-channel: read 0;"},
        Case{"--sent sent.wav --captured other.wav -o other.wav", "-o"}}) {
    const Result result = run(std::string("measure ") + c.arguments);
    EXPECT_EQ(result.status, 2) << c.arguments << result.err;
    EXPECT_THAT(result.err, HasSubstr(c.says)) << c.arguments;
    EXPECT_FALSE(fs::exists(shell_->folder() / "no.json")) << c.arguments;
  }
}

}  // namespace
}  // namespace rackproof
