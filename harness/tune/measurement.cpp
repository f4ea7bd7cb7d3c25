#include "harness/tune/measurement.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <cmath>
#include <cstring>
#include <fstream>
#include <nlohmann/json.hpp>
#include <numbers>

#include "harness/analysis/bands.hpp"
#include "harness/analysis/decibels.hpp"
#include "harness/rig/faults.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof::tune {
namespace {

using Json = nlohmann::ordered_json;
constexpr std::size_t kMostBytes = std::size_t{1} << 27;
constexpr double kTurn = 2.0 * std::numbers::pi;

double rounded(double x, double steps) { return std::round(x * steps) / steps; }
Json rounded(const std::vector<double>& values, double steps) {
  Json list = Json::array();
  for (const double x : values) list.push_back(rounded(x, steps));
  return list;
}

class MeasurementReader {
 public:
  MeasurementReader(const Json& root, const std::filesystem::path& file) : root_(root), file_(file) {}

  Measurement read() const {
    Measurement m;
    m.file = file_;
    m.sample_rate_hz = number("sample_rate_hz", m.sample_rate_hz);
    m.captures = static_cast<std::size_t>(std::max(0.0, number("captures", 1)));
    m.arrival_ms = number("arrival_ms", 0);
    m.polarity = number("polarity", 1) < 0 ? -1 : 1;
    m.drift_ppm = number("drift_ppm", 0);
    m.frequency_hz = list("frequency_hz", 0);
    const std::size_t count = m.frequency_hz.size();
    if (count < 2) fault("frequency_hz", fmt::format("{} frequencies", count), "two at least");
    for (std::size_t i = 0; i < count; ++i)
      if (!(m.frequency_hz[i] > (i == 0 ? 0.0 : m.frequency_hz[i - 1])))
        fault(fmt::format("frequency_hz[{}]", i), fmt::format("{:g} Hz", m.frequency_hz[i]),
              "frequencies above 0 Hz that ascend");
    m.magnitude_db = list("magnitude_db", count);
    if (root_.contains("phase_deg")) m.phase_deg = list("phase_deg", count);
    m.coherence = root_.contains("coherence") ? list("coherence", count) : std::vector<double>(count, 1.0);
    for (std::size_t i = 0; i < count; ++i)
      if (!(m.coherence[i] >= 0 && m.coherence[i] <= 1))
        fault(fmt::format("coherence[{}]", i), fmt::format("{:g}", m.coherence[i]), "0 to 1");
    m.smoothing = text(root_, "smoothing", "none");
    m.kind = text(root_, "kind", "");
    if (const auto warnings = root_.find("warnings"); warnings != root_.end() && warnings->is_array())
      for (const Json& one : *warnings)
        m.warnings.push_back(one.is_string() ? Warning{"", one.get<std::string>()}
                                             : Warning{text(one, "code", ""), text(one, "text", "")});
    return m;
  }

 private:
  [[noreturn]] void fault(const std::string& key, const std::string& read, const std::string& right) const {
    throw InputError(fmt::format("{}: {}: read {}; {}", file_.string(), key, read, right));
  }
  static std::string text(const Json& of, const char* key, const std::string& otherwise) {
    const auto found = of.find(key);
    return of.is_object() && found != of.end() && found->is_string() ? found->get<std::string>() : otherwise;
  }
  double number(const char* key, double otherwise) const {
    const auto found = root_.find(key);
    if (found == root_.end()) return otherwise;
    if (!found->is_number()) fault(key, rig::excerpt(found->dump()), "a number is wanted here");
    return found->get<double>();
  }
  /// `count` numbers; 0: any count.
  std::vector<double> list(const char* key, std::size_t count) const {
    const auto found = root_.find(key);
    if (found == root_.end())
      fault(key, "no such key", "a list of numbers, as 'rackproof measure -o FILE.json' writes it");
    if (!found->is_array()) fault(key, rig::excerpt(found->dump()), "a list of numbers is wanted here");
    if (count != 0 && found->size() != count)
      fault(key, fmt::format("{} numbers", found->size()), fmt::format("{}: one for every frequency", count));
    std::vector<double> values;
    for (std::size_t i = 0; i < found->size(); ++i) {
      if (!(*found)[i].is_number() || !std::isfinite((*found)[i].get<double>()))
        fault(fmt::format("{}[{}]", key, i), rig::excerpt((*found)[i].dump()), "a number is wanted here");
      values.push_back((*found)[i].get<double>());
    }
    return values;
  }

  const Json& root_;
  const std::filesystem::path& file_;
};

}  // namespace

std::complex<double> Measurement::whole_way(std::size_t index) const {
  const double turns = phase_deg[index] / 360.0 - frequency_hz[index] * arrival_ms * 1e-3;
  return std::polar(analysis::ratio_from_db(magnitude_db[index]), kTurn * (turns - std::round(turns)));
}

