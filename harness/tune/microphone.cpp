#include "harness/tune/microphone.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>

#include "harness/files/plain_file.hpp"
#include "harness/rig/number_table.hpp"

namespace rackproof::tune {
namespace {
// A microphone that is 60 dB off is none; 1e5 Hz is beyond what any is calibrated for.
constexpr std::array kColumns{
    rig::NumberColumn{"frequency_hz", 1, 1e5, "a frequency from 1 to 100000 Hz, ascending", true},
    rig::NumberColumn{"level_db", -60, 60, "a level in dB, from -60 to 60"}};
constexpr double kReach = 1.26;  // a third of an octave
}  // namespace

double MicrophoneCurve::level_at(double hz) const {
  if (hz <= frequency_hz.front()) return level_db.front();
  if (hz >= frequency_hz.back()) return level_db.back();
  const auto above = std::ranges::upper_bound(frequency_hz, hz);
  const auto j = static_cast<std::size_t>(above - frequency_hz.begin()), i = j - 1;
  const double share = std::log(hz / frequency_hz[i]) / std::log(frequency_hz[j] / frequency_hz[i]);
  return level_db[i] + share * (level_db[j] - level_db[i]);
}

MicrophoneCurve parse_microphone(const std::string& text, const std::filesystem::path& file) {
  rig::NumberTable table = rig::parse_number_table(text, file, kColumns, rig::TableHead::optional, 2);
  return {file, std::move(table.columns[0]), std::move(table.columns[1])};
}

MicrophoneCurve load_microphone(const std::filesystem::path& file) {
  return parse_microphone(
      files::read_plain_file(file, {rig::kMaxTableBytes, "a microphone's curve", "lines of frequency_hz and level_db"}),
      file);
}

void take_out(const MicrophoneCurve& curve, Measurement& m) {
  const auto take = [&](std::vector<double>& magnitude_db) {
    for (std::size_t i = 0; i < magnitude_db.size(); ++i) magnitude_db[i] -= curve.level_at(m.frequency_hz[i]);
  };
  take(m.magnitude_db);
  for (Capture& one : m.each) take(one.magnitude_db);
  m.microphone = curve.file.string();
  if (m.frequency_hz.front() * kReach < curve.frequency_hz.front() ||
      m.frequency_hz.back() > kReach * curve.frequency_hz.back())
    m.warnings.push_back(
        {"microphone-range",
         fmt::format("{}: reaches from {:g} to {:g} Hz, the measurement from {:.0f} to {:.0f} Hz; beyond the file its "
                     "first and last level are held",
                     curve.file.string(), curve.frequency_hz.front(), curve.frequency_hz.back(), m.frequency_hz.front(),
                     m.frequency_hz.back())});
}

}  // namespace rackproof::tune
