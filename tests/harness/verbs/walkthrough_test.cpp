// Must hold: every command of README.md's walk-through runs as it stands there, from an unmeasured rig to a proven one;
// the response comes out flatter at places where nothing was measured, in the field and in two rooms; and a room thrown
// away leaves the sealed baseline as it was, to the bit. What is played and recorded is simulated: an invented box
// whose response is a formula, so that the truth is known where no microphone stood.
#include <gmock/gmock.h>
#include <sys/wait.h>

#include <cmath>
#include <fstream>
#include <map>
#include <nlohmann/json.hpp>
#include <random>
#include <regex>

#include "harness/analysis/bands.hpp"
#include "harness/analysis/response.hpp"
#include "harness/audio/writer.hpp"
#include "harness/calibration/compile.hpp"
#include "tests/harness/scratch.hpp"
#include "tests/harness/tune/rig_in_a_field.hpp"
#include "tests/sanitized.hpp"

namespace rackproof {
namespace {

using testing::Contains;
using testing::HasSubstr;
using namespace tune;

/// A cone below, a horn above and behind it; both with faults of their own.
std::vector<SimulatedDriver> box() {
  SimulatedDriver cone, horn;
  cone.from_hz = 52;
  cone.to_hz = 3500;
  cone.at = {0, 0, 1.4};
  cone.colour = {peaking(110, 4, 1.6), peaking(420, -3.5, 1.8)};
  horn.from_hz = 700;
  horn.to_hz = 17000;
  horn.at = {0, 0, 1.7};
  horn.delay_s = 0.31e-3;
  horn.colour = {peaking(2800, 4.5, 2), peaking(6500, -2.5, 2.2)};
  return {cone, horn};
}

struct Spot {
  Point3 microphone;
  const Room* room = nullptr;  ///< none: a field
  Point3 box_at{};             ///< where in the room it stands
};
const Room kHall{.size = {14, 10, 4.5}, .reflection = {0.6, 0.5, 0.6, 0.6, 0.3, 0.5}, .order = 4};
const Room kCellar{.size = {10, 7.2, 3.3}, .reflection = {0.7, 0.5, 0.65, 0.7, 0.4, 0.6}, .order = 4};
constexpr Point3 kHallStage{1.2, 3.1, 0}, kCellarStage{0.6, 3.1, 0};

std::vector<SoundPath> paths_of(const SimulatedDriver& driver, const Spot& spot) {
  Point3 source = driver.at;
  for (std::size_t axis = 0; axis < 3; ++axis) source[axis] += spot.box_at[axis];
  return spot.room != nullptr ? room_paths(*spot.room, source, spot.microphone)
                              : field_paths(source, spot.microphone, 0.0);
}

const std::map<std::string, Spot> kSpots{{"low.wav", {{3, 0, 1.55}}},
                                         {"high.wav", {{3, 0, 1.55}}},
                                         {"field-1.wav", {{3, 0, 1.55}}},
                                         {"field-2.wav", {{3.4, 0.8, 1.5}}},
                                         {"field-3.wav", {{3.2, -0.9, 1.6}}},
                                         {"seat-1.wav", {{5.0, 3.0, 1.2}, &kHall, kHallStage}},
                                         {"seat-2.wav", {{6.5, 6.1, 1.2}, &kHall, kHallStage}},
                                         {"seat-3.wav", {{8.2, 4.4, 1.3}, &kHall, kHallStage}},
                                         {"seat-4.wav", {{9.4, 7.2, 1.2}, &kHall, kHallStage}},
                                         {"chair-1.wav", {{3.1, 1.4, 1.2}, &kCellar, kCellarStage}},
                                         {"chair-2.wav", {{4.3, 3.6, 1.2}, &kCellar, kCellarStage}},
                                         {"chair-3.wav", {{5.6, 2.3, 1.3}, &kCellar, kCellarStage}},
                                         {"chair-4.wav", {{4.9, 4.4, 1.2}, &kCellar, kCellarStage}},
                                         {"chair-5.wav", {{3.4, 4.2, 1.2}, &kCellar, kCellarStage}},
                                         {"chair-6.wav", {{6.1, 1.5, 1.2}, &kCellar, kCellarStage}}};
const std::vector<Spot> kUnseenField{{{3.3, 0.4, 1.58}}, {{4.1, -0.5, 1.52}}, {{5, 0.2, 1.6}}};
/// A dozen places over the floor of a room, none of them a seat.
std::vector<Spot> over(const Room& room, const Point3& stage) {
  std::vector<Spot> spots;
  for (const double x : {0.35, 0.5, 0.62, 0.73})
    for (const double y : {0.22, 0.52, 0.77})
      spots.push_back({{x * room.size[0], (y + x / 20) * room.size[1], 1.25}, &room, stage});
  return spots;
}
const std::vector<Spot> kUnseenHall = over(kHall, kHallStage), kUnseenCellar = over(kCellar, kCellarStage);

/// How far from flat it is at these spots on the mean, by formula: the root mean square, third-octave smoothed, level
/// taken out, averaged by power over the spots.
double unflatness_db(const std::filesystem::path& rig_file, const std::filesystem::path& venue_file,
                     const std::vector<Spot>& spots, double from_hz, double to_hz) {
  const rig::Rig rig = rig::load_rig(rig_file);
  std::optional<rig::Venue> venue;
  if (!venue_file.empty()) venue = rig::load_venue(venue_file, rig);
  const CompiledRig made = compile(rig, venue ? &*venue : nullptr);
  const std::vector<SimulatedDriver> drivers = box();
  const std::vector<double> hz = analysis::log_frequencies(from_hz / 1.2, to_hz * 1.2, 96);
  std::vector<double> power(hz.size(), 0.0);
  for (const Spot& spot : spots) {
    std::vector<double> here(hz.size());
    double level = 0;
    std::vector<std::vector<SoundPath>> paths;
    for (const SimulatedDriver& driver : drivers) paths.push_back(paths_of(driver, spot));
    for (std::size_t k = 0; k < hz.size(); ++k) {
      std::complex<double> sum = 0;
      for (std::size_t d = 0; d < drivers.size(); ++d) {
        const OutputPlan& plan = made.outputs[d];
        analysis::LinearPath path(std::span<const dsp::Biquad>(plan.sections),
                                  plan.polarity * std::pow(10, plan.gain_db / 20), plan.delay_samples);
        sum += path.at(hz[k] / kRate).value * transfer(drivers[d], paths[d], hz[k], kRate);
      }
      here[k] = std::norm(sum);
      level += here[k];
    }
    for (std::size_t k = 0; k < hz.size(); ++k) power[k] += here[k] / level;
  }
  power = analysis::smooth<double>(hz, std::span<const double>(power), 3);
  double mean = 0, squares = 0, count = 0;
  for (std::size_t k = 0; k < hz.size(); ++k)
    if (hz[k] >= from_hz && hz[k] <= to_hz) {
      mean += 10 * std::log10(power[k]);
      ++count;
    }
  mean /= count;
  for (std::size_t k = 0; k < hz.size(); ++k)
    if (hz[k] >= from_hz && hz[k] <= to_hz) squares += std::pow(10 * std::log10(power[k]) - mean, 2);
  return std::sqrt(squares / count);
}

/// A few seats do not tell all of a room: what is left where nobody measured is less than this share of what was there.
constexpr double kRoomGain = 0.55;

class WalkThrough : public testing::Test {
 protected:
  /// The one block of commands under the heading, line by line.
  static std::vector<std::string> lines() {
    const std::string readme = test::bytes_of(RACKPROOF_SOURCE_DIR "/README.md");
    const std::size_t heading = readme.find("## From an unmeasured rig to a proven one"),
                      begin = readme.find("```sh\n", heading) + 6, end = readme.find("```", begin);
    std::istringstream block(readme.substr(begin, end - begin));
    std::vector<std::string> list;
    for (std::string line; std::getline(block, line);) list.push_back(line);
    return list;
  }
  void SetUp() override {
    std::filesystem::create_directory_symlink(RACKPROOF_SOURCE_DIR "/audio_fixtures", scratch_ / "audio_fixtures");
  }
  int shell(const std::string& line, std::string* told = nullptr) const {
    const std::string folder = std::filesystem::path(RACKPROOF_PROGRAM).parent_path();
    const std::string command = "set -e; cd '" + scratch_.folder().string() + "' && PATH='" + folder +
                                "':\"$PATH\" && { " + line + "\n} >told.txt 2>&1";
    const int status = std::system(command.c_str());
    if (told != nullptr) *told = test::bytes_of(scratch_ / "told.txt");
    return WIFEXITED(status) ? WEXITSTATUS(status) : 128;
  }
  /// Through the drivers that are on, to each place, with the hiss of the place, by a recorder that is started by hand and
  /// whose clock runs 30 ppm fast. On its second channel what is sent, by a cable.
  void play(const std::vector<std::string>& files, const std::vector<std::string>& recordings) const {
    const std::vector<SimulatedDriver> all = box();
    std::vector<std::vector<double>> sent;
    std::vector<SimulatedDriver> on;
    for (const std::string& file : files) {
      const test::Audio audio = test::read_audio(scratch_ / file);
      ASSERT_EQ(audio.info.channels, 1);
      sent.emplace_back(audio.interleaved.begin(), audio.interleaved.end());
      on.push_back(all[file.find("/high.") == std::string::npos ? 0 : 1]);
    }
    const test::Audio noise = test::read_audio(scratch_ / "noise.wav");
    std::vector<double> reference(noise.interleaved.begin(), noise.interleaved.end());
    SimulatedDriver cable;
    const std::vector<SoundPath> through_cable{{1e-3, 0.25}};
    std::uint32_t seed = 3;
    for (const std::string& name : recordings) {
      ASSERT_TRUE(kSpots.contains(name)) << "where is " << name << " recorded?";
      std::vector<std::vector<double>> responses;
      for (const SimulatedDriver& driver : on)
        responses.push_back(impulse_response(driver, paths_of(driver, kSpots.at(name)), 32768, kRate));
      // The hand is slower each time.
      const auto by_hand = [lead = static_cast<std::size_t>(0.31 * kRate * ++seed)](const std::vector<double>& signal) {
        std::vector<double> later(lead, 0.0);
        later.insert(later.end(), signal.begin(), signal.end());
        return later;
      };
      std::vector<std::vector<double>> played;
      for (const std::vector<double>& signal : sent) played.push_back(by_hand(signal));
      const Recorder recorder{.gain = 4, .drift_ppm = 30, .tail_frames = 24000};
      std::vector<double> heard = record(played, responses, recorder, kRate);
      const std::vector<std::vector<double>> wire{impulse_response(cable, through_cable, 32768, kRate)};
      std::vector<double> sent_again =
          record(std::vector<std::vector<double>>{by_hand(reference)}, wire, recorder, kRate);
      heard.resize(std::max(heard.size(), sent_again.size()));
      sent_again.resize(heard.size());
      std::mt19937 bits(seed);  // hiss, even over +-6e-5: some 40 dB below what is played
      for (double& x : heard) x += (static_cast<double>(bits()) / 2147483648.0 - 1) * 6e-5;
      std::vector<float> both;
      for (std::size_t n = 0; n < heard.size(); ++n) {
        both.push_back(static_cast<float>(heard[n]));
        both.push_back(static_cast<float>(sent_again[n]));
      }
      audio::Writer writer(scratch_ / name, {.channels = 2});
      writer.write(both);
      writer.keep();
    }
  }
  void play_line(const std::string& files, const std::string& recordings) const {
    const auto words = [](const std::string& text) {
      std::vector<std::string> found;
      const std::regex name(R"([\w./-]+\.wav)");
      for (std::sregex_iterator at(text.begin(), text.end(), name), end; at != end; ++at) found.push_back(at->str());
      return found;
    };
    play(words(files), words(recordings));
  }
  void tune_in(const std::string& folder, const std::string& name, const std::string& venue) const {
    ASSERT_EQ(shell("rackproof render rig.toml noise.wav -o " + folder + " --sealed"), 0);
    std::vector<std::string> recordings;
    std::string measured;
    for (const char* n : {"1", "2", "3", "4", "5", "6"}) {
      recordings.push_back(name + "-" + n + ".wav");
      measured += " " + name + "-" + n + ".json";
    }
    play({folder + "/low.main.wav", folder + "/high.main.wav"}, recordings);
    for (const char* n : {"1", "2", "3", "4", "5", "6"})
      ASSERT_EQ(shell("rackproof measure --sent noise.wav --captured " + name + "-" + n + ".wav -o " + name + "-" + n +
                      ".json"),
                0);
    ASSERT_EQ(shell("rackproof flatten" + measured + " --rig rig.toml --to 500 --into " + venue), 0);
  }
  double unflat(const char* venue, const std::vector<Spot>& spots, double from_hz, double to_hz) const {
    return unflatness_db(scratch_ / "rig.toml", *venue == 0 ? std::filesystem::path() : scratch_ / venue, spots,
                         from_hz, to_hz);
  }

