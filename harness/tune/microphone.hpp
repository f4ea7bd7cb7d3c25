#pragma once
/// A measuring microphone's own response, as it comes with the microphone: what is taken out of a measurement.
#include <filesystem>
#include <string>
#include <vector>

#include "harness/tune/measurement.hpp"

namespace rackproof::tune {

struct MicrophoneCurve {
  std::filesystem::path file;
  std::vector<double> frequency_hz;  ///< ascending
  std::vector<double> level_db;      ///< above 0 where the microphone reads too much
  /// Even in log frequency between its lines; beyond its ends the last level is held.
  double level_at(double frequency_hz) const;
};
/// Lines of frequency and level, as rig/number_table.hpp reads them. Throws InputError with file and line.
MicrophoneCurve load_microphone(const std::filesystem::path& file);
MicrophoneCurve parse_microphone(const std::string& text, const std::filesystem::path& file);

/// Takes the curve out of the levels of `measurement` and of each of its captures, and warns where it does not reach.
void take_out(const MicrophoneCurve& curve, Measurement& measurement);

}  // namespace rackproof::tune
