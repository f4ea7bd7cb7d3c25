#include "harness/seal/fact_parts.hpp"

#include <algorithm>
#include <charconv>
#include <sstream>

namespace rackproof::seal {

using rig::Quantity;

std::vector<std::string> split_at(const std::string& text, char at) {
  std::vector<std::string> parts;
  std::istringstream stream(text);
  for (std::string part; std::getline(stream, part, at);) parts.push_back(part);
  return parts;
}
std::optional<rig::Measure> measure_in(const std::string& text) {
  try {
    using enum Quantity;
    return rig::read_measure(
        text, {frequency, time, distance, voltage, gain, power, impedance, slope, bandwidth, temperature});
  } catch (const rig::Misread&) {
    return std::nullopt;
  }
}
std::optional<double> number_in(const std::string& text) {
  double value = 0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (error != std::errc() || end != text.data() + text.size()) return std::nullopt;
  return value;
}

FactKey::FactKey(const std::string& key) {
  const std::size_t first = key.find('.');
  const std::size_t second = first == std::string::npos ? first : key.find('.', first + 1);
  table = key.substr(0, first);
  if (first != std::string::npos) name = key.substr(first + 1, second - first - 1);
  if (second != std::string::npos) rest = key.substr(second + 1);
}

FactBand::FactBand(const std::string& value) : all(value), type(value.substr(0, value.find(' '))) {
  if (const std::size_t place = value.find(" at "); place != std::string::npos)
    at = value.substr(place + 4, value.find(',', place + 4) - (place + 4));
  shape = value.substr(std::min(value.find(", ") + 2, value.size()));
  if (const auto hz = measure_in(at)) at_hz = hz->value;
}

}  // namespace rackproof::seal
