#pragma once
/// A frequency for a person, in at most four digits: "82.5 Hz", "1.125 kHz". The one place that decides how many.
#include <fmt/format.h>

#include <string>

namespace rackproof::rig {

inline std::string hertz_text(double frequency_hz) {
  return frequency_hz < 1000 ? fmt::format("{:.4g} Hz", frequency_hz) : fmt::format("{:.4g} kHz", frequency_hz / 1000);
}

}  // namespace rackproof::rig
