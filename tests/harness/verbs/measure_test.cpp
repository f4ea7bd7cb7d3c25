// Must hold: from files to files, `measure` writes the promised keys with the truth of a simulated rig in them and a
// page of the same, and refuses what means nothing with status 2 and nothing written.
#include <fmt/format.h>
#include <gmock/gmock.h>

#include <filesystem>
#include <memory>
#include <nlohmann/json.hpp>

#include "harness/audio/writer.hpp"
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
    recorder.drift_ppm = 50, recorder.noise_rms = 1e-4;
    const std::vector<double> heard = recorded(driver(), paths(), sent, recorder).samples;
    write("seat.wav", {std::vector<double>(heard.size(), 0.0), heard});
    write("other.wav", {noise_sent(4, 99)});
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
  EXPECT_THAT(html, HasSubstr(fmt::format("<bdi>seat.wav</bdi></th><td class=\"figure\">{:.4f}</td><td>normal</td>",
                                          document["arrival_ms"].get<double>())));
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
        Case{"--sent sent.wav --captured other.wav -o other.wav", "-o"}}) {
    const Result result = run(std::string("measure ") + c.arguments);
    EXPECT_EQ(result.status, 2) << c.arguments << result.err;
    EXPECT_THAT(result.err, HasSubstr(c.says)) << c.arguments;
    EXPECT_FALSE(fs::exists(shell_->folder() / "no.json")) << c.arguments;
  }
}

}  // namespace
}  // namespace rackproof
