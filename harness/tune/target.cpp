#include "harness/tune/target.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <charconv>
#include <cmath>
#include <string_view>

#include "harness/rig/document.hpp"
#include "harness/rig/faults.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof::tune {
namespace {

std::string_view trimmed(std::string_view text) {
  constexpr std::string_view kBlank = " \t\r\xef\xbb\xbf";
  const std::size_t first = text.find_first_not_of(kBlank);
  if (first == std::string_view::npos) return {};
  return text.substr(first, text.find_last_not_of(kBlank) - first + 1);
}

bool reads_as(std::string_view text, double& value) {
  text = trimmed(text);
  if (text.starts_with('+')) text.remove_prefix(1);
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
  return error == std::errc() && end == text.data() + text.size() && std::isfinite(value);
}

}  // namespace

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
  Target target;
  target.name = file.string();
  std::size_t number = 0;
  bool first = true;
  for (std::size_t at = 0; at < text.size();) {
    const std::size_t end = std::min(text.find('\n', at), text.size());
    ++number;
    std::string_view line(text.data() + at, end - at);
    line = trimmed(line.substr(0, line.find('#')));
    at = end + 1;
    if (line.empty()) continue;
    const std::size_t comma = line.find_first_of(",;\t");
    double hz = 0, db = 0;
    const bool two = comma != std::string_view::npos;
    const bool read = two && reads_as(line.substr(0, comma), hz) && reads_as(line.substr(comma + 1), db);
    const bool head = first && two && !reads_as(line.substr(0, comma), hz);
    first = false;
    if (head) continue;
    const double before = target.points.empty() ? 0 : target.points.back().first;
    if (!read || !(hz > before) || std::abs(db) > 60)
      throw InputError(fmt::format(
          "{}:{}: read {}; right would be a frequency in Hz{} and a level in dB within +-60, as in 1000,-1.5",
          file.string(), number, rig::excerpt(line), before > 0 ? fmt::format(" above {:g}", before) : ""));
    target.points.emplace_back(hz, db);
  }
  if (target.points.size() < 2)
    throw InputError(fmt::format("{}: read {} points; right would be two or more lines of frequency_hz,level_db",
                                 file.string(), target.points.size()));
  return target;
}

Target load_target(const std::string& flat_or_file) {
  return flat_or_file == "flat" ? Target{} : parse_target(rig::read_text(flat_or_file), flat_or_file);
}

}  // namespace rackproof::tune