Measurement parse_measurement(const std::string& text, const std::filesystem::path& file) {
  Json root;
  try {
    root = Json::parse(text);
  } catch (const Json::parse_error& error) {
    throw InputError(
        fmt::format("{}: read a file that is not whole JSON (near byte {}); a measurement as "
                    "'rackproof measure -o FILE.json' writes it is wanted here",
                    file.string(), error.byte));
  }
  if (!root.is_object())
    throw InputError(fmt::format("{}: read JSON that is no measurement; 'rackproof measure -o FILE.json' writes one",
                                 file.string()));
  return MeasurementReader(root, file).read();
}

Measurement load_measurement(const std::filesystem::path& file) {
  std::error_code error;
  const auto status = std::filesystem::status(file, error);
  if (status.type() == std::filesystem::file_type::not_found)
    throw InputError(
        fmt::format("{}: there is no such file; 'rackproof measure -o FILE.json' writes one", file.string()));
  if (std::filesystem::is_directory(status))
    throw InputError(fmt::format("{}: this is a folder; the name of a measurement is wanted", file.string()));
  std::ifstream in(file, std::ios::binary);
  std::string text;
  if (in) {
    text.resize(kMostBytes + 1);
    in.read(text.data(), static_cast<std::streamsize>(text.size()));
  }
  if (!in.is_open() || in.bad())
    throw MachineError(fmt::format("{}: cannot be read: {}", file.string(), std::strerror(errno)));
  text.resize(static_cast<std::size_t>(in.gcount()));
  if (text.size() > kMostBytes)
    throw InputError(fmt::format("{}: read more than {} MB; no measurement is as large: is this the right file?",
                                 file.string(), kMostBytes >> 20));
  return parse_measurement(text, file);
}

std::vector<OctaveMean> octave_means(const Measurement& m) {
  constexpr std::array kLabels{"16 Hz", "31.5 Hz", "63 Hz", "125 Hz", "250 Hz", "500 Hz",
                               "1 kHz", "2 kHz",   "4 kHz", "8 kHz",  "16 kHz"};
  std::vector<OctaveMean> means;
  for (const analysis::Band& band : analysis::octave_bands(1, m.frequency_hz.front(), m.frequency_hz.back())) {
    double power = 0, sure = 0, weight = 0;
    for (std::size_t i = 1; i < m.frequency_hz.size(); ++i) {
      const double f = m.frequency_hz[i];
      if (f < band.low_hz || f >= band.high_hz) continue;
      const double share = std::log(f / m.frequency_hz[i - 1]);
      power += share * analysis::power_from_db(m.magnitude_db[i]), sure += share * m.coherence[i], weight += share;
    }
    if (!(weight > 0)) continue;
    const auto label = static_cast<std::size_t>(std::clamp(std::lround(std::log2(band.mid_hz / 1000)) + 6, 0l, 10l));
    means.push_back({kLabels[label], analysis::db_from_power(power / weight), sure / weight});
  }
  return means;
}

nlohmann::ordered_json document_of(const Measurement& m) {
  Json each = Json::array(), warnings = Json::array();
  for (const Capture& one : m.each)
    each.push_back({{"file", one.file},
                    {"arrival_ms", rounded(one.arrival_ms, 1e6)},
                    {"polarity", one.polarity},
                    {"drift_ppm", rounded(one.drift_ppm, 1e3)},
                    {"level_dbfs", rounded(one.level_dbfs, 1e2)}});
  for (const Warning& warning : m.warnings) warnings.push_back({{"code", warning.code}, {"text", warning.text}});
  return {{"sample_rate_hz", m.sample_rate_hz},
          {"captures", m.captures},
          {"kind", m.kind},
          {"arrival_ms", rounded(m.arrival_ms, 1e6)},
          {"polarity", m.polarity},
          {"drift_ppm", rounded(m.drift_ppm, 1e3)},
          {"smoothing", m.smoothing},
          {"each", each},
          {"warnings", warnings},
          {"frequency_hz", rounded(m.frequency_hz, 1e4)},
          {"magnitude_db", rounded(m.magnitude_db, 1e4)},
          {"phase_deg", rounded(m.phase_deg, 1e3)},
          {"coherence", rounded(m.coherence, 1e5)}};
}

std::string csv_of(const Measurement& m, double take_out_ms) {
  std::string text = "frequency_hz,magnitude_db,phase_deg,coherence\n";
  for (std::size_t i = 0; i < m.frequency_hz.size(); ++i) {
    const double turns = m.phase_deg[i] / 360.0 + m.frequency_hz[i] * (take_out_ms - m.arrival_ms) * 1e-3;
    text += fmt::format("{:.4f},{:.4f},{:.3f},{:.5f}\n", m.frequency_hz[i], m.magnitude_db[i],
                        360.0 * (turns - std::round(turns)), m.coherence[i]);
  }
  return text;
}

}  // namespace rackproof::tune
