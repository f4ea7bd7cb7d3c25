#include "harness/proof/way_response.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <utility>

#include <fmt/format.h>

#include "harness/analysis/decibels.hpp"
#include "harness/files/plain_file.hpp"
#include "harness/proof/impulse_response.hpp"
#include "harness/rig/number_table.hpp"

namespace rackproof::proof {
namespace {

constexpr std::array kColumns{
    rig::NumberColumn{"frequency_hz", 1e-3, 1e6, "a frequency in Hz, above 0 and ascending", true},
    rig::NumberColumn{"magnitude_db", -400, 400, "a level in dB, within -400 and 400"},
    rig::NumberColumn{"phase_deg", -1e9, 1e9, "a phase in degrees"}};

/// A file that ends short of where its way meets another would have its end taken for a measurement.
void must_reach(const rig::Rig& rig, std::size_t w, const WayResponse& response) {
  const auto reach = [&](double hz, const std::string& other) {
    if (hz >= response.from_hz() && hz <= response.to_hz()) return;
    rig::refuse(rig.ways[w].response_source,
                fmt::format("a file from {} to {}", hertz_text(response.from_hz()), hertz_text(response.to_hz())),
                fmt::format("a response that reaches {}, where way {} meets {}, and better an octave beyond",
                            hertz_text(hz), rig.ways[w].name, other));
  };
  if (w > 0) reach(rig.points[w - 1].high.at_hz, rig.ways[w - 1].name);
  if (w + 1 < rig.ways.size()) reach(rig.points[w].low.at_hz, rig.ways[w + 1].name);
}

}  // namespace

WayResponse::WayResponse(std::vector<double> frequency_hz, std::vector<double> magnitude_db,
                         const std::vector<double>& phase_deg)
    : frequency_hz_(std::move(frequency_hz)), magnitude_db_(std::move(magnitude_db)) {
  for (const double degrees : phase_deg) {
    const double before = phase_rad_.empty() ? 0 : phase_rad_.back();
    const double phase = degrees * std::numbers::pi / 180;
    phase_rad_.push_back(phase_rad_.empty() ? phase : before + std::remainder(phase - before, 2 * std::numbers::pi));
  }
}

std::complex<double> WayResponse::at(double frequency_hz) const {
  const double hz = std::clamp(frequency_hz, from_hz(), to_hz());
  const auto above = std::ranges::lower_bound(frequency_hz_, hz);
  const auto i = static_cast<std::size_t>(above - frequency_hz_.begin());
  const std::size_t left = i == 0 ? 0 : i - 1;
  const double share =
      i == 0 ? 0.0 : std::log(hz / frequency_hz_[left]) / std::log(frequency_hz_[i] / frequency_hz_[left]);
  const auto between = [&](const std::vector<double>& y) { return y[left] + share * (y[i] - y[left]); };
  return std::polar(analysis::ratio_from_db(between(magnitude_db_)), between(phase_rad_));
}

WayResponse parse_way_response(const std::string& text, const std::filesystem::path& file) {
  rig::NumberTable table = rig::parse_number_table(text, file, kColumns, rig::TableHead::required, 2);
  return {std::move(table.columns[0]), std::move(table.columns[1]), table.columns[2]};
}

WayResponse read_way_response(const std::filesystem::path& file) {
  return parse_way_response(files::read_plain_file(file, {rig::kMaxTableBytes, "a response"}), file);
}

std::optional<std::vector<WayResponse>> way_responses(const rig::Rig& rig) {
  std::vector<WayResponse> all;
  for (std::size_t w = 0; w < rig.ways.size(); ++w) {
    if (!rig.ways[w].response) continue;
    all.push_back(read_way_response(*rig.ways[w].response));
    must_reach(rig, w, all.back());
  }
  if (all.size() < rig.ways.size()) return std::nullopt;
  return all;
}

}  // namespace rackproof::proof
