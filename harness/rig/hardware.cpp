#include "harness/rig/hardware.hpp"

#include <fmt/core.h>

#include <algorithm>

#include "dsp/chain/chain_settings.hpp"

namespace rackproof::rig {
namespace {

using enum Need;

constexpr Range kLevel{1e-3, 100}, kTemperature{-40, 60}, kAmplifierGain{-20, 60}, kAttenuator{-100, 0};
constexpr Range kPower{0.1, 100e3}, kImpedance{0.1, 10e3}, kThermalTime{50e-3, 60};
constexpr Range kDriverBand{1, 100e3}, kDriverSensitivity{50, 130};
constexpr std::uint32_t kMaxBlock = 65'536, kMaxChannel = 1024;

void read_rating(Fields& fields, Amplifier& amplifier) {
  const auto power = fields.quantity("power", Quantity::power, kPower, "\"700 W\"", required);
  const auto load = fields.quantity("load", Quantity::impedance, kImpedance, "\"8 ohm\"", required);
  fields.close();
  for (const Rating& before : amplifier.ratings)
    if (load && before.load_ohm == *load) fields.fault("load", "each load once: another rating has it too");
  if (load) amplifier.ratings.push_back({power.value_or(1), *load});
}

Amplifier read_amplifier(const std::string& name, Fields& fields) {
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
    fields.fault("rated",
                 "these would be the figures of two sides bridged to one, and bridged is false: say bridged = true, "
                 "or give the figures of one side");
  fields.close();
  return amplifier;
}

Driver read_driver(const std::string& name, Fields& fields) {
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
  return driver;
}

/// The tables [KEY.NAME], one after the other.
template <class Named>
std::vector<Named> read_named(Fields& root, std::string_view key, std::string_view example,
                              Named (*read)(const std::string& name, Fields& fields)) {
  std::vector<Named> list;
  if (auto all = root.table(key, example, required))
    for (auto& [name, fields] : all->named_tables(example)) list.push_back(read(name, fields));
  return list;
}

}  // namespace

Band read_controller(Fields& root, Controller& controller) {
  Band limits;
  auto fields = root.table("controller", "[controller] with sample_rate and output_full_scale", required);
  if (!fields) return limits;
  constexpr std::uint32_t kRates[] = {44'100, 48'000, 88'200, 96'000, 176'400, 192'000};
  if (const auto rate = fields->measure("sample_rate", {Quantity::frequency}, "\"48 kHz\"", required)) {
    const auto found = std::find(std::begin(kRates), std::end(kRates), rate->value);
    if (found == std::end(kRates)) {
      fields->fault("sample_rate", "44.1, 48, 88.2, 96, 176.4 or 192 kHz is wanted here");
    } else {
      controller.sample_rate_hz = *found;
      limits.nyquist_hz = *found / 2.0;
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
  return limits;
}

std::vector<Feed> read_feeds(Fields& root) {
  std::vector<Feed> feeds;
  auto fields = root.table("feeds", "[feeds] with left = 1", required);
  if (!fields) return feeds;
  const std::size_t count = fields->node().entries.size();
  if (count == 0 || count > dsp::kMaxFeeds) {
    fields->fault(fields->source(), fmt::format("{} feeds", count),
                  fmt::format("1 to {} are wanted, such as left = 1", dsp::kMaxFeeds));
    return feeds;
  }
  for (const Entry& entry : fields->node().entries) {
    const auto bad_name = [&](const std::string& why) {
      fields->fault(fields->source_of_key(entry), fmt::format("\"{}\"", excerpt(entry.key)), why);
    };
    if (!is_name(entry.key)) bad_name(std::string(kNameRule));
    if (const auto why = taken(entry.key, feeds)) bad_name(*why);
    const auto channel = fields->whole(entry.key, 1, kMaxChannel, "1");
    feeds.push_back({entry.key, channel.value_or(1), fields->source(entry.key)});
  }
  return feeds;
}

std::vector<Amplifier> read_amplifiers(Fields& root) {
  return read_named(root, "amplifier", "[amplifier.tops]", read_amplifier);
}

std::vector<Driver> read_drivers(Fields& root) { return read_named(root, "driver", "[driver.cone12]", read_driver); }

}  // namespace rackproof::rig
