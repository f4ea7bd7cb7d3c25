#pragma once
/// What a way's box does on its axis, as someone measured it: the CSV file that `response` names.
/// The first line names the columns: frequency_hz, magnitude_db and phase_deg, in any order, others beside them are
/// passed over; then a line a frequency, ascending (rig/number_table.hpp has the rest of the format). Phases of
/// all ways refer to one time zero (the drivers measured from one place, with the rig's processing out), or the sum of
/// them means nothing.
#include <complex>
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "harness/rig/rig.hpp"

namespace rackproof::proof {

/// Between its points even in log frequency: level in dB, phase unwrapped by the nearest turn from point to point.
/// Beyond its ends the last level and phase are held: there a way's filters decide.
class WayResponse {
 public:
  WayResponse(std::vector<double> frequency_hz, std::vector<double> magnitude_db, const std::vector<double>& phase_deg);
  std::complex<double> at(double frequency_hz) const;
  double from_hz() const { return frequency_hz_.front(); }
  double to_hz() const { return frequency_hz_.back(); }

 private:
  std::vector<double> frequency_hz_, magnitude_db_, phase_rad_;
};

/// Throws InputError that names file, line and what is right, MachineError for a file that cannot be read.
WayResponse read_way_response(const std::filesystem::path& file);
/// The same from text.
WayResponse parse_way_response(const std::string& text, const std::filesystem::path& file);

/// One a way, where all ways name one; else nothing. Every file that is named is read, and must reach the points where
/// its way meets another. Throws InputError, MachineError.
std::optional<std::vector<WayResponse>> way_responses(const rig::Rig& rig);

}  // namespace rackproof::proof
