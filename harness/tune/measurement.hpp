#pragma once
/// What `measure` found out at one place, or averaged over several: the way from what was sent to a microphone, as
/// `measure` writes it and as `flatten` and `align` read it back.
#include <filesystem>
#include <string>
#include <vector>

namespace rackproof::tune {

struct Measurement {
  std::filesystem::path file;  ///< where it was read from; only named in texts
  double sample_rate_hz = 48000;
  std::size_t captures = 1;
  double arrival_ms = 0;  ///< captured after sent, direct sound
  int polarity = 1;
  double drift_ppm = 0;
  std::vector<double> frequency_hz;  ///< above 0, ascending
  std::vector<double> magnitude_db;
  std::vector<double> phase_deg;  ///< arrival taken out
  std::vector<double> coherence;  ///< 0 .. 1
  std::string smoothing = "none";
  std::vector<std::string> warnings;
};

/// Reads what `measure` wrote as JSON. Phase may be missing (empty then); so may coherence, which is then 1 everywhere.
/// Throws InputError, with the file, the key, what was read and what would be right; MachineError where it cannot be
/// read.
Measurement load_measurement(const std::filesystem::path& file);
Measurement parse_measurement(const std::string& text, const std::filesystem::path& file);

}  // namespace rackproof::tune
