#include "harness/rig/common_tables.hpp"

#include <fmt/ranges.h>

#include <algorithm>

#include "harness/rig/meant.hpp"

namespace rackproof::rig {
namespace {

using enum Need;

constexpr double kLowestFrequency_hz = 1, kMaxDelay_s = 1;
constexpr Range kEqGain{-30, 30}, kQ{0.1, 100}, kBandwidth{0.01, 10}, kShelfSlope{0.05, 1};
constexpr std::string_view kEqExample = R"([ { type = "peaking", at = "240 Hz", gain = "-3.5 dB", q = 1.4 } ])";

std::optional<EqBand> read_band(Fields& fields, const Band& limits) {
  static const std::vector<std::string> kTypes(kEqTypeWords.begin(), kEqTypeWords.end());
  EqBand band;
  band.source = fields.source();
  const auto type = fields.choice("type", kTypes, required, meant_by_eq_type);
  const auto at = limits.frequency(fields, "\"240 Hz\"");
  const auto gain = fields.quantity("gain", Quantity::gain, kEqGain, "\"-3.5 dB\"");
  const auto q = fields.number("q", kQ, "1.4");
  const auto bandwidth = fields.quantity("bandwidth", Quantity::bandwidth, kBandwidth, "\"0.7 oct\"");
  const auto slope = fields.number("shelf_slope", kShelfSlope, "0.9");
  fields.close();

  std::vector<std::string> widths;
  for (const char* key : {"q", "bandwidth", "shelf_slope"})
    if (fields.has(key)) widths.emplace_back(key);
  if (widths.empty())
    fields.fault("q", "the band needs a width: q = 1.4, or bandwidth = \"0.7 oct\", or for shelves shelf_slope = 0.9");
  else if (widths.size() > 1)
    fields.fault(fields.source(), fmt::format("{}", fmt::join(widths, " and ")), "only one of them sets the width");
  if (!type) return std::nullopt;

  band.type = static_cast<EqType>(*type);
  const bool shelf = has_gain(band.type) && band.type != EqType::peaking;
  if (fields.has("shelf_slope") && !shelf)
    fields.fault("shelf_slope", "only lowshelf and highshelf have one; here q or bandwidth sets the width");
  if (fields.has("gain") && !has_gain(band.type))
    fields.fault("gain", fmt::format("{} has no gain, only peaking, lowshelf and highshelf have", word_of(band.type)));
  if (!at || !(q || bandwidth || slope)) return std::nullopt;
  band.at_hz = *at;
  band.gain_db = gain.value_or(0);
  band.width = q ? EqWidth::q : bandwidth ? EqWidth::bandwidth_oct : EqWidth::shelf_slope;
  band.width_value = q ? *q : bandwidth ? *bandwidth : *slope;
  return band;
}

}  // namespace

bool read_head(Fields& root, std::string_view what, std::string& title) {
  if (root.node().entries.empty()) {
    root.fault(root.source(), "an empty file", fmt::format("a {} file starts with format = 1", what));
    return false;
  }
  const Entry* format = root.node().find("format");
  if (format && format->value.kind == Node::Kind::whole && format->value.whole != 1) {
    root.fault("format", "this program reads format = 1");
    return false;
  }
  root.whole("format", 1, 1, "1", required);
  title = root.text("title", "\"Lighthouse Field\"").value_or("");
  return true;
}

std::optional<double> Band::frequency(Fields& fields, std::string_view example) const {
  const auto at = fields.measure("at", {Quantity::frequency}, example, required);
  if (!at || (at->value >= kLowestFrequency_hz && at->value < nyquist_hz))
    return at ? std::optional(at->value) : std::nullopt;
  fields.fault("at", fmt::format("{} to below {}, half the sample rate, is allowed here",
                                 text_of({Quantity::frequency, kLowestFrequency_hz}),
                                 text_of({Quantity::frequency, nyquist_hz})));
  return std::nullopt;
}

std::vector<EqBand> read_eq(Fields& fields, const Band& limits) {
  std::vector<EqBand> eq;
  if (auto bands = fields.tables("eq", kEqExample))
    for (Fields& one : *bands)
      if (auto band = read_band(one, limits)) eq.push_back(*band);
  return eq;
}

double read_gain(Fields& fields) { return fields.quantity("gain", Quantity::gain, kGain, "\"-3 dB\"").value_or(0); }

std::optional<Filter> read_filter(Fields& fields, const Band& limits) {
  static const std::vector<std::string> kAlignments(kAlignmentWords.begin(), kAlignmentWords.end());
  static const std::vector<int> kSlopes[] = {
      {12, 24, 36, 48}, {6, 12, 18, 24, 30, 36, 42, 48}, {12, 18, 24, 30, 36, 42, 48}};
  const auto at = limits.frequency(fields, "\"95 Hz\"");
  const auto alignment = fields.choice("alignment", kAlignments, required, meant_by_alignment);
  // Where the alignment says the slope as well, one fault says both.
  const Need slope_need = fields.has("alignment") && !alignment ? optional : required;
  const auto slope = fields.measure("slope", {Quantity::slope}, "\"24 dB/oct\"", slope_need);
  fields.close();
  if (!alignment || !slope) return std::nullopt;
  const std::vector<int>& slopes = kSlopes[*alignment];
  const auto found = std::find(slopes.begin(), slopes.end(), slope->value);
  if (found == slopes.end()) {
    std::vector<std::string> known;
    for (const int s : slopes) known.push_back(std::to_string(s));
    fields.fault("slope", fmt::format("{} has {} dB/oct", kAlignments[*alignment], one_of(known)));
  }
  if (!at || found == slopes.end()) return std::nullopt;
  return Filter{*at, static_cast<Alignment>(*alignment), *found, fields.source()};
}

std::optional<Point> read_point(Fields& fields, const Band& limits) {
  if (!fields.has("low") && !fields.has("high")) {
    const auto both = read_filter(fields, limits);
    if (!both) return std::nullopt;
    return Point{*both, *both, fields.source()};
  }
  auto low_fields = fields.table("low", kFilterExample, required);
  auto high_fields = fields.table("high", kFilterExample, required);
  for (const char* key : {"at", "alignment", "slope"})
    if (fields.has(key)) {
      fields.fault(key, "a point has either at, alignment and slope, or low and high, each with its own");
      fields.allow(key);
    }
  fields.close();
  const auto low = low_fields ? read_filter(*low_fields, limits) : std::nullopt;
  const auto high = high_fields ? read_filter(*high_fields, limits) : std::nullopt;
  if (!low || !high) return std::nullopt;
  return Point{*low, *high, fields.source()};
}

Delay read_delay(Fields& fields, double speed) {
  const auto read = fields.measure("delay", {Quantity::time, Quantity::distance}, "\"2.1 ms\" or \"0.72 m\"");
  if (!read) return {};
  Delay delay{read->value, std::nullopt};
  if (read->quantity == Quantity::distance) delay = {read->value / speed, read->value};
  if (delay.time_s < 0 || delay.time_s > kMaxDelay_s)
    fields.fault("delay", fmt::format("0 to {} s is allowed here, or the distance that sound goes in it, {:.0f} m",
                                      kMaxDelay_s, kMaxDelay_s * speed));
  return delay;
}

std::string lower_case(std::string name) {
  for (char& c : name)
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
  return name;
}

std::string named_path(const Fields& numbered, const std::string& prefix) {
  const Entry* named = numbered.node().find("name");
  const bool usable = named && named->value.kind == Node::Kind::text && is_name(named->value.text);
  return usable ? prefix + named->value.text : numbered.source().key;
}

}  // namespace rackproof::rig
