#include "harness/rig/ways.hpp"

#include <fmt/core.h>

#include <algorithm>
#include <filesystem>
#include <string_view>
#include <system_error>
#include <utility>

#include "dsp/chain/chain_settings.hpp"

namespace rackproof::rig {
namespace {

using enum Need;

constexpr Range kDepth{0, 5}, kMargin{0, 40}, kLookAhead{0, 20e-3}, kHold{0, 200e-3}, kRelease{1e-3, 5};
constexpr std::uint32_t kMaxDrivers = 16;

std::string read_pointer(Fields& fields, std::string_view key, const std::vector<std::string>& names,
                         std::string_view example) {
  const auto name = fields.text(key, example, required);
  if (name && std::find(names.begin(), names.end(), *name) == names.end())
    fields.fault(key, fmt::format("no [{}.{}] in this file; {}", key, excerpt(*name), suggestion(*name, names)));
  return name.value_or("");
}

Limit read_limit(Fields& fields) {
  Limit limit;
  limit.source = fields.source();
  limit.below_clip_db = fields.quantity("below_clip", Quantity::gain, kMargin, "\"2 dB\"", required).value_or(0);
  limit.look_ahead_s =
      fields.quantity("look_ahead", Quantity::time, kLookAhead, "\"2 ms\"").value_or(limit.look_ahead_s);
  limit.hold_s = fields.quantity("hold", Quantity::time, kHold, "\"5 ms\"").value_or(limit.hold_s);
  limit.release_s = fields.quantity("release", Quantity::time, kRelease, "\"120 ms\"").value_or(limit.release_s);
  limit.true_peak = fields.flag("true_peak").value_or(limit.true_peak);
  fields.close();
  return limit;
}

}  // namespace

std::vector<Way> WayReader::read_ways(Fields& from, const std::string& prefix, const Way& takes) const {
  const std::string example =
      prefix.empty() ? "[[way]], a table for every way from low to high"
                     : "[[loudspeaker.way]] below its [[loudspeaker]], a table for every way from low to high";
  std::vector<Way> ways;
  auto all = from.tables("way", example, required);
  if (!all) return ways;
  if (all->empty() || all->size() > dsp::kMaxWays) {
    from.fault(from.source("way"), fmt::format("{} ways", all->size()),
               fmt::format("1 to {} are wanted", dsp::kMaxWays));
    return ways;
  }
  for (const Fields& numbered : *all) {
    Fields fields(numbered.node(), named_path(numbered, prefix + "way."), rig_.file, faults_);
    ways.push_back(read_way(fields, ways, takes));
  }
  return ways;
}

Way WayReader::read_way(Fields& fields, const std::vector<Way>& before, const Way& takes) const {
  Way way;
  way.source = fields.source();
  if (const auto name = fields.text("name", "\"sub\"", required)) {
    if (!is_name(*name)) fields.fault("name", std::string(kNameRule));
    if (const auto why = taken(*name, before)) fields.fault("name", *why);
    way.name = *name;
  }
  way.sum_of_feeds = takes.sum_of_feeds;
  way.mix = takes.mix;
  way.only = takes.only;
  read_feeds(fields, way);
  way.muted = fields.flag("mute").value_or(false);
  way.amplifier = read_pointer(fields, "amplifier", names_of(rig_.amplifiers), "\"tops\"");
  way.driver = read_pointer(fields, "driver", names_of(rig_.drivers), "\"cone12\"");
  way.drivers = fields.whole("drivers", 1, kMaxDrivers, "2").value_or(1);
  way.in_series = fields.choice("wiring", {"parallel", "series"}).value_or(0) == 1;
  way.depth_m = fields.quantity("depth", Quantity::distance, kDepth, "\"18 cm\"");
  way.gain_db = read_gain(fields);
  way.inverted = fields.choice("polarity", {"normal", "inverted"}).value_or(0) == 1;
  const Delay delay = read_delay(fields);
  way.delay_s = delay.time_s;
  way.delay_distance_m = delay.distance_m;
  if (auto highpass = fields.table("highpass", kFilterExample)) way.highpass = read_filter(*highpass, limits_);
  way.eq = read_eq(fields, limits_);
  if (auto limit = fields.table("limit", "{ below_clip = \"2 dB\" }")) way.limit = read_limit(*limit);
  if (auto thermal = fields.table("thermal", "{ below_rating = \"1 dB\" }")) {
    way.thermal = Thermal{thermal->quantity("below_rating", Quantity::gain, kMargin, "\"1 dB\"", required).value_or(0),
                          thermal->source()};
    thermal->close();
  }
  read_outputs(fields, way);
  read_response(fields, way);
  fields.close();
  return way;
}

void WayReader::read_feeds(Fields& fields, Way& way) const {
  constexpr std::string_view kForms = R"("each", "sum", [ "left" ] or { left = "0 dB", right = "-6 dB" })";
  fields.allow("feeds");
  const Entry* const entry = fields.node().find("feeds");
  if (entry == nullptr) return;
  way.sum_of_feeds = false;
  way.mix.clear();
  way.only.clear();
  switch (entry->value.kind) {
    case Node::Kind::text:
      if (entry->value.text != "each" && entry->value.text != "sum" && feed_named(entry->value.text))
        return fields.fault("feeds", fmt::format("one feed is a list: feeds = [ \"{}\" ]", entry->value.text));
      way.sum_of_feeds = fields.choice("feeds", {"each", "sum"}).value_or(0) == 1;
      return;
    case Node::Kind::list:
      return read_feed_list(fields, entry->value, way);
    case Node::Kind::table:
      return read_feed_mix(fields, way);
    default:
      fields.fault("feeds", fmt::format("{} is wanted here", kForms));
  }
}

std::optional<std::size_t> WayReader::feed_named(const std::string& name) const {
  const auto found =
      std::find_if(rig_.feeds.begin(), rig_.feeds.end(), [&](const Feed& feed) { return feed.name == name; });
  if (found == rig_.feeds.end()) return std::nullopt;
  return static_cast<std::size_t>(found - rig_.feeds.begin());
}

void WayReader::read_feed_list(Fields& fields, const Node& list, Way& way) const {
  const std::vector<std::string> known = names_of(rig_.feeds);
  if (list.items.empty()) fields.fault("feeds", fmt::format("at least one is wanted: {}", one_of(known)));
  for (const Node& item : list.items) {
    const auto feed = item.kind == Node::Kind::text ? feed_named(item.text) : std::nullopt;
    if (!feed)
      fields.fault("feeds", fmt::format("{} is no feed of this rig; {}", item.written,
                                        suggestion(item.kind == Node::Kind::text ? item.text : "", known)));
    else if (std::find(way.only.begin(), way.only.end(), *feed) != way.only.end())
      fields.fault("feeds", fmt::format("each feed once: {} is there twice", item.written));
    else
      way.only.push_back(*feed);
  }
}

void WayReader::read_feed_mix(Fields& fields, Way& way) const {
  auto mix = fields.table("feeds", R"({ left = "0 dB", right = "-6 dB" })");
  const std::vector<std::string> known = names_of(rig_.feeds);
  if (mix->node().entries.empty()) fields.fault("feeds", "a mix has at least one feed, such as { left = \"0 dB\" }");
  for (const Entry& entry : mix->node().entries) {
    const auto feed = feed_named(entry.key);
    if (!feed) mix->fault(mix->source_of_key(entry), "a feed that the rig does not have", suggestion(entry.key, known));
    const auto gain = mix->quantity(entry.key, Quantity::gain, kGain, "\"-6 dB\"");
    if (feed) way.mix.push_back({*feed, gain.value_or(0)});
  }
  mix->close();
}

/// [way.output.FEED]
void WayReader::read_outputs(Fields& fields, Way& way) const {
  constexpr std::string_view kExample = "[way.output.left] with gain = \"-1 dB\"";
  auto all = fields.table("output", kExample);
  if (!all) return;
  if (way.has_one_output())
    return fields.fault(fields.source("output"), "tables for the outputs of a way that has one output",
                        fmt::format("of {} these are keys of the way itself: gain, delay, polarity, eq, mute",
                                    way.sum_of_feeds ? "feeds = \"sum\"" : "a mix"));
  const std::vector<std::string> names = feeds_taken(way, rig_.feeds);
  for (auto& [name, own] : all->named_tables(kExample)) {
    if (std::find(names.begin(), names.end(), name) == names.end())
      own.fault(own.source(), "a feed that this way does not take", suggestion(name, names));
    OutputLayer layer;
    layer.source = own.source();
    layer.gain_db = read_gain(own);
    layer.inverted = own.choice("polarity", {"normal", "inverted"}).value_or(0) == 1;
    const Delay delay = read_delay(own);
    layer.delay_s = delay.time_s;
    layer.delay_distance_m = delay.distance_m;
    layer.eq = read_eq(own, limits_);
    layer.muted = own.flag("mute").value_or(false);
    own.close();
    way.output.emplace(name, std::move(layer));
  }
}

Delay WayReader::read_delay(Fields& fields) const {
  return rig::read_delay(fields, speed_of_sound(rig_.controller.temperature_degc));
}

void WayReader::read_response(Fields& fields, Way& way) const {
  const auto name = fields.text("response", "\"horn.csv\"");
  if (!name) return;
  if (name->empty() || name->find('\0') != name->npos)
    return fields.fault("response", "the name of a file is wanted here, such as \"horn.csv\"");
  way.response = rig_.file.parent_path() / *name;
  way.response_source = fields.source("response");
  std::error_code error;
  const auto type = std::filesystem::status(*way.response, error).type();
  if (look_for_files_ &&
      (type == std::filesystem::file_type::not_found || type == std::filesystem::file_type::directory))
    fields.fault("response", fmt::format("there is no file {}; the name is looked for beside the rig file",
                                         way.response->string()));
}

void read_crossover(Fields& from, Rig& to, bool whole, const Band& limits) {
  const std::size_t ways = from.has("way") && from.node().find("way")->value.kind == Node::Kind::list
                               ? from.node().find("way")->value.items.size()
                               : 0;
  constexpr std::string_view kPoints = R"([ { at = "95 Hz", alignment = "linkwitz-riley", slope = "24 dB/oct" } ])";
  const std::string example =
      whole ? fmt::format("[crossover] with points = {}", kPoints) : fmt::format("{{ points = {} }}", kPoints);
  auto fields = from.table("crossover", example, ways > 1 ? required : optional);
  if (!fields) return;
  to.phase_matched = fields->flag("phase_matched").value_or(true);
  auto points = fields->tables("points", kPoints, ways > 1 ? required : optional);
  fields->close();
  if (!points) return;
  const std::size_t count = fields->node().find("points")->value.items.size();
  if (ways != 0 && count + 1 != ways)
    fields->fault(fields->source("points"), fmt::format("{} point{}", count, count == 1 ? "" : "s"),
                  fmt::format("{} way{} need{} {}: one fewer than there are ways", ways, ways == 1 ? "" : "s",
                              ways == 1 ? "s" : "", ways - 1));
  std::optional<Point> before;
  for (Fields& one : *points) {
    const auto point = read_point(one, limits);
    if (!point) continue;
    if (before && !(point->low.at_hz > before->low.at_hz && point->high.at_hz > before->high.at_hz))
      one.fault(one.source(), text_of({Quantity::frequency, point->low.at_hz}),
                fmt::format("points go from low to high: above {} is wanted here",
                            text_of({Quantity::frequency, std::max(before->low.at_hz, before->high.at_hz)})));
    to.points.push_back(*point);
    before = point;
  }
}

std::vector<std::string> feeds_taken(const Way& way, const std::vector<Feed>& feeds) {
  std::vector<std::string> names;
  for (std::size_t f = 0; f < feeds.size(); ++f)
    if (way.only.empty() || std::find(way.only.begin(), way.only.end(), f) != way.only.end())
      names.push_back(feeds[f].name);
  return names;
}

}  // namespace rackproof::rig
