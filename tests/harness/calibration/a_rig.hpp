#pragma once
/// A sound two-way rig to bend: invented, 48 kHz, +18 dBu, one feed or more, amplifiers as in the worked example.
#include <cmath>
#include <numbers>
#include <string>
#include <vector>

#include "harness/rig/rig.hpp"

namespace rackproof {

inline double volts_of_dbu(double dbu) { return std::sqrt(0.6) * std::pow(10.0, dbu / 20); }

inline rig::Amplifier an_amplifier(std::string name, std::vector<rig::Rating> ratings, double gain_db) {
  rig::Amplifier amplifier;
  amplifier.name = std::move(name);
  amplifier.ratings = std::move(ratings);
  amplifier.gain_db = gain_db;
  return amplifier;
}
inline rig::Driver a_driver(std::string name, double ohm, double watts, std::optional<double> peak_watts = {}) {
  rig::Driver driver;
  driver.name = std::move(name);
  driver.impedance_ohm = ohm;
  driver.continuous_power_watts = watts;
  driver.peak_power_watts = peak_watts;
  return driver;
}
inline rig::Filter a_filter(double at_hz, rig::Alignment alignment = rig::Alignment::linkwitz_riley, int slope = 24) {
  rig::Filter filter;
  filter.at_hz = at_hz;
  filter.alignment = alignment;
  filter.slope_db_per_oct = slope;
  return filter;
}
inline rig::Point a_point(double at_hz, rig::Alignment alignment = rig::Alignment::linkwitz_riley, int slope = 24) {
  rig::Point point;
  point.low = point.high = a_filter(at_hz, alignment, slope);
  return point;
}
inline rig::EqBand a_band(rig::EqType type, double at_hz, double gain_db, double q = 1) {
  rig::EqBand band;
  band.type = type;
  band.at_hz = at_hz;
  band.gain_db = gain_db;
  band.width_value = q;
  return band;
}
inline rig::Source a_source(std::string key) { return {"a.toml", 7, 3, std::move(key)}; }

inline rig::Way a_way(std::string name, std::string amplifier, std::string driver) {
  rig::Way way;
  way.source = a_source("way." + name);
  way.name = std::move(name);
  way.amplifier = std::move(amplifier);
  way.driver = std::move(driver);
  way.limit.emplace();
  way.limit->below_clip_db = 2;
  way.limit->source = a_source(way.source.key + ".limit");
  way.thermal.emplace();
  way.thermal->below_rating_db = 1;
  way.thermal->source = a_source(way.source.key + ".thermal");
  return way;
}

/// Lows and highs, left and right.
inline rig::Rig a_rig() {
  rig::Rig rig;
  rig.file = "a.toml";
  rig.controller.output_full_scale_volts_rms = volts_of_dbu(18);
  rig.feeds = {{"left", 1, {}}, {"right", 2, {}}};
  rig.amplifiers = {an_amplifier("lows", {{700, 8}, {1150, 4}}, 32), an_amplifier("highs", {{200, 8}}, 26)};
  rig.drivers = {a_driver("cone", 8, 350, 1400), a_driver("horn", 8, 60, 240)};
  rig.points = {a_point(1600)};
  rig.ways = {a_way("low", "lows", "cone"), a_way("high", "highs", "horn")};
  rig.ways[0].highpass = a_filter(55, rig::Alignment::butterworth);
  return rig;
}

/// One way, one feed, nothing but an amplifier and a driver.
inline rig::Rig one_way(rig::Amplifier amplifier, rig::Driver driver, double full_scale_dbu = 18) {
  rig::Rig rig;
  rig.file = "a.toml";
  rig.controller.output_full_scale_volts_rms = volts_of_dbu(full_scale_dbu);
  rig.feeds = {{"main", 1, {}}};
  rig.ways = {a_way("full", amplifier.name, driver.name)};
  rig.amplifiers = {std::move(amplifier)};
  rig.drivers = {std::move(driver)};
  return rig;
}

}  // namespace rackproof
