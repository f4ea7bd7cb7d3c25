// Must hold: what rig.hpp says of the [live] table. What is refused of it is in faults.txt.
#include <gtest/gtest.h>

#include <string>
#include <utility>
#include <vector>

#include "harness/rig/rig.hpp"
#include "tests/harness/rig/example_rig.hpp"

namespace rackproof::rig {
namespace {

std::vector<std::pair<std::string, std::string>> connections_of(const std::string& table) {
  std::vector<std::pair<std::string, std::string>> all;
  for (const LiveConnection& one : parse_rig(kExampleRig + table, "rig.toml").live.connections)
    all.emplace_back(one.name, one.port);
  return all;
}

TEST(LiveTable, NamesFeedsAndOutputsWithAndWithoutQuotes) {
  const std::vector<std::pair<std::string, std::string>> wanted{
      {"left", "system:capture_1"}, {"sub", "system:playback_5"}, {"high.left", "system:playback_1"}};
  EXPECT_EQ(connections_of("[live.connect]\nleft = \"system:capture_1\"\nsub = \"system:playback_5\"\n"
                           "high.left = \"system:playback_1\"\n"),
            wanted);
  EXPECT_EQ(connections_of("[live]\nconnect = { left = \"system:capture_1\", sub = \"system:playback_5\", "
                           "\"high.left\" = \"system:playback_1\" }\n"),
            wanted);
  EXPECT_TRUE(connections_of("").empty());
  EXPECT_TRUE(connections_of("[live]\n").empty());
}

}  // namespace
}  // namespace rackproof::rig
