#include "harness/proof/way_response.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <fstream>
#include <iterator>
#include <numbers>
#include <string_view>

#include <fmt/format.h>

#include "harness/analysis/decibels.hpp"
#include "harness/proof/impulse_response.hpp"
#include "harness/rig/faults.hpp"

namespace rackproof::proof {
namespace {

constexpr std::array<std::string_view, 3> kColumns = {"frequency_hz", "magnitude_db", "phase_deg"};

std::string_view trimmed(std::string_view text) {
  constexpr std::string_view kBlank = " \t\r";
  const std::size_t from = text.find_first_not_of(kBlank);
  return from == text.npos ? std::string_view() : text.substr(from, text.find_last_not_of(kBlank) - from + 1);
}
std::vector<std::string_view> split(std::string_view line, char at) {
  std::vector<std::string_view> parts;
  for (std::size_t from = 0; from <= line.size();) {
    const std::size_t to = std::min(line.find(at, from), line.size());
    parts.push_back(trimmed(line.substr(from, to - from)));
    from = to + 1;
  }
  return parts;
}

class Reader {
 public:
  explicit Reader(const std::filesystem::path& file) : file_(file) {}

  WayResponse read(std::string_view text) {
    if (text.starts_with("\xEF\xBB\xBF")) text.remove_prefix(3);  // some spreadsheets write a byte order mark
    for (const std::string_view line : split(text, '\n')) {
      ++line_;
      if (line.empty() || line.front() == '#') continue;
      const std::vector<std::string_view> cells = split(line, ',');
      if (places_.empty())
        head(cells);
      else
        row(cells);
    }
    if (values_[0].size() < 2)
      refuse("", fmt::format("{} lines of numbers", values_[0].size()),
             "a first line frequency_hz,magnitude_db,phase_deg and at least two lines of numbers");
    return {values_[0], values_[1], values_[2]};
  }

 private:
  [[noreturn]] void refuse(std::string_view column, const std::string& was, const std::string& right) const {
    throw InputError(
        fmt::format("{}:{}: {}{}read {}; {}", file_.string(), line_, column, column.empty() ? "" : ": ", was, right));
  }
  void head(const std::vector<std::string_view>& cells) {
    for (const std::string_view column : kColumns) {
      const auto found = std::ranges::find(cells, column);
      if (found == cells.end())
        refuse(column, fmt::format("a first line without {}", column),
               "the first line names the columns: frequency_hz,magnitude_db,phase_deg");
      places_.push_back(static_cast<std::size_t>(found - cells.begin()));
    }
  }
  void row(const std::vector<std::string_view>& cells) {
    for (std::size_t c = 0; c < kColumns.size(); ++c) {
      if (places_[c] >= cells.size())
        refuse(kColumns[c], fmt::format("a line of {} values", cells.size()),
               fmt::format("a value in column {}, with points as decimal marks and commas between values",
                           places_[c] + 1));
      values_[c].push_back(number(kColumns[c], cells[places_[c]]));
    }
    const std::vector<double>& hz = values_[0];
    if (hz.back() <= 0) refuse(kColumns[0], fmt::format("{:g}", hz.back()), "a frequency above 0 Hz");
    if (hz.size() > 1 && hz.back() <= hz[hz.size() - 2])
      refuse(kColumns[0], fmt::format("{:g} after {:g}", hz.back(), hz[hz.size() - 2]), "frequencies that ascend");
    if (std::abs(values_[1].back()) > 400)
      refuse(kColumns[1], fmt::format("{:g}", values_[1].back()), "a level in dB, within -400 and 400");
  }
  double number(std::string_view column, std::string_view cell) const {
    const std::string_view digits = cell.starts_with('+') ? cell.substr(1) : cell;
    double value = 0;
    const auto [end, error] = std::from_chars(digits.data(), digits.data() + digits.size(), value);
    if (error != std::errc() || end != digits.data() + digits.size() || !std::isfinite(value))
      refuse(column, fmt::format("\"{}\"", rig::excerpt(cell)), "a finite number, with a point as decimal mark");
    return value;
  }

  const std::filesystem::path& file_;
  std::size_t line_ = 0;
  std::vector<std::size_t> places_;  ///< of kColumns, in the file's columns
  std::array<std::vector<double>, kColumns.size()> values_;
};

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
  return Reader(file).read(text);
}

WayResponse read_way_response(const std::filesystem::path& file) {
  constexpr std::size_t kMost = 16 << 20;  // 48 points an octave over ten octaves are some 20 kB
  std::ifstream in(file, std::ios::binary);
  if (!in) throw MachineError(fmt::format("{}: cannot be opened for reading", file.string()));
  std::string text(kMost + 1, '\0');
  in.read(text.data(), static_cast<std::streamsize>(text.size()));
  if (in.bad()) throw MachineError(fmt::format("{}: cannot be read", file.string()));
  text.resize(static_cast<std::size_t>(in.gcount()));
  if (text.size() > kMost)
    throw InputError(fmt::format("{}: read more than 16 MB; a response is a small table", file.string()));
  return parse_way_response(text, file);
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
