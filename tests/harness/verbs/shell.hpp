#pragma once
/// Command lines of the program in a folder that goes with the test.
#include <sys/wait.h>

#include <cmath>
#include <cstdlib>
#include <nlohmann/json.hpp>
#include <random>
#include <string>

#include "tests/harness/scratch.hpp"

namespace rackproof::test {

struct Result {
  int status = -1;
  std::string out, err;
};

/// What README.md shows below a command line, as far as it shows it; nothing where it has no such line.
inline std::string shown_in_readme(const std::string& command) {
  const std::string readme = bytes_of(RACKPROOF_SOURCE_DIR "/README.md");
  const std::size_t at = readme.find("\n" + command + "\n");
  if (at == std::string::npos) return {};
  const std::size_t from = at + command.size() + 2;
  const std::string shown = readme.substr(from, readme.find("```", from) - from);
  return shown.ends_with("\n...\n") ? shown.substr(0, shown.size() - 4) : shown;
}

/// $R is the program, and the folder is the working one.
class Shell {
 public:
  Result run(const std::string& line) const {
    const std::string command = "cd '" + scratch_.folder().string() +
                                "' && COLUMNS=400 && R='" RACKPROOF_PROGRAM "' && export COLUMNS R && { " + line +
                                "\n} >.out 2>.err";
    const int status = std::system(command.c_str());
    return {WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status), bytes_of(scratch_ / ".out"),
            bytes_of(scratch_ / ".err")};
  }
  const std::filesystem::path& folder() const { return scratch_.folder(); }
  std::filesystem::path operator/(const std::string& name) const { return scratch_ / name; }
  std::string read(const std::string& name) const { return bytes_of(scratch_ / name); }
  void write(const std::string& name, const std::string& text) const { put(scratch_ / name, text); }
  /// All that is there, but for what `run` itself makes.
  std::set<std::string> names() const {
    std::set<std::string> names = scratch_.names();
    names.erase(".out");
    names.erase(".err");
    return names;
  }

  /// rig.toml: two ways, two feeds.
  void with_rig() const { write("rig.toml", bytes_of(RACKPROOF_SOURCE_DIR "/audio_fixtures/two-way-top.toml")); }
  /// one.toml: a way alone, soon proven.
  void with_small_rig() const {
    write("one.toml", R"(format = 1
title = "one way"
[controller]
sample_rate = "48 kHz"
output_full_scale = "+18 dBu"
[feeds]
main = 1
[amplifier.small]
ratings = [ { power = "500 W", load = "8 ohm" } ]
gain = "32 dB"
[driver.cone]
impedance = "8 ohm"
continuous_power = "200 W"
[[way]]
name = "full"
amplifier = "small"
driver = "cone"
highpass = { at = "60 Hz", alignment = "butterworth", slope = "24 dB/oct" }
limit = { below_clip = "2 dB", look_ahead = "0.5 ms" }
thermal = { below_rating = "1 dB" }
)");
  }
  /// in.wav: two channels of noise, a second.
  void with_recording() const {
    write_audio(scratch_ / "in.wav", SF_FORMAT_WAV | SF_FORMAT_FLOAT, 2, 48000, noise(2 * 48000, 5));
  }
  /// low.json and high.json: two ways of 24 dB/oct around 1.6 kHz with phase, one 0.2 ms behind the other.
  void with_measurements() const {
    for (const auto& [name, arrival_ms] : {std::pair{"low.json", 10.0}, {"high.json", 10.2}}) {
      nlohmann::json m{{"sample_rate_hz", 48000}, {"captures", 1}, {"arrival_ms", arrival_ms}};
      for (double hz = 20; hz < 20000; hz *= 1.03) {
        m["frequency_hz"].push_back(hz);
        const double ratio = arrival_ms > 10.1 ? 1600 / hz : hz / 1600;
        m["magnitude_db"].push_back(-30 + (hz > 500 && hz < 900 ? 4.0 : 0.0) - 20 * std::log10(1 + std::pow(ratio, 4)));
        m["phase_deg"].push_back(0);
        m["coherence"].push_back(0.97);
      }
      write(name, m.dump());
    }
  }

 private:
  Scratch scratch_;
};

}  // namespace rackproof::test
