#pragma once
/// What several verbs print of a rig's plan, in one form: values that may not be there, times, limiters, sections.
#include <cmath>
#include <nlohmann/json.hpp>
#include <optional>

#include "harness/calibration/stages.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof {

template <class T>
nlohmann::ordered_json or_null(const std::optional<T>& value) {
  return value ? nlohmann::ordered_json(*value) : nlohmann::ordered_json(nullptr);
}
/// A time as the file has it: 0.003 s is 3 ms, not 3.0000000000000004.
inline double in_ms(double seconds) { return std::round(1e9 * seconds) / 1e6; }

/// Null without a limiter.
nlohmann::ordered_json limiter_json(const std::optional<rig::Limit>& limit);
/// What the section is, and its exact numbers.
nlohmann::ordered_json stage_json(const Stage& stage);

}  // namespace rackproof
