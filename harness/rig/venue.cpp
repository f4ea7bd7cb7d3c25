/// The venue file. All faults that do not hang on each other are told in one go.
#include <fmt/core.h>
#include <fmt/ranges.h>

#include <algorithm>
#include <map>
#include <string>
#include <utility>
#include <vector>

#include "harness/rig/common_tables.hpp"
#include "harness/rig/faults.hpp"
#include "harness/rig/fields.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof::rig {
namespace {

FeedLayer read_layer(Fields& fields, const Band& limits) {
  FeedLayer layer;
  layer.gain_db = read_gain(fields);
  layer.eq = read_eq(fields, limits);
  return layer;
}

/// [venue.feed.NAME]. `rig`: whose feeds there are; null: any.
std::map<std::string, FeedLayer> read_feed_layers(Fields& venue, const Rig* rig, const Band& limits) {
  std::map<std::string, FeedLayer> layers;
  auto all = venue.table("feed", "[venue.feed.left]");
  if (!all) return layers;
  const std::vector<std::string> names = rig == nullptr ? std::vector<std::string>() : names_of(rig->feeds);
  for (auto& [name, fields] : all->named_tables("[venue.feed.left]")) {
    if (rig != nullptr && std::find(names.begin(), names.end(), name) == names.end())
      fields.fault(fields.source(), "a feed that the rig does not have",
                   fmt::format("its feeds are {}", fmt::join(names, ", ")));
    layers.emplace(name, read_layer(fields, limits));
    fields.close();
  }
  return layers;
}

/// [venue.loudspeaker.NAME]. `rig`: whose loudspeakers there are; null: any.
std::map<std::string, LoudspeakerLayer> read_loudspeaker_layers(Fields& venue, const Rig* rig, const Band& limits) {
  std::map<std::string, LoudspeakerLayer> layers;
  auto all = venue.table("loudspeaker", "[venue.loudspeaker.fill]");
  if (!all) return layers;
  std::vector<std::string> names;
  if (rig != nullptr)
    for (const Rig& part : rig->loudspeakers) names.push_back(part.loudspeaker);
  const double speed = speed_of_sound((rig != nullptr ? rig->controller : Controller()).temperature_degc);
  for (auto& [name, fields] : all->named_tables("[venue.loudspeaker.fill]")) {
    if (rig != nullptr && names.empty())
      fields.fault(fields.source(), "a loudspeaker by its name",
                   "the rig has no [[loudspeaker]]; what all of it gets is gain and eq in [venue]");
    else if (rig != nullptr && std::find(names.begin(), names.end(), name) == names.end())
      fields.fault(fields.source(), "a loudspeaker that the rig does not have", suggestion(name, names));
    LoudspeakerLayer layer;
    static_cast<FeedLayer&>(layer) = read_layer(fields, limits);
    layer.source = fields.source();
    layer.delay_s = read_delay(fields, speed).time_s;
    layer.muted = fields.flag("mute").value_or(false);
    fields.close();
    layers.emplace(name, std::move(layer));
  }
  return layers;
}

/// `rig`: whose feeds and loudspeakers it may name; null: any.
Venue read_venue(const std::string& text, const std::filesystem::path& file, const Rig* rig, double sample_rate_hz) {
  const Node node = parse_document(text, file);
  Faults faults;
  Fields root(node, "", file, faults);
  Venue venue;
  venue.file = file;
  const Band limits{sample_rate_hz / 2.0};
  if ((root.has("way") || root.has("loudspeaker")) && !root.has("venue")) {
    root.fault(root.source(), "a rig file", "a venue file is wanted here");
  } else if (read_head(root, "venue", venue.title)) {
    if (auto all = root.table("venue", "[venue]")) {
      venue.all = read_layer(*all, limits);
      venue.feed = read_feed_layers(*all, rig, limits);
      venue.loudspeaker = read_loudspeaker_layers(*all, rig, limits);
      all->close();
    }
    root.close();
  }
  faults.raise();
  return venue;
}

}  // namespace

Venue parse_venue(const std::string& text, const std::filesystem::path& file, const Rig& rig) {
  return read_venue(text, file, &rig, rig.controller.sample_rate_hz);
}
void must_be_venue(const std::string& text, const std::filesystem::path& file, double sample_rate_hz) {
  read_venue(text, file, nullptr, sample_rate_hz);
}
Venue load_venue(const std::filesystem::path& file, const Rig& rig) { return parse_venue(read_text(file), file, rig); }

}  // namespace rackproof::rig
