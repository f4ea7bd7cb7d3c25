#pragma once
/// What kind of thing moved between two states of a rig, as data. Its two values stand beside it (Move).
#include <string>
#include <variant>
#include <vector>

#include "harness/seal/fact_parts.hpp"

namespace rackproof::seal {

/// A thing with a name came or went: a way, an amplifier, a driver, a loudspeaker.
struct CameOrWent {
  std::string kind, name;
  bool added = false;
};
/// The ways that stayed, from low to high.
struct WaysReordered {
  std::vector<std::string> before, after;
};
/// `pair`: "low/mid".
struct PointCameOrWent {
  std::string pair;
  bool added = false;
};
enum class PointSide { both, low, high };
struct PointMoved {
  std::string pair, what;  ///< `what`: "at", "alignment", "slope"
  PointSide side = PointSide::both;
};
/// `whose`: "the system", "low", "low.left".
struct BandCameOrWent {
  std::string whose;
  bool added = false;
};
struct BandChanged {
  std::string whose;
  FactBand was, now;
};
/// A part of a way that comes and goes as a whole: "highpass", "limit", "thermal".
struct PartCameOrWent {
  std::string way, part;
  bool added = false;
};
/// The value of a key that a person wrote.
struct KeyMoved {
  std::string key;
};
/// What sets a way's threshold.
struct LimitedBy {
  std::string way;
};
struct LoadMoved {
  std::string way;
};
/// A number that moved though nothing in the file did.
struct ComputedAlone {
  std::string way, what;
};
struct SectionsAlone {
  std::string way;
};
struct LatencyMoved {};
enum class Level { threshold, power_threshold, clip_point };
/// `in_volts`: at the terminals; else the same there, at another level of the converter.
struct LevelMoved {
  std::string way;
  Level level = Level::threshold;
  bool in_volts = true;
};

using Change =
    std::variant<CameOrWent, WaysReordered, PointCameOrWent, PointMoved, BandCameOrWent, BandChanged, PartCameOrWent,
                 KeyMoved, LimitedBy, LoadMoved, ComputedAlone, SectionsAlone, LatencyMoved, LevelMoved>;

}  // namespace rackproof::seal
