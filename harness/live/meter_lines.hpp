#pragma once
/// Meters as lines of text for a terminal.
#include <cstddef>
#include <cstdint>
#include <string>

#include "harness/live/readings.hpp"

namespace rackproof::live {

/// What is known of a running rig besides its readings.
struct Status {
  std::string rig, venue, bypass, server, client;  ///< venue, bypass: empty where there is none
  std::uint32_t period_frames = 0;
  bool real_time = false, freewheel = false, changing = false;
  std::uint64_t fingerprint = 0;  ///< of the numbers of the chain that is heard, as `export` has it
  std::uint64_t retunes = 0, late_cycles = 0;
  std::uint64_t recorded_frames = 0;
  bool records = false;
};

/// Whole lines, none wider than `width`. A bar ends at the output's limit.
std::string meter_lines(const Reading& reading, const Status& status, std::size_t width);

/// `height` lines that were written before are written over.
std::string in_place_of(std::size_t height, const std::string& lines);

}  // namespace rackproof::live
