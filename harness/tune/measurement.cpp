#include "harness/tune/measurement.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <nlohmann/json.hpp>
#include <numbers>
#include <string_view>

#include "harness/analysis/bands.hpp"
#include "harness/analysis/decibels.hpp"
#include "harness/files/plain_file.hpp"
#include "harness/rig/json_fields.hpp"

namespace rackproof::tune {
namespace {

using Json = nlohmann::ordered_json;
constexpr std::size_t kMostBytes = std::size_t{16} << 20;
constexpr double kTurn = 2.0 * std::numbers::pi;

double rounded(double x, double steps) { return std::round(x * steps) / steps; }
Json rounded(const std::vector<double>& values, double steps) {
  Json list = Json::array();
  for (const double x : values) list.push_back(rounded(x, steps));
  return list;
}

/// Wide enough for whatever can be measured, narrow enough that nothing computed from it overflows.
constexpr rig::JsonRange kSampleRate{1000, 1e6, "Hz"}, kFrequency{0, 1e6, "Hz"}, kMagnitude{-400, 400, "dB"};
constexpr rig::JsonRange kPhase{-1e6, 1e6, "degrees"}, kArrival{-1e6, 1e6, "ms"}, kDrift{-1e5, 1e5, "ppm"};
constexpr std::int64_t kFormat = 1;  // another number where a key goes or means another thing
constexpr std::int64_t kMostCaptures = 10'000;
constexpr std::size_t kMostSections = 1000;
constexpr std::string_view kWanted = "a measurement, as 'rackproof measure -o FILE.json' writes it,";

std::vector<double> one_a_frequency(const rig::JsonFields& fields, const char* key, rig::JsonRange range,
                                    std::size_t count) {
  std::vector<double> values = fields.numbers(key, range).value_or(std::vector<double>());
  if (values.size() != count)
    fields.refuse(key, fmt::format("{} numbers", values.size()), fmt::format("{}: one for every frequency", count));
  return values;
}

std::vector<Warning> warnings_of(const rig::JsonFields& fields) {
  std::vector<Warning> warnings;
  if (!fields.has("warnings")) return warnings;
  const rig::JsonNode& list = *fields.node().find("warnings");
  const bool texts =
      list.kind == rig::JsonNode::Kind::list &&
      std::ranges::all_of(list.items, [](const rig::JsonNode& item) { return item.kind == rig::JsonNode::Kind::text; });
  if (texts)
    for (const rig::JsonNode& item : list.items) warnings.push_back({"", item.text});
  else
    for (const rig::JsonFields& one : fields.tables("warnings"))
      warnings.push_back({one.text("code").value_or(""), one.text("text").value_or("")});
  return warnings;
}

std::vector<dsp::Biquad> sections_in(const rig::JsonFields& way, const char* key) {
  // Coefficients of any filter that the rig file can name are far within this.
  const std::vector<double> numbers = way.numbers(key, {-1e9, 1e9, ""}).value_or(std::vector<double>());
  if (numbers.size() % 5 != 0 || numbers.size() > 5 * kMostSections)
    way.refuse(key, fmt::format("{} numbers", numbers.size()),
               fmt::format("b0, b1, b2, a1, a2 of each section, at most {} sections", kMostSections));
  std::vector<dsp::Biquad> sections;
  for (std::size_t i = 0; i < numbers.size(); i += 5)
    sections.push_back({numbers[i], numbers[i + 1], numbers[i + 2], numbers[i + 3], numbers[i + 4]});
  return sections;
}
Json numbers_of(const std::vector<dsp::Biquad>& sections) {
  Json list = Json::array();
  for (const dsp::Biquad& s : sections)
    for (const double value : {s.b0, s.b1, s.b2, s.a1, s.a2}) list.push_back(value);
  return list;
}

Drive read_drive(const rig::JsonFields& fields) {
  Drive drive;
  const rig::JsonFields table = *fields.table("driven_by");
  drive.rig = table.text("rig").value_or("");
  drive.sample_rate_hz = table.number("sample_rate_hz", kSampleRate).value_or(drive.sample_rate_hz);
  for (const rig::JsonFields& one : table.tables("ways")) {
    DrivenWay& way = drive.ways.emplace_back();
    way.name = one.text("name").value_or("");
    way.gain_db = one.number("gain_db", kMagnitude).value_or(0);
    way.delay_s = 1e-3 * one.number("delay_ms", {0, 1e5, "ms"}).value_or(0);
    way.polarity = one.whole("polarity", -1, 1).value_or(1) < 0 ? -1 : 1;
    way.sections = sections_in(one, "sections");
    way.own = sections_in(one, "own_sections");
  }
  return drive;
}
Json document_of(const Drive& drive) {
  Json ways = Json::array();
  for (const DrivenWay& way : drive.ways)
    ways.push_back({{"name", way.name},
                    {"gain_db", way.gain_db},
                    {"delay_ms", 1e3 * way.delay_s},
                    {"polarity", way.polarity},
                    {"sections", numbers_of(way.sections)},
                    {"own_sections", numbers_of(way.own)}});
  return {{"rig", drive.rig}, {"sample_rate_hz", drive.sample_rate_hz}, {"ways", ways}};
}

Measurement read(const rig::JsonFields& fields, const std::filesystem::path& file) {
  Measurement m;
  m.file = file;
  // Older ones have none.
  if (const auto format = fields.whole("format", 0, 1'000'000); format && *format != kFormat)
    fields.refuse("format", std::to_string(*format),
                  fmt::format("{}: another version of rackproof wrote this file", kFormat));
  m.sample_rate_hz = fields.number("sample_rate_hz", kSampleRate).value_or(m.sample_rate_hz);
  m.captures = static_cast<std::size_t>(fields.whole("captures", 1, kMostCaptures).value_or(1));
  m.arrival_ms = fields.number("arrival_ms", kArrival).value_or(0);
  m.polarity = static_cast<int>(fields.whole("polarity", -1, 1).value_or(1));
  m.drift_ppm = fields.number("drift_ppm", kDrift);
  m.arrival_error_ms = fields.number("arrival_error_ms", {0, 1e6, "ms"}).value_or(0);
  m.clock_error_ms = fields.number("clock_error_ms", {0, 1e6, "ms"}).value_or(0);
  for (const char* key : {"frequency_hz", "magnitude_db"})
    if (!fields.has(key)) fields.missing(key, "a list of numbers, as 'rackproof measure -o FILE.json' writes it");
  m.frequency_hz = *fields.numbers("frequency_hz", kFrequency);
  const std::size_t count = m.frequency_hz.size();
  if (count < 2) fields.refuse("frequency_hz", fmt::format("{} frequencies", count), "two at least");
  for (std::size_t i = 0; i < count; ++i)
    if (!(m.frequency_hz[i] > (i == 0 ? 0.0 : m.frequency_hz[i - 1])))
      fields.refuse(fmt::format("frequency_hz[{}]", i), fmt::format("{:g} Hz", m.frequency_hz[i]),
                    "frequencies above 0 Hz that ascend");
  m.magnitude_db = one_a_frequency(fields, "magnitude_db", kMagnitude, count);
  if (fields.has("phase_deg")) m.phase_deg = one_a_frequency(fields, "phase_deg", kPhase, count);
  m.coherence =
      fields.has("coherence") ? one_a_frequency(fields, "coherence", {0, 1}, count) : std::vector<double>(count, 1.0);
  if (fields.has("magnitude_error_db"))
    m.magnitude_error_db = one_a_frequency(fields, "magnitude_error_db", {0, 400, "dB"}, count);
  m.smoothing = fields.text("smoothing").value_or("none");
  m.kind = fields.text("kind").value_or("");
  m.warnings = warnings_of(fields);
  m.microphone = fields.text("microphone").value_or("");
  m.reference_channel = static_cast<std::uint32_t>(fields.whole("reference_channel", 1, 1024).value_or(0));
  m.sent_fingerprint = fields.text("sent_fingerprint").value_or("");
  if (fields.has("recordings"))
    for (const rig::JsonFields& one : fields.tables("recordings"))
      m.recordings.push_back(one.text("fingerprint").value_or(""));
  if (fields.has("driven_by")) m.driven_by = read_drive(fields);
  return m;
}

}  // namespace

std::complex<double> Measurement::whole_way(std::size_t index) const {
  const double turns = phase_deg[index] / 360.0 - frequency_hz[index] * arrival_ms * 1e-3;
  return std::polar(analysis::ratio_from_db(magnitude_db[index]), kTurn * (turns - std::round(turns)));
}

Measurement parse_measurement(const std::string& text, const std::filesystem::path& file) {
  const rig::JsonNode root = rig::parse_json(text, file, kWanted);
  return read(rig::JsonFields(root, file), file);
}

Measurement load_measurement(const std::filesystem::path& file) {
  return parse_measurement(
      files::read_plain_file(file, {kMostBytes, "a measurement", "'rackproof measure -o FILE.json' writes one"}), file);
}

bool are_one(const Measurement& a, const Measurement& b) {
  return a.magnitude_db == b.magnitude_db && a.phase_deg == b.phase_deg && a.arrival_ms == b.arrival_ms;
}

std::vector<Warning> doubts_of_levels(const Measurement& m) {
  constexpr std::string_view kOfLevels[] = {"level",     "limited",    "passes-differ",
                                            "distorted", "gain-moved", "sent-itself"};
  std::vector<Warning> doubts;
  for (const Warning& one : m.warnings)
    if (std::ranges::find(kOfLevels, one.code) != std::end(kOfLevels))
      doubts.push_back({one.code, fmt::format("{}, when it was measured: {}", m.file.string(), one.text)});
  return doubts;
}

std::vector<OctaveMean> octave_means(const Measurement& m) {
  constexpr std::array kLabels{"16 Hz", "31.5 Hz", "63 Hz", "125 Hz", "250 Hz", "500 Hz",
                               "1 kHz", "2 kHz",   "4 kHz", "8 kHz",  "16 kHz"};
  std::vector<OctaveMean> means;
  for (const analysis::Band& band : analysis::octave_bands(1, m.frequency_hz.front(), m.frequency_hz.back())) {
    double power = 0, sure = 0, error = 0, weight = 0;
    for (std::size_t i = 1; i < m.frequency_hz.size(); ++i) {
      const double f = m.frequency_hz[i];
      if (f < band.low_hz || f >= band.high_hz) continue;
      const double share = std::log(f / m.frequency_hz[i - 1]);
      power += share * analysis::power_from_db(m.magnitude_db[i]);
      sure += share * m.coherence[i];
      if (!m.magnitude_error_db.empty()) error += share * m.magnitude_error_db[i];
      weight += share;
    }
    if (!(weight > 0)) continue;
    const auto label = static_cast<std::size_t>(std::clamp(std::lround(std::log2(band.mid_hz / 1000)) + 6, 0l, 10l));
    means.push_back({kLabels[label], analysis::db_from_power(power / weight), sure / weight,
                     m.magnitude_error_db.empty() ? std::optional<double>() : error / weight});
  }
  return means;
}

nlohmann::ordered_json document_of(const Measurement& m) {
  Json each = Json::array(), warnings = Json::array();
  for (const Capture& one : m.each)
    each.push_back({{"file", one.file},
                    {"arrival_ms", rounded(one.arrival_ms, 1e6)},
                    {"arrival_error_ms", rounded(one.arrival_error_ms, 1e6)},
                    {"polarity", one.polarity},
                    {"drift_ppm", one.drift_ppm ? Json(rounded(*one.drift_ppm, 1e3)) : Json(nullptr)},
                    {"level_dbfs", rounded(one.level_dbfs, 1e2)}});
  for (const Warning& warning : m.warnings) warnings.push_back({{"code", warning.code}, {"text", warning.text}});
  Json document = {{"format", kFormat},
                   {"sample_rate_hz", m.sample_rate_hz},
                   {"captures", m.captures},
                   {"kind", m.kind},
                   {"arrival_ms", rounded(m.arrival_ms, 1e6)},
                   {"arrival_error_ms", rounded(m.arrival_error_ms, 1e6)},
                   {"clock_error_ms", rounded(m.clock_error_ms, 1e6)},
                   {"polarity", m.polarity},
                   {"drift_ppm", m.drift_ppm ? Json(rounded(*m.drift_ppm, 1e3)) : Json(nullptr)},
                   {"smoothing", m.smoothing},
                   {"reference_channel", m.reference_channel > 0 ? Json(m.reference_channel) : Json(nullptr)},
                   {"each", each},
                   {"warnings", warnings},
                   {"frequency_hz", rounded(m.frequency_hz, 1e4)},
                   {"magnitude_db", rounded(m.magnitude_db, 1e4)},
                   {"coherence", rounded(m.coherence, 1e5)}};
  if (!m.phase_deg.empty()) document["phase_deg"] = rounded(m.phase_deg, 1e3);
  if (!m.magnitude_error_db.empty()) document["magnitude_error_db"] = rounded(m.magnitude_error_db, 1e3);
  if (!m.microphone.empty()) document["microphone"] = m.microphone;
  if (!m.sent_fingerprint.empty()) document["sent_fingerprint"] = m.sent_fingerprint;
  if (!m.recordings.empty()) {
    Json recordings = Json::array();
    for (const std::string& one : m.recordings) recordings.push_back({{"fingerprint", one}});
    document["recordings"] = recordings;
  }
  if (m.driven_by) document["driven_by"] = document_of(*m.driven_by);
  return document;
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
