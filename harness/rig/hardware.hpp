#pragma once
/// What stands in the rack: the tables of the rig file from which all levels are computed. What cannot be used is put
/// among the faults.
#include <vector>

#include "harness/rig/common_tables.hpp"
#include "harness/rig/fields.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof::rig {

/// [controller]. What it says of the bands of all tables that follow.
Band read_controller(Fields& root, Controller& controller);
/// [feeds]
std::vector<Feed> read_feeds(Fields& root);
/// [amplifier.NAME]
std::vector<Amplifier> read_amplifiers(Fields& root);
/// [driver.NAME]
std::vector<Driver> read_drivers(Fields& root);

}  // namespace rackproof::rig
