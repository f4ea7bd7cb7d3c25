// Must hold: the theorem of graph.hpp, on graphs without a server.
#include "harness/live/graph.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <map>
#include <set>
#include <string>
#include <vector>

#include "tests/harness/live/played.hpp"
#include "tests/harness/refusal.hpp"

namespace rackproof::live {
namespace {

using rackproof::test::refusal_of;
using test::two_way;
using Names = std::vector<std::string>;

const Names kFourOutputs{"low.left", "low.right", "high.left", "high.right"};

class Invented : public Graph {
 public:
  Invented() {
    for (int n = 1; n <= 6; ++n) ports_["system:playback_" + std::to_string(n)] = {true, true};
    for (int n = 1; n <= 2; ++n) ports_["system:capture_" + std::to_string(n)] = {false, true};
    ports_["player:out"] = {false, false};
    ports_["recorder:in"] = {true, false};
  }
  Names connected_to(const std::string& port) const override {
    Names all;
    for (const auto& [source, sink] : links) {
      if (source == port) all.push_back(sink);
      if (sink == port) all.push_back(source);
    }
    return all;
  }
  std::optional<Port> port(const std::string& name) const override {
    const auto found = ports_.find(name);
    return found == ports_.end() ? std::nullopt : std::optional(found->second);
  }
  Names ports(bool that_take) const override {
    Names all;
    for (const auto& [name, port] : ports_)
      if (port.takes == that_take) all.push_back(name);
    return all;
  }
  bool connect(const std::string& source, const std::string& sink) override {
    links.emplace(source, sink);
    return takes_connections;
  }
  bool disconnect(const std::string& source, const std::string& sink) override {
    return links.erase({source, sink}) == 1;
  }
  std::set<std::pair<std::string, std::string>> links;
  bool takes_connections = true;

 private:
  std::map<std::string, Port> ports_;
};

rig::Rig rig_with(const std::string& live) { return rig::parse_rig(two_way() + live, "rig.toml"); }
const std::string kLive = R"(
[live.connect]
left = "system:capture_1"
low.left = "system:playback_1"
low.right = "system:playback_2"
"high.left" = "system:playback_3"
"high.right" = "system:playback_4"
)";

TEST(LiveWiring, ComesFromTheRigFileAndFromWordsOnTopOfIt) {
  const Wiring wiring =
      wiring_of(rig_with(kLive), kFourOutputs, {"high.right=system:playback_6", "right=system:capture_2"});
  EXPECT_EQ(wiring.feeds,
            (std::map<std::string, std::string>{{"left", "system:capture_1"}, {"right", "system:capture_2"}}));
  EXPECT_EQ(wiring.outputs, (std::map<std::string, std::string>{{"low.left", "system:playback_1"},
                                                                {"low.right", "system:playback_2"},
                                                                {"high.left", "system:playback_3"},
                                                                {"high.right", "system:playback_6"}}));
  EXPECT_TRUE(wiring_of(rig_with(""), kFourOutputs, {}).empty());
}

TEST(LiveWiring, EveryOutputHasASinkOfItsOwn) {
  const auto said = [](const Names& words) {
    return refusal_of([&] { wiring_of(rig_with(kLive), kFourOutputs, words); });
  };
  EXPECT_EQ(said({}), "taken");
  EXPECT_NE(said({"high.left=system:playback_1"}).find("high.left and low.left both go to system:playback_1"),
            std::string::npos);
  EXPECT_NE(said({"high=system:playback_1"}).find("right would be a feed (left, right) or an output (low.left"),
            std::string::npos);
  for (const char* word : {"high.left", "=x", "high.left=", ""})
    EXPECT_NE(said({word}).find("NAME=PORT"), std::string::npos) << word;
  const std::string missing =
      refusal_of([&] { wiring_of(rig_with(""), kFourOutputs, {"low.left=system:playback_1"}); });
  EXPECT_NE(missing.find("low.right goes nowhere"), std::string::npos) << missing;
}

TEST(LiveGraph, ConnectsOnceAndOnlyWhatGoesThatWay) {
  Invented graph;
  const Wiring wiring = wiring_of(rig_with(kLive), kFourOutputs, {});
  connect_all(graph, "rackproof", wiring);
  EXPECT_EQ(graph.links.size(), 5u);
  EXPECT_TRUE(graph.links.contains({"rackproof:low.left", "system:playback_1"}));
  EXPECT_TRUE(graph.links.contains({"system:capture_1", "rackproof:left"}));
  graph.takes_connections = false;
  connect_all(graph, "rackproof", wiring);  // all is there: nothing is asked for
  graph.links.clear();
  EXPECT_THROW(connect_all(graph, "rackproof", wiring), MachineError);
  const auto said = [&](const std::string& name, const std::string& port) {
    Wiring one;
    one.outputs[name] = port;
    return refusal_of([&] { connect_all(graph, "rackproof", one); });
  };
  EXPECT_NE(said("low.left", "system:playback_9").find("there are recorder:in, system:playback_1"), std::string::npos);
  EXPECT_NE(said("low.left", "system:capture_1").find("no port that takes audio"), std::string::npos);
}

TEST(LiveGraph, FindsEachOutputThatIsNotAloneOnOneSink) {
  Invented graph;
  const Wiring wiring = wiring_of(rig_with(kLive), kFourOutputs, {});
  connect_all(graph, "rackproof", wiring);
  graph.links.emplace("rackproof:low.left", "recorder:in");  // who listens is no sink
  const auto words = [&](const Wiring& wanted) { return look(graph, "rackproof", kFourOutputs, wanted).words; };
  EXPECT_EQ(words(wiring), Names{});
  EXPECT_EQ(words({}), Names{});

  graph.links.emplace("player:out", "system:playback_3");
  graph.links.emplace("player:out", "system:playback_6");  // not ours
  const Findings found = look(graph, "rackproof", kFourOutputs, wiring);
  ASSERT_EQ(found.strangers.size(), 1u);
  EXPECT_EQ(found.strangers[0].source + " > " + found.strangers[0].sink, "player:out > system:playback_3");
  EXPECT_EQ(found.words, Names{"player:out plays into system:playback_3 as well, past every limit of this rig"});
  EXPECT_EQ(words({}), found.words) << "also where the person has made the connections";
  graph.links.erase({"player:out", "system:playback_3"});

  graph.links.emplace("rackproof:low.left", "system:playback_3");
  EXPECT_EQ(words(wiring), (Names{"low.left goes to several converters: system:playback_1, system:playback_3",
                                  "low.left and high.left add up on system:playback_3, above the limit of each"}));
  graph.links.erase({"rackproof:low.left", "system:playback_3"});

  graph.links.erase({"rackproof:low.left", "system:playback_1"});
  EXPECT_EQ(words(wiring), Names{"low.left is no longer connected to system:playback_1"});
  EXPECT_EQ(words({}), Names{"low.left goes to no converter"});
}

TEST(LiveGraph, AWantedSinkThatIsNoConverterIsLookedAtLikewise) {
  Invented graph;
  Wiring wiring;
  wiring.outputs = {{"low.left", "recorder:in"}};
  graph.links = {{"rackproof:low.left", "recorder:in"}, {"player:out", "recorder:in"}};
  const Findings found = look(graph, "rackproof", {"low.left"}, wiring);
  ASSERT_EQ(found.strangers.size(), 1u);
  EXPECT_EQ(found.strangers[0].sink, "recorder:in");
}

}  // namespace
}  // namespace rackproof::live
