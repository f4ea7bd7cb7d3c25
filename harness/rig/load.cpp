/// The rig file as a whole. All faults that do not hang on each other are told in one go; a rule that needs two values
/// is left out where one of them is already at fault.
#include <fmt/core.h>
#include <fmt/ranges.h>

#include <algorithm>
#include <stdexcept>
#include <string_view>
#include <utility>

#include "dsp/chain/chain_settings.hpp"
#include "harness/rig/checks.hpp"
#include "harness/rig/common_tables.hpp"
#include "harness/rig/fields.hpp"
#include "harness/rig/hardware.hpp"
#include "harness/rig/rig.hpp"
#include "harness/rig/ways.hpp"

namespace rackproof::rig {
namespace {

using enum Need;

constexpr std::size_t kShortestReason = 12;

/// Letters and digits; beyond ASCII, every character of UTF-8.
std::size_t letters_in(std::string_view text) {
  return static_cast<std::size_t>(std::ranges::count_if(text, [](char c) {
    const bool digit = c >= '0' && c <= '9', letter = (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z');
    return digit || letter || (c & '\xC0') == '\xC0';
  }));
}

class RigReader {
 public:
  RigReader(const Node& root, const std::filesystem::path& file, bool look_for_files)
      : fields_(root, "", file, faults_), look_for_files_(look_for_files) {
    rig_.file = file;
  }

  Rig read() {
    if (fields_.has("venue") && !fields_.has("way") && !fields_.has("loudspeaker"))
      fields_.fault(fields_.source(), "a venue file", "a rig file is wanted here");
    else if (read_head(fields_, "rig", rig_.title))
      read_body();
    faults_.raise();
    return std::move(rig_);
  }

 private:
  void read_body() {
    limits_ = read_controller(fields_, rig_.controller);
    rig_.feeds = read_feeds(fields_);
    rig_.amplifiers = read_amplifiers(fields_);
    rig_.drivers = read_drivers(fields_);
    if (fields_.has("loudspeaker")) {
      read_loudspeakers();
    } else {
      read_loudspeaker(fields_, rig_, "", {});
      fields_.allow("loudspeaker");
    }
    rig_.accept = read_accept(fields_, "[accept]");
    read_live();
    const std::size_t outputs = outputs_of(rig_);
    if (outputs > dsp::kMaxOutputs)
      fields_.fault(
          fields_.source(rig_.loudspeakers.empty() ? "way" : "loudspeaker"),
          fmt::format("ways for {} outputs", outputs),
          fmt::format("at most {} are possible: feeds = \"sum\" makes one output of a way", dsp::kMaxOutputs));
    fields_.close();
  }

  static std::size_t outputs_of(const Rig& rig) {
    std::size_t outputs = 0;
    for (const Rig& part : rig.parts())
      for (const Way& way : part.ways) outputs += way.outputs(rig.feeds.size());
    return outputs;
  }

  /// What both forms have: at the top of the file, or in one [[loudspeaker]], whose keys begin with `prefix`.
  void read_loudspeaker(Fields& fields, Rig& to, const std::string& prefix, const Way& takes) {
    const bool whole = prefix.empty();
    if (auto system = fields.table("system", whole ? "[system]" : "{ gain = \"0 dB\", eq = [] }")) {
      to.system_gain_db = read_gain(*system);
      to.system_eq = read_eq(*system, limits_);
      system->close();
    }
    to.ways = way_reader().read_ways(fields, prefix, takes);
    read_crossover(fields, to, whole, limits_);
  }
  WayReader way_reader() { return {rig_, limits_, look_for_files_, faults_}; }

  void read_loudspeakers() {
    for (const char* key : {"system", "crossover", "way"}) {
      if (!fields_.has(key)) continue;
      fields_.fault(fields_.source(key), fmt::format("{} beside [[loudspeaker]]", key),
                    fmt::format("a rig has either [[loudspeaker]] tables, each with its own {}, or none of them", key));
      fields_.allow(key);
    }
    auto all = fields_.tables("loudspeaker", "[[loudspeaker]] with name, crossover and [[loudspeaker.way]]", required);
    if (!all) return;
    if (all->empty() || all->size() > dsp::kMaxLoudspeakers)
      return fields_.fault(fields_.source("loudspeaker"), fmt::format("{} loudspeakers", all->size()),
                           fmt::format("1 to {} are wanted", dsp::kMaxLoudspeakers));
    std::vector<Named> names;
    for (const Fields& numbered : *all) {
      const std::string prefix = named_path(numbered, "loudspeaker.");
      Fields fields(numbered.node(), prefix, rig_.file, faults_);
      Rig part;
      part.file = rig_.file;
      part.title = rig_.title;
      part.controller = rig_.controller;
      part.feeds = rig_.feeds;
      part.source = fields.source();
      if (const auto name = fields.text("name", "\"main\"", required)) {
        if (!is_name(*name)) fields.fault("name", std::string(kNameRule));
        if (const auto why = taken(*name, names)) fields.fault("name", *why);
        part.loudspeaker = *name;
        names.push_back({*name, part.source});
      }
      Way takes;
      way_reader().read_feeds(fields, takes);
      const Delay delay = way_reader().read_delay(fields);
      part.delay_s = delay.time_s;
      part.delay_distance_m = delay.distance_m;
      part.muted = fields.flag("mute").value_or(false);
      read_loudspeaker(fields, part, prefix + ".", takes);
      part.accept = read_accept(fields, "{ crossover-level = \"why\" }");
      fields.close();
      for (const Amplifier& one : rig_.amplifiers)
        if (uses(part, &Way::amplifier, one.name)) part.amplifiers.push_back(one);
      for (const Driver& one : rig_.drivers)
        if (uses(part, &Way::driver, one.name)) part.drivers.push_back(one);
      rig_.loudspeakers.push_back(std::move(part));
    }
  }
  static bool uses(const Rig& rig, std::string Way::*pointer, const std::string& name) {
    return std::any_of(rig.ways.begin(), rig.ways.end(), [&](const Way& way) { return way.*pointer == name; });
  }
  struct Named {
    std::string name;
    Source source;
  };

  /// At the top of the file, or of one [[loudspeaker]].
  std::vector<Accepted> read_accept(Fields& of, const std::string& example) const {
    std::vector<Accepted> accept;
    auto fields = of.table("accept", example);
    if (!fields) return accept;
    std::vector<std::string> known;
    for (const Check& check : kChecks)
      if (check.may_be_accepted) known.emplace_back(check.id);
    for (const Entry& entry : fields->node().entries) {
      const auto check =
          std::find_if(kChecks.begin(), kChecks.end(), [&](const Check& c) { return c.id == entry.key; });
      const Source at = fields->source_of_key(entry);
      if (check == kChecks.end())
        fields->fault(at, "a check that is not known", suggestion(entry.key, known));
      else if (!check->may_be_accepted)
        fields->fault(at, "a check that guards ears, drivers or amplifiers",
                      fmt::format("it is never accepted; these may be: {}", fmt::join(known, ", ")));
      const auto reason = fields->text(entry.key, "\"sides set apart for this horn, null checked\"");
      if (reason && letters_in(*reason) < kShortestReason)
        fields->fault(entry.key,
                      fmt::format("say why, in {} letters or more, for whoever opens this file next", kShortestReason));
      accept.push_back({entry.key, reason.value_or("")});
    }
    return accept;
  }

  /// Of feeds and outputs, as `live` calls its ports.
  std::vector<std::string> port_names() const {
    std::vector<std::string> names = names_of(rig_.feeds);
    for (const Rig& part : rig_.parts())
      for (const Way& way : part.ways) {
        const std::string box = part.loudspeaker.empty() ? way.name : part.loudspeaker + "." + way.name;
        if (way.has_one_output()) {
          names.push_back(box);
          continue;
        }
        for (const std::string& feed : feeds_taken(way, rig_.feeds)) names.push_back(fmt::format("{}.{}", box, feed));
      }
    return names;
  }
  void read_live() {
    auto fields = fields_.table("live", "[live.connect]");
    if (!fields) return;
    auto connect = fields->table("connect", R"({ left = "system:capture_1", "high.left" = "system:playback_1" })");
    fields->close();
    if (connect) read_connections(*connect, "", port_names());
  }
  /// `high.left = ...` is a table in a table, `"high.left" = ...` is none: both are meant alike.
  void read_connections(Fields& fields, const std::string& prefix, const std::vector<std::string>& known) {
    for (const Entry& entry : fields.node().entries) {
      const std::string name = prefix + entry.key;
      if (entry.value.kind == Node::Kind::table) {
        if (auto inside = fields.table(entry.key, R"({ left = "system:playback_1" })"))
          read_connections(*inside, name + ".", known);
        continue;
      }
      const Source at = fields.source_of_key(entry);
      const auto port = fields.text(entry.key, "\"system:playback_1\"");
      if (std::find(known.begin(), known.end(), name) == known.end())
        fields.fault(at, "no feed and no output of this rig", suggestion(name, known));
      if (!port) continue;
      if (port->empty()) fields.fault(entry.key, "a port of another client is wanted, as \"system:playback_1\"");
      rig_.live.connections.push_back({name, *port, at});
    }
  }

  Faults faults_;
  Fields fields_;
  bool look_for_files_;
  Rig rig_;
  Band limits_;
};

template <typename Named>
const Named& by_name(const std::vector<Named>& all, const std::string& name) {
  const auto found = std::find_if(all.begin(), all.end(), [&](const Named& one) { return one.name == name; });
  if (found == all.end()) throw std::out_of_range(name);
  return *found;
}

}  // namespace

const Amplifier& Rig::amplifier_of(const Way& way) const { return by_name(amplifiers, way.amplifier); }
const Driver& Rig::driver_of(const Way& way) const { return by_name(drivers, way.driver); }

Rig parse_rig(const std::string& text, const std::filesystem::path& file) {
  return RigReader(parse_document(text, file), file, false).read();
}
Rig load_rig(const std::filesystem::path& file) {
  const Node root = parse_document(read_text(file), file);
  return RigReader(root, file, true).read();
}

}  // namespace rackproof::rig
