#pragma once
/// Rigs whose drivers have sheets: band, sensitivity and depth. Invented; at its point both ways play equally loud.
#include <string>

#include "tests/harness/proof/three_ways.hpp"

namespace rackproof::proof::test {

/// a_rig(): 98 dB through 32 dB of gain against 104 dB through 26. The sides are alike, so one feed is enough.
inline rig::Rig two_ways_with_sheets() {
  rig::Rig rig = a_rig();
  rig.feeds.resize(1);
  rig.drivers[0].lowest_hz = 45;
  rig.drivers[0].highest_hz = 4000;
  rig.drivers[0].sensitivity_db = 98;
  rig.drivers[1].lowest_hz = 1200;
  rig.drivers[1].highest_hz = 18000;
  rig.drivers[1].sensitivity_db = 104;
  for (rig::Way& way : rig.ways) way.depth_m = 0.2;
  rig.ways[0].source = a_source("way.low");
  rig.ways[1].source = a_source("way.high");
  return rig;
}
/// The one finding of a check on a rig of one side.
inline Finding only(const std::vector<Finding>& findings) {
  if (findings.size() != 1) throw std::logic_error("not one finding");
  return findings.front();
}

}  // namespace rackproof::proof::test
