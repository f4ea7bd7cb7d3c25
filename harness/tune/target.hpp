#pragma once
/// What a response should be: a curve in decibels over frequency, of which only the shape counts.
#include <filesystem>
#include <string>
#include <utility>
#include <vector>

namespace rackproof::tune {

struct Target {
  std::string name = "flat";
  std::vector<std::pair<double, double>> points;  ///< [Hz], [dB]; ascending; none: flat
  double tilt_db_per_oct = 0;                     ///< on top, 0 dB at 1 kHz
  /// Straight between points over log frequency, level beyond them.
  double level_db(double frequency_hz) const;
};

/// `flat`, or the name of a CSV file with `frequency_hz,level_db` in each line; a first line of words is its head, `#`
/// begins a remark. Throws InputError with file, line, what was read and what would be right.
Target load_target(const std::string& flat_or_file);
Target parse_target(const std::string& text, const std::filesystem::path& file);

}  // namespace rackproof::tune
