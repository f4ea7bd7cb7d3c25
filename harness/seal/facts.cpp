#include "harness/seal/facts.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <tuple>

#include "harness/calibration/levels.hpp"
#include "harness/errors.hpp"
#include "harness/files/fingerprint.hpp"
#include "harness/files/plain_file.hpp"
#include "harness/rig/number_table.hpp"
#include "harness/rig/units.hpp"

namespace rackproof::seal {
namespace {

using rig::Quantity;

constexpr const char* kWidths[] = {"q", "bandwidth", "shelf_slope"};

class Collector {
 public:
  void quantity(const std::string& key, Quantity quantity, double value) {
    word(key, rig::text_of({quantity, value == 0 ? 0 : value}));  // no negative zero
  }
  void number(const std::string& key, double value) { word(key, fmt::format("{}", value == 0 ? 0 : value)); }
  void word(const std::string& key, std::string value) { facts.push_back({key, std::move(value)}); }
  void flag(const std::string& key, bool value) { word(key, value ? "true" : "false"); }

  void filter(const std::string& key, const rig::Filter& filter) {
    quantity(key + ".at", Quantity::frequency, filter.at_hz);
    word(key + ".alignment", word_of(filter.alignment));
    quantity(key + ".slope", Quantity::slope, filter.slope_db_per_oct);
  }
  /// In the order of their frequencies: bands in a row may change places.
  void eq(const std::string& key, std::vector<rig::EqBand> bands) {
    std::sort(bands.begin(), bands.end(), [](const rig::EqBand& a, const rig::EqBand& b) {
      return std::tuple(a.at_hz, a.type, a.gain_db, a.width, a.width_value) <
             std::tuple(b.at_hz, b.type, b.gain_db, b.width, b.width_value);
    });
    for (std::size_t n = 0; n < bands.size(); ++n) {
      const rig::EqBand& band = bands[n];
      std::string value = fmt::format("{} at {}", word_of(band.type), rig::text_of({Quantity::frequency, band.at_hz}));
      if (has_gain(band.type))
        value += ", gain " + rig::text_of({Quantity::gain, band.gain_db == 0 ? 0 : band.gain_db});
      value +=
          fmt::format(", {} {}", kWidths[static_cast<std::size_t>(band.width)],
                      band.width == rig::EqWidth::bandwidth_oct ? rig::text_of({Quantity::bandwidth, band.width_value})
                                                                : fmt::format("{}", band.width_value));
      word(fmt::format("{}.{}", key, n + 1), std::move(value));
    }
  }

