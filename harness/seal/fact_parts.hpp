#pragma once
/// The parts of a fact: of its key and of its value, as data.
#include <optional>
#include <string>
#include <vector>

#include "harness/rig/units.hpp"

namespace rackproof::seal {

std::vector<std::string> split_at(const std::string& text, char at);
std::optional<rig::Measure> measure_in(const std::string& text);
std::optional<double> number_in(const std::string& text);

/// "amplifier.lows.gain" into table, name and rest.
struct FactKey {
  explicit FactKey(const std::string& key);
  std::string table, name, rest;
};

/// "peaking at 240 Hz, gain -3.5 dB, q 1.4"
struct FactBand {
  explicit FactBand(const std::string& value);
  std::string all, type;
  std::string at, shape;  ///< "240 Hz"; what stands behind it
  double at_hz = 0;
};

}  // namespace rackproof::seal