  test::Scratch scratch_;
};

TEST_F(WalkThrough, RunsAsItStandsAndHoldsWhereNothingWasMeasured) {
  const std::regex playing(R"(# play (.*): record (.*))");
  std::string sealed_rig, seal, baseline;
  double unmeasured_db = 0;
  std::size_t commands = 0;
  for (const std::string& line : lines()) {
    SCOPED_TRACE(line);
    std::smatch match;
    if (std::regex_match(line, match, playing)) {
      ASSERT_NO_FATAL_FAILURE(play_line(match[1], match[2]));
      continue;
    }
    if (line.empty() || line[0] == '#') continue;
    if (line.starts_with("rm ")) {  // the room stands for the last time
      const double before = unflat("", kUnseenHall, 60, 500), after = unflat("tonight.toml", kUnseenHall, 60, 500);
      std::cout << "hall, unseen: " << before << " dB before, " << after << " dB after\n";
      EXPECT_LT(after, kRoomGain * before);
    }
    std::string told;
    ASSERT_EQ(shell(line, &told), 0) << told;
    ++commands;
    if (line.starts_with("rackproof align")) unmeasured_db = unflat("", kUnseenField, 80, 12000);
    if (line.starts_with("rackproof seal")) {
      ASSERT_EQ(shell("rackproof render rig.toml noise.wav -o baseline"), 0);
      sealed_rig = test::bytes_of(scratch_ / "rig.toml");
      seal = test::bytes_of(scratch_ / "rig.seal");
    }
  }
  EXPECT_EQ(commands, 18u);

  // The field, at places that no microphone saw: the drivers' faults of 4 dB are gone.
  const double flat_db = unflat("", kUnseenField, 80, 12000);
  std::cout << "field, unseen: " << unmeasured_db << " dB before, " << flat_db << " dB after\n";
  EXPECT_GT(unmeasured_db, 1.5);
  EXPECT_LT(flat_db, 0.3);

  if (test::kSanitized) return;  // the same commands once more

  // Another night, another room, another file.
  ASSERT_NO_FATAL_FAILURE(tune_in("cellar", "chair", "cellar.toml"));
  const double before = unflat("", kUnseenCellar, 60, 500), after = unflat("cellar.toml", kUnseenCellar, 60, 500);
  std::cout << "cellar, unseen: " << before << " dB before, " << after << " dB after\n";
  EXPECT_LT(after, kRoomGain * before);
  ASSERT_EQ(shell("rackproof render rig.toml noise.wav -o with-room --venue cellar.toml --sealed"), 0);
  EXPECT_NE(test::bytes_of(scratch_ / "with-room/low.main.wav"), test::bytes_of(scratch_ / "baseline/low.main.wav"));

  // Dropped: the baseline is what it was when it was sealed, to the bit.
  std::filesystem::remove(scratch_ / "cellar.toml");
  ASSERT_EQ(shell("rackproof render rig.toml noise.wav -o after --sealed"), 0);
  for (const char* name : {"low.main.wav", "high.main.wav"})
    EXPECT_EQ(test::bytes_of(scratch_ / "after" / name), test::bytes_of(scratch_ / "baseline" / name)) << name;
  EXPECT_EQ(test::bytes_of(scratch_ / "rig.toml"), sealed_rig);
  EXPECT_EQ(test::bytes_of(scratch_ / "rig.seal"), seal);
  EXPECT_EQ(shell("rackproof drift rig.toml"), 0);
  // The person's comments stand where they stood.
  EXPECT_THAT(sealed_rig, HasSubstr("# room for what the eq will boost"));
  // The horn's own way, a third of a millisecond, was found, less what the cone's own roll-off holds it back.
  const rig::Rig rig = rig::load_rig(scratch_ / "rig.toml");
  EXPECT_GT(rig.ways[0].delay_s, 0.1e-3);
  EXPECT_EQ(rig.ways[1].delay_s, 0.0);
}

// `rackproof --help` tells the same way in short: none of its steps is missing in the long one.
TEST_F(WalkThrough, IsInTheHelpToo) {
  std::string help;
  ASSERT_EQ(shell("rackproof --help", &help), 0);
  const std::size_t heading = help.find("From an unmeasured rig to a proven one");
  ASSERT_NE(heading, std::string::npos);
  std::string all;
  for (const std::string& line : lines()) all += line + "\n";
  const std::regex step(R"(rackproof (\w+))");
  const std::string steps = help.substr(heading);
  std::size_t found = 0;
  for (std::sregex_iterator at(steps.begin(), steps.end(), step), end; at != end; ++at, ++found)
    EXPECT_THAT(all, HasSubstr(at->str()));
  EXPECT_GE(found, 9u);
}

}  // namespace
}  // namespace rackproof
