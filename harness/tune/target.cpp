#include "harness/tune/target.hpp"

#include <algorithm>
#include <array>
#include <cmath>

#include "harness/files/plain_file.hpp"
#include "harness/rig/number_table.hpp"

namespace rackproof::tune {

double Target::level_db(double frequency_hz) const {
  const double tilt_db = tilt_db_per_oct * std::log2(frequency_hz / 1000);
  if (points.empty()) return tilt_db;
  const auto above = std::lower_bound(points.begin(), points.end(), frequency_hz,
                                      [](const auto& point, double hz) { return point.first < hz; });
  if (above == points.begin()) return tilt_db + points.front().second;
  if (above == points.end()) return tilt_db + points.back().second;
  const auto& [low_hz, low_db] = *(above - 1);
  const auto& [high_hz, high_db] = *above;
  return tilt_db + low_db + (high_db - low_db) * std::log(frequency_hz / low_hz) / std::log(high_hz / low_hz);
}

Target parse_target(const std::string& text, const std::filesystem::path& file) {
  constexpr std::array kColumns{
      rig::NumberColumn{"frequency_hz", 1e-3, 1e6, "a frequency in Hz, above 0 and ascending, as in 1000,-1.5", true},
      rig::NumberColumn{"level_db", -60, 60, "a level in dB within +-60, as in 1000,-1.5"}};
  const rig::NumberTable table = rig::parse_number_table(text, file, kColumns, rig::TableHead::optional, 2);
  Target target;
  target.name = file.string();
  for (std::size_t i = 0; i < table.rows(); ++i) target.points.emplace_back(table.columns[0][i], table.columns[1][i]);
  return target;
}

Target load_target(const std::string& flat_or_file) {
  if (flat_or_file == "flat") return {};
  return parse_target(files::read_plain_file(flat_or_file, {rig::kMaxTableBytes, "a target, flat or a table,"}),
                      flat_or_file);
}

}  // namespace rackproof::tune
