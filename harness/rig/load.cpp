/// The rules of the rig file and of the venue file. All faults that do not hang on each other are told in one go; a
/// rule that needs two values is left out where one of them is already at fault.
#include <fmt/core.h>
#include <fmt/ranges.h>

#include <algorithm>
#include <span>

#include "dsp/chain/chain_settings.hpp"
#include "harness/rig/checks.hpp"
#include "harness/rig/fields.hpp"
#include "harness/rig/meant.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof::rig {
namespace {

using enum Need;

// What is allowed, wide enough for any loudspeaker and narrow enough to catch a slip of the unit.
constexpr double kLowestFrequency_hz = 1;
constexpr Range kLevel{1e-3, 100}, kTemperature{-40, 60};
constexpr Range kGain{-40, 40}, kEqGain{-30, 30}, kAmplifierGain{-20, 60}, kAttenuator{-100, 0}, kMargin{0, 40};
constexpr Range kPower{0.1, 100e3}, kImpedance{0.1, 10e3}, kThermalTime{50e-3, 60};
constexpr Range kDriverBand{1, 100e3}, kDriverSensitivity{50, 130}, kDepth{0, 5};
constexpr Range kQ{0.1, 100}, kBandwidth{0.01, 10}, kShelfSlope{0.05, 1};
constexpr Range kLookAhead{0, 20e-3}, kHold{0, 200e-3}, kRelease{1e-3, 5};
constexpr double kMaxDelay_s = 1;
constexpr std::uint32_t kMaxBlock = 65'536, kMaxDrivers = 16, kMaxChannel = 1024;
constexpr std::size_t kShortestReason = 12;
constexpr std::string_view kEqExample = R"([ { type = "peaking", at = "240 Hz", gain = "-3.5 dB", q = 1.4 } ])";
constexpr std::string_view kFilterExample = R"({ at = "95 Hz", alignment = "linkwitz-riley", slope = "24 dB/oct" })";

std::string folded(std::string name) {
  for (char& c : name)
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
  return name;
}

/// Letters and digits; beyond ASCII, every character of UTF-8.
std::size_t letters_in(std::string_view text) {
  return static_cast<std::size_t>(std::ranges::count_if(text, [](char c) {
    const bool digit = c >= '0' && c <= '9', letter = (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z');
    return digit || letter || (c & '\xC0') == '\xC0';
  }));
}

template <typename Named>
std::vector<std::string> names_of(const std::vector<Named>& all) {
  std::vector<std::string> names;
  for (const Named& one : all) names.push_back(one.name);
  return names;
}

/// Outputs become files by these names, so a name that is taken in another case is taken.
template <typename Named>
std::optional<std::string> taken(const std::string& name, const std::vector<Named>& before) {
  for (const Named& one : before) {
    if (one.name == name) return fmt::format("each name once: line {} has it too", one.source.line);
    if (folded(one.name) == folded(name))
      return fmt::format(
          "line {} has \"{}\", which differs in capitals only: as the names of output files, some "
          "systems hold the two for one",
          one.source.line, one.name);
  }
  return std::nullopt;
}

/// Reads what both files have: format and title. False where the format is another one, so that no more can be told.
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

/// What the bands of a file need to know of its rig.
struct Band {
  double nyquist_hz = 96'000;  ///< the highest there is, where the sample rate is at fault

  std::optional<double> frequency(Fields& fields, std::string_view example) const {
    const auto at = fields.measure("at", {Quantity::frequency}, example, required);
    if (!at || (at->value >= kLowestFrequency_hz && at->value < nyquist_hz))
      return at ? std::optional(at->value) : std::nullopt;
    fields.fault("at", fmt::format("{} to below {}, half the sample rate, is allowed here",
                                   text_of({Quantity::frequency, kLowestFrequency_hz}),
                                   text_of({Quantity::frequency, nyquist_hz})));
    return std::nullopt;
  }
};

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

struct Delay {
  double time_s = 0;
  std::optional<double> distance_m;  ///< as written, if it was a distance
};
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

class RigReader {
 public:
  RigReader(const Node& root, const std::filesystem::path& file, bool look_for_files)
      : fields_(root, "", file, faults_), look_for_files_(look_for_files) {
    rig_.file = file;
  }

  Rig read() {
    if (fields_.has("venue") && !fields_.has("way") && !fields_.has("loudspeaker"))
      fields_.fault(fields_.source(), "a venue file", "a rig file is wanted here");
    else if (read_head(fields_, "rig", rig_.title))
      read_body();
    faults_.raise();
    return std::move(rig_);
  }

 private:
  void read_body() {
    read_controller();
    read_feeds();
    read_amplifiers();
    read_drivers();
    if (fields_.has("loudspeaker")) {
      read_loudspeakers();
    } else {
      read_loudspeaker(fields_, rig_, "");
      fields_.allow("loudspeaker");
    }
    read_accept();
    for (Rig& part : rig_.loudspeakers) part.accept = rig_.accept;
    read_live();
    const std::size_t outputs = outputs_of(rig_);
    if (outputs > dsp::kMaxOutputs)
      fields_.fault(
          fields_.source(rig_.loudspeakers.empty() ? "way" : "loudspeaker"),
          fmt::format("ways for {} outputs", outputs),
          fmt::format("at most {} are possible: feeds = \"sum\" makes one output of a way", dsp::kMaxOutputs));
    fields_.close();
  }
  static std::size_t outputs_of(const Rig& rig) {
    std::size_t outputs = 0;
    for (const Rig& part : rig.parts())
      for (const Way& way : part.ways) outputs += way.outputs(rig.feeds.size());
    return outputs;
  }

  /// What both forms have: at the top of the file, or in one [[loudspeaker]], whose keys begin with `prefix`.
  void read_loudspeaker(Fields& fields, Rig& to, const std::string& prefix) {
    const bool whole = prefix.empty();
    if (auto system = fields.table("system", whole ? "[system]" : "{ gain = \"0 dB\", eq = [] }")) {
      to.system_gain_db = read_gain(*system);
      to.system_eq = read_eq(*system, limits_);
      system->close();
    }
    read_ways(fields, to, prefix);
    read_crossover(fields, to, whole);
  }

  void read_loudspeakers() {
    for (const char* key : {"system", "crossover", "way"}) {
      if (!fields_.has(key)) continue;
      fields_.fault(fields_.source(key), fmt::format("{} beside [[loudspeaker]]", key),
                    fmt::format("a rig has either [[loudspeaker]] tables, each with its own {}, or none of them", key));
      fields_.allow(key);
    }
    auto all = fields_.tables("loudspeaker", "[[loudspeaker]] with name, crossover and [[loudspeaker.way]]", required);
    if (!all) return;
    if (all->empty() || all->size() > dsp::kMaxLoudspeakers)
      return fields_.fault(fields_.source("loudspeaker"), fmt::format("{} loudspeakers", all->size()),
                           fmt::format("1 to {} are wanted", dsp::kMaxLoudspeakers));
    std::vector<Named> names;
    for (const Fields& numbered : *all) {
      const std::string prefix = named_path(numbered, "loudspeaker.");
      Fields fields(numbered.node(), prefix, rig_.file, faults_);
      Rig part;
      part.file = rig_.file;
      part.title = rig_.title;
      part.controller = rig_.controller;
      part.feeds = rig_.feeds;
      part.source = fields.source();
      if (const auto name = fields.text("name", "\"main\"", required)) {
        if (!is_name(*name)) fields.fault("name", std::string(kNameRule));
        if (const auto why = taken(*name, names)) fields.fault("name", *why);
        part.loudspeaker = *name;
        names.push_back({*name, part.source});
      }
      feeds_of_loudspeaker_ = Way{};
      read_feeds_key(fields, feeds_of_loudspeaker_);
      const Delay delay = read_delay(fields);
      part.delay_s = delay.time_s;
      part.delay_distance_m = delay.distance_m;
      part.muted = fields.flag("mute").value_or(false);
      read_loudspeaker(fields, part, prefix + ".");
      fields.close();
      for (const Amplifier& one : rig_.amplifiers)
        if (uses(part, &Way::amplifier, one.name)) part.amplifiers.push_back(one);
      for (const Driver& one : rig_.drivers)
        if (uses(part, &Way::driver, one.name)) part.drivers.push_back(one);
      rig_.loudspeakers.push_back(std::move(part));
    }
  }
  static bool uses(const Rig& rig, std::string Way::*pointer, const std::string& name) {
    return std::any_of(rig.ways.begin(), rig.ways.end(), [&](const Way& way) { return way.*pointer == name; });
  }
  struct Named {
    std::string name;
    Source source;
  };
  /// The person's own name for a table says more than its number.
  static std::string named_path(const Fields& numbered, const std::string& prefix) {
    const Entry* named = numbered.node().find("name");
    const bool usable = named && named->value.kind == Node::Kind::text && is_name(named->value.text);
    return usable ? prefix + named->value.text : numbered.source().key;
  }

  void read_controller() {
    auto fields = fields_.table("controller", "[controller] with sample_rate and output_full_scale", required);
    if (!fields) return;
    constexpr std::uint32_t kRates[] = {44'100, 48'000, 88'200, 96'000, 176'400, 192'000};
    Controller& controller = rig_.controller;
    if (const auto rate = fields->measure("sample_rate", {Quantity::frequency}, "\"48 kHz\"", required)) {
      const auto found = std::find(std::begin(kRates), std::end(kRates), rate->value);
      if (found == std::end(kRates)) {
        fields->fault("sample_rate", "44.1, 48, 88.2, 96, 176.4 or 192 kHz is wanted here");
      } else {
        controller.sample_rate_hz = *found;
        limits_.nyquist_hz = *found / 2.0;
      }
    }
    controller.block_frames = fields->whole("block", 1, kMaxBlock, "64").value_or(controller.block_frames);
    controller.input_full_scale_volts_rms =
        fields->quantity("input_full_scale", Quantity::voltage, kLevel, "\"+20 dBu\"");
    controller.output_full_scale_volts_rms =
        fields->quantity("output_full_scale", Quantity::voltage, kLevel, "\"+18 dBu\"", required).value_or(1);
    controller.temperature_degc =
        fields->quantity("temperature", Quantity::temperature, kTemperature, "\"20 degC\"").value_or(20);
    fields->close();
  }

  void read_feeds() {
    auto fields = fields_.table("feeds", "[feeds] with left = 1", required);
    if (!fields) return;
    const std::size_t count = fields->node().entries.size();
    if (count == 0 || count > dsp::kMaxFeeds)
      return fields->fault(fields->source(), fmt::format("{} feeds", count),
                           fmt::format("1 to {} are wanted, such as left = 1", dsp::kMaxFeeds));
    for (const Entry& entry : fields->node().entries) {
      const auto bad_name = [&](const std::string& why) {
        fields->fault(fields->source_of_key(entry), fmt::format("\"{}\"", excerpt(entry.key)), why);
      };
      if (!is_name(entry.key)) bad_name(std::string(kNameRule));
      if (const auto why = taken(entry.key, rig_.feeds)) bad_name(*why);
      const auto channel = fields->whole(entry.key, 1, kMaxChannel, "1");
      rig_.feeds.push_back({entry.key, channel.value_or(1), fields->source(entry.key)});
    }
  }

  void read_amplifiers() {
    auto all = fields_.table("amplifier", "[amplifier.tops]", required);
    if (!all) return;
    for (auto& [name, fields] : all->named_tables("[amplifier.tops]")) {
      Amplifier amplifier;
      amplifier.name = name;
      amplifier.source = fields.source();
      constexpr std::string_view kRatings = R"([ { power = "700 W", load = "8 ohm" } ])";
      if (auto ratings = fields.tables("ratings", fmt::format("{}", kRatings), required)) {
        for (Fields& one : *ratings) read_rating(one, amplifier);
        if (fields.node().find("ratings")->value.items.empty())
          fields.fault("ratings", fmt::format("at least one is wanted, such as {}", kRatings));
      }
      amplifier.gain_db = fields.quantity("gain", Quantity::gain, kAmplifierGain, "\"32 dB\"");
      amplifier.sensitivity_volts_rms = fields.quantity("sensitivity", Quantity::voltage, kLevel, "\"1.4 V\"");
      if (!fields.has("gain") && !fields.has("sensitivity"))
        fields.fault("gain", "one of the two is required: gain = \"32 dB\" or sensitivity = \"1.4 V\"");
      if (fields.has("gain") && fields.has("sensitivity"))
        fields.fault(fields.source(), "gain and sensitivity", "one says what the other would: leave one out");
      amplifier.attenuator_db = fields.quantity("attenuator", Quantity::gain, kAttenuator, "\"-6 dB\"").value_or(0);
      amplifier.attenuator_fixed = fields.flag("attenuator_fixed").value_or(false);
      amplifier.bridged = fields.flag("bridged").value_or(false);
      if (const auto rated = fields.choice("rated", {"per side", "bridged"}))
        amplifier.rated = *rated == 0 ? Rated::per_side : Rated::bridged;
      if (amplifier.rated == Rated::bridged && !amplifier.bridged)
        fields.fault(
            "rated",
            "these would be the figures of two sides bridged to one, and bridged is false: say bridged = true, "
            "or give the figures of one side");
      fields.close();
      rig_.amplifiers.push_back(amplifier);
    }
  }

  void read_rating(Fields& fields, Amplifier& amplifier) {
    const auto power = fields.quantity("power", Quantity::power, kPower, "\"700 W\"", required);
    const auto load = fields.quantity("load", Quantity::impedance, kImpedance, "\"8 ohm\"", required);
    fields.close();
    for (const Rating& before : amplifier.ratings)
      if (load && before.load_ohm == *load) fields.fault("load", "each load once: another rating has it too");
    if (load) amplifier.ratings.push_back({power.value_or(1), *load});
  }

  void read_drivers() {
    auto all = fields_.table("driver", "[driver.cone12]", required);
    if (!all) return;
    for (auto& [name, fields] : all->named_tables("[driver.cone12]")) {
      Driver driver;
      driver.name = name;
      driver.source = fields.source();
      driver.impedance_ohm =
          fields.quantity("impedance", Quantity::impedance, kImpedance, "\"8 ohm\"", required).value_or(8);
      const auto continuous = fields.quantity("continuous_power", Quantity::power, kPower, "\"300 W\"", required);
      driver.continuous_power_watts = continuous.value_or(1);
      driver.peak_power_watts = fields.quantity("peak_power", Quantity::power, kPower, "\"1200 W\"");
      if (continuous && driver.peak_power_watts && *continuous > *driver.peak_power_watts)
        fields.fault("peak_power",
                     fmt::format("less than continuous_power, {}: no driver takes less in peaks than for long; are the "
                                 "two exchanged?",
                                 text_of({Quantity::power, *continuous})));
      driver.thermal_time_s = fields.quantity("thermal_time", Quantity::time, kThermalTime, "\"3 s\"").value_or(2);
      driver.lowest_hz = fields.quantity("lowest", Quantity::frequency, kDriverBand, "\"45 Hz\"");
      driver.highest_hz = fields.quantity("highest", Quantity::frequency, kDriverBand, "\"4 kHz\"");
      if (driver.lowest_hz && driver.highest_hz && *driver.lowest_hz >= *driver.highest_hz)
        fields.fault("highest", fmt::format("more than lowest, {}, is wanted here",
                                            text_of({Quantity::frequency, *driver.lowest_hz})));
      driver.sensitivity_db = fields.level_db("sensitivity", kDriverSensitivity, "\"98 dB\"");
      fields.close();
      rig_.drivers.push_back(driver);
    }
  }

  void read_ways(Fields& from, Rig& to, const std::string& prefix) {
    const std::string example =
        prefix.empty() ? "[[way]], a table for every way from low to high"
                       : "[[loudspeaker.way]] below its [[loudspeaker]], a table for every way from low to high";
    auto all = from.tables("way", example, required);
    if (!all) return;
    if (all->empty() || all->size() > dsp::kMaxWays)
      return from.fault(from.source("way"), fmt::format("{} ways", all->size()),
                        fmt::format("1 to {} are wanted", dsp::kMaxWays));
    for (const Fields& numbered : *all) {
      Fields fields(numbered.node(), named_path(numbered, prefix + "way."), rig_.file, faults_);
      to.ways.push_back(read_way(fields, to.ways));
    }
  }

  Way read_way(Fields& fields, const std::vector<Way>& before) {
    Way way;
    way.source = fields.source();
    if (const auto name = fields.text("name", "\"sub\"", required)) {
      if (!is_name(*name)) fields.fault("name", std::string(kNameRule));
      if (const auto why = taken(*name, before)) fields.fault("name", *why);
      way.name = *name;
    }
    way.sum_of_feeds = feeds_of_loudspeaker_.sum_of_feeds;
    way.mix = feeds_of_loudspeaker_.mix;
    way.only = feeds_of_loudspeaker_.only;
    read_feeds_key(fields, way);
    way.muted = fields.flag("mute").value_or(false);
    way.amplifier = read_pointer(fields, "amplifier", names_of(rig_.amplifiers), "\"tops\"");
    way.driver = read_pointer(fields, "driver", names_of(rig_.drivers), "\"cone12\"");
    way.drivers = fields.whole("drivers", 1, kMaxDrivers, "2").value_or(1);
    way.in_series = fields.choice("wiring", {"parallel", "series"}).value_or(0) == 1;
    way.depth_m = fields.quantity("depth", Quantity::distance, kDepth, "\"18 cm\"");
    way.gain_db = read_gain(fields);
    way.inverted = fields.choice("polarity", {"normal", "inverted"}).value_or(0) == 1;
    const Delay delay = read_delay(fields);
    way.delay_s = delay.time_s;
    way.delay_distance_m = delay.distance_m;
    if (auto highpass = fields.table("highpass", kFilterExample)) way.highpass = read_filter(*highpass, limits_);
    way.eq = read_eq(fields, limits_);
    if (auto limit = fields.table("limit", "{ below_clip = \"2 dB\" }")) way.limit = read_limit(*limit);
    if (auto thermal = fields.table("thermal", "{ below_rating = \"1 dB\" }")) {
      way.thermal =
          Thermal{thermal->quantity("below_rating", Quantity::gain, kMargin, "\"1 dB\"", required).value_or(0),
                  thermal->source()};
      thermal->close();
    }
    read_outputs(fields, way);
    read_response(fields, way);
    fields.close();
    return way;
  }

  /// `feeds` of a way, or of a whole loudspeaker: where the key is there, what `way` had of it before goes.
  void read_feeds_key(Fields& fields, Way& way) {
    constexpr std::string_view kForms = R"("each", "sum", [ "left" ] or { left = "0 dB", right = "-6 dB" })";
    fields.allow("feeds");
    const Entry* const entry = fields.node().find("feeds");
    if (entry == nullptr) return;
    way.sum_of_feeds = false;
    way.mix.clear();
    way.only.clear();
    switch (entry->value.kind) {
      case Node::Kind::text:
        if (entry->value.text != "each" && entry->value.text != "sum" && feed_named(entry->value.text))
          return fields.fault("feeds", fmt::format("one feed is a list: feeds = [ \"{}\" ]", entry->value.text));
        way.sum_of_feeds = fields.choice("feeds", {"each", "sum"}).value_or(0) == 1;
        return;
      case Node::Kind::list:
        return read_feed_list(fields, entry->value, way);
      case Node::Kind::table:
        return read_feed_mix(fields, way);
      default:
        fields.fault("feeds", fmt::format("{} is wanted here", kForms));
    }
  }
  std::optional<std::size_t> feed_named(const std::string& name) const {
    const auto found =
        std::find_if(rig_.feeds.begin(), rig_.feeds.end(), [&](const Feed& feed) { return feed.name == name; });
    if (found == rig_.feeds.end()) return std::nullopt;
    return static_cast<std::size_t>(found - rig_.feeds.begin());
  }
  void read_feed_list(Fields& fields, const Node& list, Way& way) {
    const std::vector<std::string> known = names_of(rig_.feeds);
    if (list.items.empty()) fields.fault("feeds", fmt::format("at least one is wanted: {}", one_of(known)));
    for (const Node& item : list.items) {
      const auto feed = item.kind == Node::Kind::text ? feed_named(item.text) : std::nullopt;
      if (!feed)
        fields.fault("feeds", fmt::format("{} is no feed of this rig; {}", item.written,
                                          suggestion(item.kind == Node::Kind::text ? item.text : "", known)));
      else if (std::find(way.only.begin(), way.only.end(), *feed) != way.only.end())
        fields.fault("feeds", fmt::format("each feed once: {} is there twice", item.written));
      else
        way.only.push_back(*feed);
    }
  }
  void read_feed_mix(Fields& fields, Way& way) {
    auto mix = fields.table("feeds", R"({ left = "0 dB", right = "-6 dB" })");
    const std::vector<std::string> known = names_of(rig_.feeds);
    if (mix->node().entries.empty()) fields.fault("feeds", "a mix has at least one feed, such as { left = \"0 dB\" }");
    for (const Entry& entry : mix->node().entries) {
      const auto feed = feed_named(entry.key);
      if (!feed)
        mix->fault(mix->source_of_key(entry), "a feed that the rig does not have", suggestion(entry.key, known));
      const auto gain = mix->quantity(entry.key, Quantity::gain, kGain, "\"-6 dB\"");
      if (feed) way.mix.push_back({*feed, gain.value_or(0)});
    }
    mix->close();
  }

  /// [way.output.FEED]
  void read_outputs(Fields& fields, Way& way) {
    constexpr std::string_view kExample = "[way.output.left] with gain = \"-1 dB\"";
    auto all = fields.table("output", kExample);
    if (!all) return;
    if (way.has_one_output())
      return fields.fault(fields.source("output"), "tables for the outputs of a way that has one output",
                          fmt::format("of {} these are keys of the way itself: gain, delay, polarity, eq, mute",
                                      way.sum_of_feeds ? "feeds = \"sum\"" : "a mix"));
    std::vector<std::string> names;
    for (std::size_t f = 0; f < rig_.feeds.size(); ++f)
      if (way.only.empty() || std::find(way.only.begin(), way.only.end(), f) != way.only.end())
        names.push_back(rig_.feeds[f].name);
    for (auto& [name, own] : all->named_tables(kExample)) {
      if (std::find(names.begin(), names.end(), name) == names.end())
        own.fault(own.source(), "a feed that this way does not take", suggestion(name, names));
      OutputLayer layer;
      layer.source = own.source();
      layer.gain_db = read_gain(own);
      layer.inverted = own.choice("polarity", {"normal", "inverted"}).value_or(0) == 1;
      const Delay delay = read_delay(own);
      layer.delay_s = delay.time_s;
      layer.delay_distance_m = delay.distance_m;
      layer.eq = read_eq(own, limits_);
      layer.muted = own.flag("mute").value_or(false);
      own.close();
      way.output.emplace(name, std::move(layer));
    }
  }

  std::string read_pointer(Fields& fields, std::string_view key, const std::vector<std::string>& names,
                           std::string_view example) {
    const auto name = fields.text(key, example, required);
    if (name && std::find(names.begin(), names.end(), *name) == names.end())
      fields.fault(key, fmt::format("no [{}.{}] in this file; {}", key, excerpt(*name), suggestion(*name, names)));
    return name.value_or("");
  }

  Delay read_delay(Fields& fields) const {
    return rig::read_delay(fields, speed_of_sound(rig_.controller.temperature_degc));
  }

  static Limit read_limit(Fields& fields) {
    Limit limit;
    limit.source = fields.source();
    limit.below_clip_db = fields.quantity("below_clip", Quantity::gain, kMargin, "\"2 dB\"", required).value_or(0);
    limit.look_ahead_s =
        fields.quantity("look_ahead", Quantity::time, kLookAhead, "\"2 ms\"").value_or(limit.look_ahead_s);
    limit.hold_s = fields.quantity("hold", Quantity::time, kHold, "\"5 ms\"").value_or(limit.hold_s);
    limit.release_s = fields.quantity("release", Quantity::time, kRelease, "\"120 ms\"").value_or(limit.release_s);
    limit.true_peak = fields.flag("true_peak").value_or(limit.true_peak);
    fields.close();
    return limit;
  }

  void read_response(Fields& fields, Way& way) {
    const auto name = fields.text("response", "\"horn.csv\"");
    if (!name) return;
    if (name->empty() || name->find('\0') != name->npos)
      return fields.fault("response", "the name of a file is wanted here, such as \"horn.csv\"");
    way.response = rig_.file.parent_path() / *name;
    way.response_source = fields.source("response");
    std::error_code error;
    const auto type = std::filesystem::status(*way.response, error).type();
    if (look_for_files_ &&
        (type == std::filesystem::file_type::not_found || type == std::filesystem::file_type::directory))
      fields.fault("response", fmt::format("there is no file {}; the name is looked for beside the rig file",
                                           way.response->string()));
  }

  void read_crossover(Fields& from, Rig& to, bool whole) {
    const std::size_t ways = from.has("way") && from.node().find("way")->value.kind == Node::Kind::list
                                 ? from.node().find("way")->value.items.size()
                                 : 0;
    constexpr std::string_view kPoints = R"([ { at = "95 Hz", alignment = "linkwitz-riley", slope = "24 dB/oct" } ])";
    const std::string example =
        whole ? fmt::format("[crossover] with points = {}", kPoints) : fmt::format("{{ points = {} }}", kPoints);
    auto fields = from.table("crossover", example, ways > 1 ? required : optional);
    if (!fields) return;
    to.phase_matched = fields->flag("phase_matched").value_or(true);
    auto points = fields->tables("points", kPoints, ways > 1 ? required : optional);
    fields->close();
    if (!points) return;
    const std::size_t count = fields->node().find("points")->value.items.size();
    if (ways != 0 && count + 1 != ways)
      fields->fault(fields->source("points"), fmt::format("{} point{}", count, count == 1 ? "" : "s"),
                    fmt::format("{} way{} need{} {}: one fewer than there are ways", ways, ways == 1 ? "" : "s",
                                ways == 1 ? "s" : "", ways - 1));
    std::optional<Point> before;
    for (Fields& one : *points) {
      const auto point = read_point(one, limits_);
      if (!point) continue;
      if (before && !(point->low.at_hz > before->low.at_hz && point->high.at_hz > before->high.at_hz))
        one.fault(one.source(), text_of({Quantity::frequency, point->low.at_hz}),
                  fmt::format("points go from low to high: above {} is wanted here",
                              text_of({Quantity::frequency, std::max(before->low.at_hz, before->high.at_hz)})));
      to.points.push_back(*point);
      before = point;
    }
  }

  void read_accept() {
    auto fields = fields_.table("accept", "[accept]");
    if (!fields) return;
    std::vector<std::string> known;
    for (const Check& check : kChecks)
      if (check.may_be_accepted) known.emplace_back(check.id);
    for (const Entry& entry : fields->node().entries) {
      const auto check =
          std::find_if(kChecks.begin(), kChecks.end(), [&](const Check& c) { return c.id == entry.key; });
      const Source at = fields->source_of_key(entry);
      if (check == kChecks.end())
        fields->fault(at, "a check that is not known", suggestion(entry.key, known));
      else if (!check->may_be_accepted)
        fields->fault(at, "a check that guards ears, drivers or amplifiers",
                      fmt::format("it is never accepted; these may be: {}", fmt::join(known, ", ")));
      const auto reason = fields->text(entry.key, "\"sides set apart for this horn, null checked\"");
      if (reason && letters_in(*reason) < kShortestReason)
        fields->fault(entry.key,
                      fmt::format("say why, in {} letters or more, for whoever opens this file next", kShortestReason));
      rig_.accept.push_back({entry.key, reason.value_or("")});
    }
  }

  /// Of feeds and outputs, as `live` calls its ports.
  std::vector<std::string> port_names() const {
    std::vector<std::string> names = names_of(rig_.feeds);
    for (const Rig& part : rig_.parts())
      for (const Way& way : part.ways) {
        const std::string box = part.loudspeaker.empty() ? way.name : part.loudspeaker + "." + way.name;
        if (way.has_one_output()) {
          names.push_back(box);
          continue;
        }
        for (std::size_t f = 0; f < rig_.feeds.size(); ++f)
          if (way.only.empty() || std::find(way.only.begin(), way.only.end(), f) != way.only.end())
            names.push_back(box + "." + rig_.feeds[f].name);
      }
    return names;
  }
  void read_live() {
    auto fields = fields_.table("live", "[live.connect]");
    if (!fields) return;
    auto connect = fields->table("connect", R"({ left = "system:capture_1", "high.left" = "system:playback_1" })");
    fields->close();
    if (connect) read_connections(*connect, "", port_names());
  }
  /// `high.left = ...` is a table in a table, `"high.left" = ...` is none: both are meant alike.
  void read_connections(Fields& fields, const std::string& prefix, const std::vector<std::string>& known) {
    for (const Entry& entry : fields.node().entries) {
      const std::string name = prefix + entry.key;
      if (entry.value.kind == Node::Kind::table) {
        if (auto inside = fields.table(entry.key, R"({ left = "system:playback_1" })"))
          read_connections(*inside, name + ".", known);
        continue;
      }
      const Source at = fields.source_of_key(entry);
      const auto port = fields.text(entry.key, "\"system:playback_1\"");
      if (std::find(known.begin(), known.end(), name) == known.end())
        fields.fault(at, "no feed and no output of this rig", suggestion(name, known));
      if (!port) continue;
      if (port->empty()) fields.fault(entry.key, "a port of another client is wanted, as \"system:playback_1\"");
      rig_.live.connections.push_back({name, *port, at});
    }
  }

  Faults faults_;
  Fields fields_;
  bool look_for_files_;
  Rig rig_;
  Band limits_;
  Way feeds_of_loudspeaker_;  ///< what the ways of the loudspeaker at hand take unless they say otherwise
};

template <typename Named>
const Named& by_name(const std::vector<Named>& all, const std::string& name) {
  const auto found = std::find_if(all.begin(), all.end(), [&](const Named& one) { return one.name == name; });
  if (found == all.end()) throw std::out_of_range(name);
  return *found;
}

FeedLayer read_layer(Fields& fields, const Band& limits) {
  FeedLayer layer;
  layer.gain_db = read_gain(fields);
  layer.eq = read_eq(fields, limits);
  return layer;
}

}  // namespace

const Amplifier& Rig::amplifier_of(const Way& way) const { return by_name(amplifiers, way.amplifier); }
const Driver& Rig::driver_of(const Way& way) const { return by_name(drivers, way.driver); }

Rig parse_rig(const std::string& text, const std::filesystem::path& file) {
  return RigReader(parse_document(text, file), file, false).read();
}
Rig load_rig(const std::filesystem::path& file) {
  const Node root = parse_document(read_text(file), file);
  return RigReader(root, file, true).read();
}

namespace {

/// `rig`: whose feeds and loudspeakers it may name; null: any.
Venue read_venue(const std::string& text, const std::filesystem::path& file, const Rig* rig, double sample_rate_hz) {
  const Node node = parse_document(text, file);
  Faults faults;
  Fields root(node, "", file, faults);
  Venue venue;
  venue.file = file;
  const Band limits{sample_rate_hz / 2.0};
  if ((root.has("way") || root.has("loudspeaker")) && !root.has("venue")) {
    root.fault(root.source(), "a rig file", "a venue file is wanted here");
  } else if (read_head(root, "venue", venue.title)) {
    if (auto all = root.table("venue", "[venue]")) {
      venue.all = read_layer(*all, limits);
      if (auto feeds = all->table("feed", "[venue.feed.left]")) {
        const std::vector<std::string> names = rig == nullptr ? std::vector<std::string>() : names_of(rig->feeds);
        for (auto& [name, fields] : feeds->named_tables("[venue.feed.left]")) {
          if (rig != nullptr && std::find(names.begin(), names.end(), name) == names.end())
            fields.fault(fields.source(), "a feed that the rig does not have",
                         fmt::format("its feeds are {}", fmt::join(names, ", ")));
          venue.feed.emplace(name, read_layer(fields, limits));
          fields.close();
        }
      }
      if (auto loudspeakers = all->table("loudspeaker", "[venue.loudspeaker.fill]")) {
        std::vector<std::string> names;
        if (rig != nullptr)
          for (const Rig& part : rig->loudspeakers) names.push_back(part.loudspeaker);
        for (auto& [name, fields] : loudspeakers->named_tables("[venue.loudspeaker.fill]")) {
          if (rig != nullptr && names.empty())
            fields.fault(fields.source(), "a loudspeaker by its name",
                         "the rig has no [[loudspeaker]]; what all of it gets is gain and eq in [venue]");
          else if (rig != nullptr && std::find(names.begin(), names.end(), name) == names.end())
            fields.fault(fields.source(), "a loudspeaker that the rig does not have", suggestion(name, names));
          LoudspeakerLayer layer;
          static_cast<FeedLayer&>(layer) = read_layer(fields, limits);
          layer.source = fields.source();
          layer.delay_s =
              read_delay(fields, speed_of_sound((rig != nullptr ? rig->controller : Controller()).temperature_degc))
                  .time_s;
          layer.muted = fields.flag("mute").value_or(false);
          fields.close();
          venue.loudspeaker.emplace(name, std::move(layer));
        }
      }
      all->close();
    }
    root.close();
  }
  faults.raise();
  return venue;
}
}  // namespace

Venue parse_venue(const std::string& text, const std::filesystem::path& file, const Rig& rig) {
  return read_venue(text, file, &rig, rig.controller.sample_rate_hz);
}
void must_be_venue(const std::string& text, const std::filesystem::path& file, double sample_rate_hz) {
  read_venue(text, file, nullptr, sample_rate_hz);
}
Venue load_venue(const std::filesystem::path& file, const Rig& rig) { return parse_venue(read_text(file), file, rig); }

}  // namespace rackproof::rig
