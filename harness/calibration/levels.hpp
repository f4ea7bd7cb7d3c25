#pragma once
/// Watts, ohms and decibels to volts: what one channel of one way can do, and what it may.
#include <cmath>
#include <optional>

#include "harness/analysis/decibels.hpp"
#include "harness/calibration/compile.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof {

/// Linear power into a resistance, both ways. Textbook arithmetic: P = V^2 / R with V as RMS.
inline double volts_rms(double watts, double ohm) { return std::sqrt(watts * ohm); }

/// The rating that a load looks up: the one with the highest load that does not exceed it, or the lowest rated load.
struct LookedUp {
  rig::Rating rating;
  bool load_below_rating = false;
};
LookedUp look_up(const rig::Amplifier& amplifier, double load_ohm);

/// Gain from input to output in dB, bridging in it, attenuator not.
double amplifier_gain_db(const rig::Amplifier& amplifier);

/// The load that the ratings are looked up at: half of it where they are those of one side and two drive it.
inline double side_load_ohm(const rig::Amplifier& amplifier, double load_ohm) {
  return amplifier.doubled() ? load_ohm / 2 : load_ohm;
}
/// Of one amplifier channel (of the whole bridge, if bridged).
inline double load_ohm(const rig::Way& way, const rig::Driver& driver) {
  return way.in_series ? driver.impedance_ohm * way.drivers : driver.impedance_ohm / way.drivers;
}
/// Of the output's volts that each driver has.
inline double driver_share(const rig::Way& way) { return way.in_series ? 1.0 / way.drivers : 1.0; }

/// Fills the levels of `plan`: load, rating, gain, clip, limits.
void fill_levels(const rig::Rig& rig, const rig::Way& way, OutputPlan& plan);

}  // namespace rackproof
