#pragma once
/// What a running rig says of itself: one line of JSON, and the most of a second.
#include <optional>
#include <string>

#include "harness/live/meter_lines.hpp"
#include "harness/live/readings.hpp"

namespace rackproof {

/// Its keys stand in json_keys.cpp.
std::string state_line(const live::Reading& reading, const live::Status& status);

/// What a second showed, for those who read once a second.
class Second {
 public:
  void add(const live::Reading& reading);
  live::Reading take();  ///< not where it is empty
  bool empty() const { return !worst_; }

 private:
  std::optional<live::Reading> worst_;
};

}  // namespace rackproof
