#pragma once
/// The ways of a loudspeaker and the points between them.
#include <optional>
#include <string>
#include <vector>

#include "harness/rig/common_tables.hpp"
#include "harness/rig/faults.hpp"
#include "harness/rig/fields.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof::rig {

/// Reads them from the top of a file, or from one [[loudspeaker]].
class WayReader {
 public:
  /// Of `rig`: file, controller, feeds, amplifiers and drivers, as far as they were read. `look_for_files`: a measured
  /// response that is not there is a fault. Rig and faults outlive the reader.
  WayReader(const Rig& rig, const Band& limits, bool look_for_files, Faults& faults)
      : rig_(rig), limits_(limits), look_for_files_(look_for_files), faults_(faults) {}

  /// The list `way`, whose tables are called `prefix`way.NAME. `takes`: the feeds of a way that does not say otherwise.
  std::vector<Way> read_ways(Fields& from, const std::string& prefix, const Way& takes) const;
  /// `feeds` of a way, or of a whole loudspeaker: where the key is there, what `way` had of it before goes.
  void read_feeds(Fields& fields, Way& way) const;
  /// The key `delay`, at the temperature of the rig.
  Delay read_delay(Fields& fields) const;

 private:
  Way read_way(Fields& fields, const std::vector<Way>& before, const Way& takes) const;
  std::optional<std::size_t> feed_named(const std::string& name) const;
  void read_feed_list(Fields& fields, const Node& list, Way& way) const;
  void read_feed_mix(Fields& fields, Way& way) const;
  void read_outputs(Fields& fields, Way& way) const;
  void read_response(Fields& fields, Way& way) const;

  const Rig& rig_;
  Band limits_;
  bool look_for_files_;
  Faults& faults_;
};

/// The table `crossover`, into a loudspeaker. `whole`: it stands at the top of the file.
void read_crossover(Fields& from, Rig& to, bool whole, const Band& limits);

/// The names of the feeds that a way with an output for each takes.
std::vector<std::string> feeds_taken(const Way& way, const std::vector<Feed>& feeds);

}  // namespace rackproof::rig
