#pragma once
/// What is connected to what, and whether each output reaches one amplifier channel, alone.
/// Theorem  a server adds up all that is connected to a sink: what another client plays there passes no limiter of ours,
///          and two of our outputs on one add up above both ceilings. `look` finds each output without a sink or with
///          several, each sink that two outputs share, and each stranger on a sink of ours.
#include <cstddef>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "harness/rig/rig.hpp"

namespace rackproof::live {

/// The server's ports by their whole names, as system:playback_1.
class Graph {
 public:
  struct Port {
    bool takes = false;     ///< it takes audio (a sink); else it gives
    bool physical = false;  ///< a converter's
  };
  virtual ~Graph() = default;
  virtual std::vector<std::string> connected_to(const std::string& port) const = 0;
  virtual std::optional<Port> port(const std::string& name) const = 0;  ///< nothing: no audio port is called so
  virtual std::vector<std::string> ports(bool that_take) const = 0;     ///< all audio ports that take, or give
  virtual bool connect(const std::string& source, const std::string& sink) = 0;
  virtual bool disconnect(const std::string& source, const std::string& sink) = 0;
};

/// What is to be connected: a feed's or an output's own name, and the port of another client.
struct Wiring {
  std::map<std::string, std::string> feeds, outputs;
  bool empty() const { return feeds.empty() && outputs.empty(); }
  bool operator==(const Wiring&) const = default;
};
/// From the rig file's [live] table, and `NAME=PORT` words on top of it. Throws InputError where a name is neither a feed
/// nor an output, where a sink is shared, or where an output has none and another has.
Wiring wiring_of(const rig::Rig& rig, const std::vector<std::string>& outputs, const std::vector<std::string>& words);

/// Makes the connections. Throws InputError where a port is not there or does not go that way, MachineError where the
/// server refuses.
void connect_all(Graph& graph, const std::string& client, const Wiring& wiring);

struct Findings {
  struct Stranger {
    std::string source, sink;
  };
  std::vector<Stranger> strangers;  ///< that are connected to a sink of ours
  std::vector<std::string> words;   ///< all that is not as it should be, a line each
};
Findings look(const Graph& graph, const std::string& client, const std::vector<std::string>& outputs,
              const Wiring& wiring);

}  // namespace rackproof::live