  Facts facts;
};

template <class Named>
std::vector<const Named*> by_name(const std::vector<Named>& list) {
  std::vector<const Named*> sorted;
  for (const Named& one : list) sorted.push_back(&one);
  std::sort(sorted.begin(), sorted.end(), [](const Named* a, const Named* b) { return a->name < b->name; });
  return sorted;
}

std::string feeds_text(const rig::Way& way, const std::vector<rig::Feed>& feeds) {
  std::string text;
  for (const std::size_t feed : way.only) text += (text.empty() ? "" : ", ") + feeds[feed].name;
  for (const rig::MixedFeed& one : way.mix)
    text += fmt::format("{}{} at {}", text.empty() ? "" : " with ", feeds[one.feed].name,
                        rig::text_of({Quantity::gain, one.gain_db == 0 ? 0 : one.gain_db}));
  return !text.empty() ? text : way.sum_of_feeds ? "sum" : "each";
}

/// What a measured response is, wherever it lies: its fingerprint.
std::string response_fact(const std::filesystem::path& file) {
  try {
    return files::fingerprint_of(files::read_plain_file(file, {rig::kMaxTableBytes, "a response"}));
  } catch (const InputError&) {
    return "none that can be read";  // `prove` says why
  }
}

/// What only few rigs have is there only where it is not as usual: seals of rigs without it stay as they are.
void way_facts(const rig::Rig& rig, const rig::Way& way, Collector& to) {
  const std::string key = "way." + way.name;
  to.word(key + ".feeds", feeds_text(way, rig.feeds));
  if (way.muted) to.flag(key + ".mute", true);
  to.word(key + ".amplifier", way.amplifier);
  to.word(key + ".driver", way.driver);
  to.number(key + ".drivers", way.drivers);
  if (way.in_series && way.drivers > 1) to.word(key + ".wiring", "series");
  if (way.depth_m) to.quantity(key + ".depth", Quantity::distance, *way.depth_m);
  to.quantity(key + ".gain", Quantity::gain, way.gain_db);
  to.word(key + ".polarity", way.inverted ? "inverted" : "normal");
  to.quantity(key + ".delay", Quantity::time, way.delay_s);
  if (way.highpass) to.filter(key + ".highpass", *way.highpass);
  to.eq(key + ".eq", way.eq);
  if (way.limit) {
    to.quantity(key + ".limit.below_clip", Quantity::gain, way.limit->below_clip_db);
    to.quantity(key + ".limit.look_ahead", Quantity::time, way.limit->look_ahead_s);
    to.quantity(key + ".limit.hold", Quantity::time, way.limit->hold_s);
    to.quantity(key + ".limit.release", Quantity::time, way.limit->release_s);
    to.flag(key + ".limit.true_peak", way.limit->true_peak);
  }
  if (way.thermal) to.quantity(key + ".thermal.below_rating", Quantity::gain, way.thermal->below_rating_db);
  if (way.response) to.word(key + ".response", response_fact(*way.response));
  for (const auto& [feed, own] : way.output) {
    const std::string output = fmt::format("{}.output.{}", key, feed);
    if (own.gain_db != 0) to.quantity(output + ".gain", Quantity::gain, own.gain_db);
    if (own.inverted) to.word(output + ".polarity", "inverted");
    if (own.delay_s != 0) to.quantity(output + ".delay", Quantity::time, own.delay_s);
    if (own.muted) to.flag(output + ".mute", true);
    to.eq(output + ".eq", own.eq);
  }
}

/// What the whole rig accepts, or one loudspeaker of it.
void accept_facts(const rig::Rig& rig, Collector& to) {
  for (const rig::Accepted& one : rig.accept) to.word("accept." + one.check, one.reason);
}

/// Of one loudspeaker: its own layer, points and ways.
void loudspeaker_facts(const rig::Rig& rig, Collector& to) {
  if (rig.delay_s != 0) to.quantity("delay", Quantity::time, rig.delay_s);
  if (rig.muted) to.flag("mute", true);
  to.quantity("system.gain", Quantity::gain, rig.system_gain_db);
  to.eq("system.eq", rig.system_eq);
  to.flag("crossover.phase_matched", rig.phase_matched);
  for (std::size_t p = 0; p < rig.points.size(); ++p) {
    const std::string key = fmt::format("crossover.{}/{}", rig.ways[p].name, rig.ways[p + 1].name);
    to.filter(key + ".low", rig.points[p].low);
    to.filter(key + ".high", rig.points[p].high);
  }
  std::vector<std::string> names;
  for (const rig::Way& way : rig.ways) names.push_back(way.name);
  to.word("ways", fmt::format("{}", fmt::join(names, " ")));  // from low to high: an order that means something
  for (const rig::Way& way : rig.ways) way_facts(rig, way, to);
}

/// Without a venue all feeds are treated alike: one output a way says all, but for what outputs have of their own, which
/// is among the facts of the way.
void computed_facts(const CompiledRig& made, Collector& to) {
  std::size_t told = made.outputs.size();
  for (const OutputPlan& plan : made.outputs) {
    if (plan.way_index == told) continue;
    told = plan.way_index;
    const std::string key = "computed." + plan.way;
    to.quantity(key + ".load", Quantity::impedance, plan.load_ohm);
    to.number(key + ".clip_volts_peak", plan.clip_volts_peak);
    to.number(key + ".clip_dbfs_peak", plan.clip_dbfs_peak);
    to.number(key + ".limit_volts_peak", plan.limit_volts_peak);
    to.number(key + ".limit_dbfs_peak", plan.limit_dbfs_peak);
    to.word(key + ".limited_by", name_of(plan.limited_by));
    if (plan.thermal_volts_rms) {
      to.number(key + ".thermal_volts_rms", *plan.thermal_volts_rms);
      to.number(key + ".thermal_dbfs_rms", *plan.thermal_dbfs_rms);
    }
    to.number(key + ".delay_samples", plan.delay_samples);
    to.number(key + ".gain_db", plan.gain_db);
    std::vector<std::array<double, 5>> sections;
    for (const dsp::Biquad& s : plan.sections) sections.push_back({s.b0, s.b1, s.b2, s.a1, s.a2});
    std::sort(sections.begin(), sections.end());
    for (std::size_t n = 0; n < sections.size(); ++n)
      to.word(fmt::format("{}.section.{}", key, n + 1), fmt::format("{}", fmt::join(sections[n], " ")));
  }
}

/// Names and words may look like numbers: drivers "1" and "01" are two.
bool is_word(std::string_view key) {
  if (key.starts_with("accept.") || key.starts_with("live.")) return true;
  const std::string_view last = key.substr(key.rfind('.') + 1);
  constexpr std::string_view kWords[] = {"amplifier", "driver", "feeds", "ways", "response"};
  return std::ranges::find(kWords, last) != std::end(kWords);
}

/// All of a text as numbers, if it is that.
bool read_numbers(std::string_view text, std::vector<double>& numbers) {
  while (!text.empty()) {
    const std::size_t end = std::min(text.find(' '), text.size());
    double value = 0;
    const auto [stop, error] = std::from_chars(text.data(), text.data() + end, value);
    if (error != std::errc() || stop != text.data() + end) return false;
    numbers.push_back(value);
    text.remove_prefix(std::min(end + 1, text.size()));
  }
  return !numbers.empty();
}

}  // namespace

Facts facts_of(const rig::Rig& rig) {
  const CompiledRig made = compile(rig);
  Collector to;
  const rig::Controller& controller = rig.controller;
  to.quantity("controller.sample_rate", Quantity::frequency, controller.sample_rate_hz);
  to.number("controller.block", controller.block_frames);
  if (controller.input_full_scale_volts_rms)
    to.quantity("controller.input_full_scale", Quantity::voltage, *controller.input_full_scale_volts_rms);
  to.quantity("controller.output_full_scale", Quantity::voltage, controller.output_full_scale_volts_rms);
  to.quantity("controller.temperature", Quantity::temperature, controller.temperature_degc);
  for (const rig::Feed* feed : by_name(rig.feeds)) to.number("feeds." + feed->name, feed->channel);
  for (const rig::LiveConnection& one : rig.live.connections) to.word("live.connect." + one.name, one.port);
  accept_facts(rig, to);
  for (const rig::Amplifier* amplifier : by_name(rig.amplifiers)) {
    const std::string key = "amplifier." + amplifier->name;
    std::vector<rig::Rating> ratings = amplifier->ratings;
    std::sort(ratings.begin(), ratings.end(), [](const auto& a, const auto& b) { return a.load_ohm > b.load_ohm; });
    for (std::size_t n = 0; n < ratings.size(); ++n) {
      to.quantity(fmt::format("{}.ratings.{}.power", key, n + 1), Quantity::power, ratings[n].power_watts);
      to.quantity(fmt::format("{}.ratings.{}.load", key, n + 1), Quantity::impedance, ratings[n].load_ohm);
    }
    to.quantity(key + ".gain", Quantity::gain, amplifier_gain_db(*amplifier));
    to.quantity(key + ".attenuator", Quantity::gain, amplifier->attenuator_db);
    to.flag(key + ".attenuator_fixed", amplifier->attenuator_fixed);
    to.flag(key + ".bridged", amplifier->bridged);
    if (amplifier->bridged && amplifier->rated != rig::Rated::unsaid)
      to.word(key + ".rated", amplifier->rated == rig::Rated::bridged ? "bridged" : "per side");
  }
  for (const rig::Driver* driver : by_name(rig.drivers)) {
    const std::string key = "driver." + driver->name;
    to.quantity(key + ".impedance", Quantity::impedance, driver->impedance_ohm);
    to.quantity(key + ".continuous_power", Quantity::power, driver->continuous_power_watts);
    if (driver->peak_power_watts) to.quantity(key + ".peak_power", Quantity::power, *driver->peak_power_watts);
    to.quantity(key + ".thermal_time", Quantity::time, driver->thermal_time_s);
    if (driver->lowest_hz) to.quantity(key + ".lowest", Quantity::frequency, *driver->lowest_hz);
    if (driver->highest_hz) to.quantity(key + ".highest", Quantity::frequency, *driver->highest_hz);
    if (driver->sensitivity_db) to.quantity(key + ".sensitivity", Quantity::gain, *driver->sensitivity_db);
  }
  if (rig.loudspeakers.empty()) {
    loudspeaker_facts(rig, to);
    to.number("computed.latency_samples", made.latency_samples);
    computed_facts(made, to);
    return std::move(to.facts);
  }
  to.number("computed.latency_samples", made.latency_samples);
  for (const rig::Rig& part : rig.loudspeakers) {
    Collector own;
    accept_facts(part, own);
    loudspeaker_facts(part, own);
    computed_facts(compile(part, nullptr, Bypass::none, made.latency_samples), own);
    for (Fact& fact : own.facts)
      to.word(fmt::format("loudspeaker.{}.{}", part.loudspeaker, fact.key), std::move(fact.value));
  }
  return std::move(to.facts);
}

bool same_value(std::string_view key, const std::string& was, const std::string& now) {
  if (was == now) return true;
  if (is_word(key)) return false;
  const double grant = key.starts_with("computed.") ? 1e-6 : 1e-9;
  const auto near = [&](double a, double b) {
    return std::abs(a - b) <= grant * std::max({1e-3, std::abs(a), std::abs(b)});
  };
  std::vector<double> before, after;
  if (read_numbers(was, before) && read_numbers(now, after))
    return before.size() == after.size() && std::equal(before.begin(), before.end(), after.begin(), near);
  try {
    using enum Quantity;
    const auto read = [](const std::string& text) {
      return rig::read_measure(
          text, {frequency, time, distance, voltage, gain, power, impedance, slope, bandwidth, temperature});
    };
    const rig::Measure a = read(was), b = read(now);
    // A time is small in its own unit: relative alone.
    return a.quantity == b.quantity &&
           std::abs(a.value - b.value) <= grant * std::max(std::abs(a.value), std::abs(b.value));
  } catch (const rig::Misread&) {
    return false;
  }
}

}  // namespace rackproof::seal
