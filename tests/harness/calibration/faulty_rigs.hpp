#pragma once
/// Faults planted in the sound rig of a_rig.hpp, each with the nearest rig that must not be blamed.
#include <gmock/gmock.h>

#include <functional>
#include <set>
#include <string>
#include <vector>

#include "a_rig.hpp"
#include "harness/calibration/compile.hpp"

namespace rackproof {

struct Fault {
  const char* code;
  std::function<void(rig::Rig&, rig::Venue&)> plant;
  std::vector<std::string> words;                         ///< of the text
  std::function<void(rig::Rig&, rig::Venue&)> near_miss;  ///< what is still sound, in this respect
};
inline void PrintTo(const Fault& fault, std::ostream* out) { *out << fault.code; }

inline std::vector<Warning> warnings_with(const std::function<void(rig::Rig&, rig::Venue&)>& change) {
  rig::Rig rig = a_rig();
  rig::Venue venue;
  change(rig, venue);
  return compile(rig, &venue).warnings;
}
inline std::multiset<std::string> codes_of(const std::vector<Warning>& warnings) {
  std::multiset<std::string> found;
  for (const Warning& warning : warnings) found.insert(warning.code);
  return found;
}

/// One, for two outputs alike, with the key to change and the figures that it is about.
inline void expect_told_once(const Fault& fault) {
  const std::vector<Warning> warnings = warnings_with(fault.plant);
  std::string text;
  for (const Warning& warning : warnings)
    if (warning.code == fault.code) text += warning.text;
  const auto found = codes_of(warnings);
  EXPECT_EQ(found.count(fault.code), 1u) << fault.code << " among " << testing::PrintToString(found);
  for (const std::string& word : fault.words) EXPECT_THAT(text, testing::HasSubstr(word));
}
inline void expect_near_miss_unblamed(const Fault& fault) {
  const auto found = codes_of(warnings_with(fault.near_miss));
  EXPECT_EQ(found.count(fault.code), 0u) << fault.code;
}

/// A sub, LR at 100 Hz, below the two ways.
inline void add_sub(rig::Rig& rig) {
  rig.points.insert(rig.points.begin(), a_point(100));
  rig.ways.insert(rig.ways.begin(), a_way("sub", "lows", "cone"));
  rig.ways[0].highpass = a_filter(30, rig::Alignment::butterworth);
}

}  // namespace rackproof
