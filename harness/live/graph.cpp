#include "harness/live/graph.hpp"

#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>

#include "harness/errors.hpp"
#include "harness/files/shown.hpp"

namespace rackproof::live {
namespace {

bool has(const std::vector<std::string>& all, const std::string& one) {
  return std::ranges::find(all, one) != all.end();
}

void must_be_whole(const Wiring& wiring, const std::vector<std::string>& outputs, const std::string& where) {
  if (wiring.outputs.empty()) return;
  std::map<std::string, std::string> taken;
  for (const auto& [output, sink] : wiring.outputs) {
    const auto [before, fresh] = taken.emplace(sink, output);
    if (!fresh)
      throw InputError(
          fmt::format("{}: {} and {} both go to {}, where they would add up above their limits; each output "
                      "has a sink of its own",
                      where, before->second, output, files::shown(sink)));
  }
  for (const std::string& output : outputs)
    if (!wiring.outputs.contains(output))
      throw InputError(
          fmt::format("{}: {} goes nowhere while other outputs are connected; right would be a sink for "
                      "each, as {}=system:playback_1",
                      where, output, output));
}

}  // namespace

Wiring wiring_of(const rig::Rig& rig, const std::vector<std::string>& outputs, const std::vector<std::string>& words) {
  Wiring wiring;
  std::vector<std::string> feeds;
  for (const rig::Feed& feed : rig.feeds) feeds.push_back(feed.name);
  const auto add = [&](const std::string& name, const std::string& port, const std::string& where) {
    if (has(feeds, name))
      wiring.feeds[name] = port;
    else if (has(outputs, name))
      wiring.outputs[name] = port;
    else
      throw InputError(fmt::format("{}: read {}; right would be a feed ({}) or an output ({})", where,
                                   files::shown(name), fmt::join(feeds, ", "), fmt::join(outputs, ", ")));
  };
  for (const rig::LiveConnection& one : rig.live.connections)
    add(one.name, one.port,
        fmt::format("{}:{}:{}: {}", one.source.file.string(), one.source.line, one.source.column, one.source.key));
  for (const std::string& word : words) {
    const std::size_t equals = word.find('=');
    if (equals == word.npos || equals == 0 || equals + 1 == word.size())
      throw InputError(fmt::format("--connect: read {}; right would be NAME=PORT, as in {}=system:playback_1",
                                   files::shown(word), outputs.empty() ? "high.left" : outputs.front()));
    add(word.substr(0, equals), word.substr(equals + 1), "--connect");
  }
  must_be_whole(wiring, outputs, words.empty() ? rig.file.string() : "--connect");
  return wiring;
}

void connect_all(Graph& graph, const std::string& client, const Wiring& wiring) {
  const auto join = [&](const std::string& source, const std::string& sink, const std::string& theirs, bool takes) {
    const std::optional<Graph::Port> port = graph.port(theirs);
    if (!port || port->takes != takes)
      throw InputError(fmt::format("{}: no port that {} audio is called so; there are {}", files::shown(theirs),
                                   takes ? "takes" : "gives",
                                   files::shown(fmt::format("{}", fmt::join(graph.ports(takes), ", ")))));
    if (theirs.starts_with(client + ":"))
      throw InputError(fmt::format("{}: a port of this program itself; right would be another client's", theirs));
    if (!has(graph.connected_to(source), sink) && !graph.connect(source, sink))
      throw MachineError(fmt::format("{} cannot be connected to {}", files::shown(source), files::shown(sink)));
  };
  const auto ours = [&](const std::string& name) { return fmt::format("{}:{}", client, name); };
  for (const auto& [output, sink] : wiring.outputs) join(ours(output), sink, sink, true);
  for (const auto& [feed, source] : wiring.feeds) join(source, ours(feed), source, false);
}

Findings look(const Graph& graph, const std::string& client, const std::vector<std::string>& outputs,
              const Wiring& wiring) {
  Findings found;
  std::map<std::string, std::vector<std::string>> sinks;  // of ours, and which outputs go there
  for (const std::string& output : outputs) {
    std::vector<std::string> converters;
    const auto wanted = wiring.outputs.find(output);
    bool is_there = false;
    for (const std::string& sink : graph.connected_to(fmt::format("{}:{}", client, output))) {
      const std::optional<Graph::Port> port = graph.port(sink);
      const bool is_wanted = wanted != wiring.outputs.end() && wanted->second == sink;
      is_there = is_there || is_wanted;
      if (!is_wanted && !(port && port->physical)) continue;  // a recorder or a meter may listen
      converters.push_back(sink);
      sinks[sink].push_back(output);
    }
    if (wanted != wiring.outputs.end() && !is_there)
      found.words.push_back(fmt::format("{} is no longer connected to {}", output, wanted->second));
    else if (converters.empty())
      found.words.push_back(fmt::format("{} goes to no converter", output));
    if (converters.size() > 1)
      found.words.push_back(fmt::format("{} goes to several converters: {}", output, fmt::join(converters, ", ")));
  }
  for (const auto& [sink, ours] : sinks) {
    if (ours.size() > 1)
      found.words.push_back(fmt::format("{} add up on {}, above the limit of each", fmt::join(ours, " and "), sink));
    for (const std::string& source : graph.connected_to(sink)) {
      if (source.starts_with(client + ":")) continue;
      found.strangers.push_back({source, sink});
      found.words.push_back(fmt::format("{} plays into {} as well, past every limit of this rig", source, sink));
    }
  }
  return found;
}

}  // namespace rackproof::live
