#pragma once
/// What stands in more than one place of the rig file, or in the venue file too: the head, names, filters, points,
/// gains and delays. What cannot be used is put among the faults and comes back as nothing.
#include <fmt/core.h>

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "harness/rig/fields.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof::rig {

// What is allowed is wide enough for any loudspeaker and narrow enough to catch a slip of the unit.
inline constexpr Range kGain{-40, 40};
inline constexpr std::string_view kFilterExample =
    R"({ at = "95 Hz", alignment = "linkwitz-riley", slope = "24 dB/oct" })";

/// Format and title. False where the format is another one, so that no more can be told.
bool read_head(Fields& root, std::string_view what, std::string& title);

/// What the bands of a file need to know of its rig.
struct Band {
  double nyquist_hz = 96'000;  ///< the highest there is, where the sample rate is at fault

  /// The key `at`.
  std::optional<double> frequency(Fields& fields, std::string_view example) const;
};

/// The list `eq`, without the bands that are at fault.
std::vector<EqBand> read_eq(Fields& fields, const Band& limits);
/// The key `gain`, in dB; 0 where it is not there.
double read_gain(Fields& fields);
/// A table of `at`, `alignment` and `slope`.
std::optional<Filter> read_filter(Fields& fields, const Band& limits);
/// One point of a crossover: one filter for both ways, or `low` and `high`.
std::optional<Point> read_point(Fields& fields, const Band& limits);

struct Delay {
  double time_s = 0;
  std::optional<double> distance_m;  ///< as written, if it was a distance
};
/// The key `delay`. `speed`: of sound, in m/s.
Delay read_delay(Fields& fields, double speed);

std::string lower_case(std::string name);  ///< A to Z alone
template <typename Named>
std::vector<std::string> names_of(const std::vector<Named>& all) {
  std::vector<std::string> names;
  for (const Named& one : all) names.push_back(one.name);
  return names;
}

/// Outputs become files by these names, so a name that is taken in another case is taken.
template <typename Named>
std::optional<std::string> taken(const std::string& name, const std::vector<Named>& before) {
  for (const Named& one : before) {
    if (one.name == name) return fmt::format("each name once: line {} has it too", one.source.line);
    if (lower_case(one.name) == lower_case(name))
      return fmt::format(
          "line {} has \"{}\", which differs in capitals only: as the names of output files, some "
          "systems hold the two for one",
          one.source.line, one.name);
  }
  return std::nullopt;
}
/// The path of a table of a list: the person's own name for it says more than its number.
std::string named_path(const Fields& numbered, const std::string& prefix);

}  // namespace rackproof::rig
