#include "harness/proof/path_parts.hpp"

#include <algorithm>
#include <cmath>
#include <limits>

#include <fmt/format.h>
#include <fmt/ranges.h>

#include "dsp/design/response.hpp"
#include "harness/analysis/bands.hpp"
#include "harness/analysis/decibels.hpp"
#include "harness/calibration/filters.hpp"
#include "harness/proof/checks/exact_path.hpp"
#include "harness/proof/impulse_response.hpp"
#include "harness/proof/stimulation.hpp"

namespace rackproof::proof {
namespace {

class Lister {
 public:
  explicit Lister(double sample_rate_hz) : rate_hz_(sample_rate_hz) {}

  void gain(const std::string& key, double gain_db) {
    if (gain_db != 0) parts_.push_back({.key = key, .words = fmt::format("{:+g} dB", gain_db), .gain_db = gain_db});
  }
  void eq(const std::string& key, const std::vector<rig::EqBand>& bands) {
    for (std::size_t b = 0; b < bands.size(); ++b) {
      const rig::EqBand& band = bands[b];
      PathPart& part = parts_.emplace_back();
      part.key = fmt::format("{}[{}]", key, b + 1);
      part.words =
          fmt::format("{}{} at {}", word_of(band.type),
                      has_gain(band.type) ? fmt::format(", {:+g} dB", band.gain_db) : "", hertz_text(band.at_hz));
      part.sections = {section_of(band, rate_hz_)};
      part.centre_hz = band.at_hz;
      part.is_eq = true;
    }
  }
  void filter(const std::string& key, const rig::Filter& filter, dsp::Pass pass) {
    const dsp::SectionList list = sections_of(filter, pass, rate_hz_);
    PathPart& part = parts_.emplace_back();
    part.key = key;
    part.words = fmt::format("{}-pass, {} {} dB/oct at {}", pass == dsp::Pass::low ? "low" : "high",
                             word_of(filter.alignment), filter.slope_db_per_oct, hertz_text(filter.at_hz));
    part.sections.assign(list.view().begin(), list.view().end());
  }
  std::vector<PathPart> all() { return std::move(parts_); }

 private:
  double rate_hz_;
  std::vector<PathPart> parts_;
};

std::string strongest(const std::vector<PathPart>& parts, double hz, double rate_hz, std::size_t most, double sign,
                      const char* verb) {
  constexpr double kLeast_db = 3;
  std::vector<std::pair<double, const PathPart*>> found;
  for (const PathPart& part : parts)
    if (const double db = sign * part.level_db(hz, rate_hz); db >= kLeast_db) found.emplace_back(db, &part);
  std::ranges::stable_sort(found, [](const auto& a, const auto& b) { return a.first > b.first; });
  if (found.size() > most) found.resize(most);
  std::vector<std::string> words;
  for (const auto& [db, part] : found) words.push_back(fmt::format("{} {} {:.0f} dB", part->named(), verb, db));
  return fmt::format("{}", fmt::join(words, ", "));
}

}  // namespace

std::complex<double> PathPart::at(double frequency_hz, double sample_rate_hz) const {
  return analysis::ratio_from_db(gain_db) *
         dsp::response(std::span<const dsp::Section>(sections), frequency_hz, sample_rate_hz);
}
double PathPart::level_db(double frequency_hz, double sample_rate_hz) const {
  return finite_db(std::abs(at(frequency_hz, sample_rate_hz)));
}
double PathPart::most_db(double sample_rate_hz) const {
  double most = level_db(0, sample_rate_hz);
  for (const double hz : analysis::log_frequencies(10, 0.5 * sample_rate_hz, 24))
    most = std::max(most, level_db(hz, sample_rate_hz));
  return std::max(most, centre_hz > 0 ? level_db(centre_hz, sample_rate_hz) : most);
}
double PathPart::fall_s(double sample_rate_hz) const {
  double radius = 0;
  for (const dsp::Section& section : sections) radius = std::max(radius, pole_radius(section));
  if (radius >= 1) return std::numeric_limits<double>::infinity();
  return radius > 0 ? 60 / -analysis::db_from_ratio(radius) / sample_rate_hz : 0;
}

std::vector<PathPart> parts_of_path(const rig::Rig& rig, const rig::Venue* venue, std::size_t way,
                                    const std::string& feed) {
  Lister lister(rig.controller.sample_rate_hz);
  if (venue != nullptr) {
    lister.gain("venue.gain", venue->all.gain_db);
    lister.eq("venue.eq", venue->all.eq);
    if (const auto own = venue->feed.find(feed); own != venue->feed.end()) {
      lister.gain("venue.feed." + feed + ".gain", own->second.gain_db);
      lister.eq("venue.feed." + feed + ".eq", own->second.eq);
    }
    if (const auto own = venue->loudspeaker.find(rig.loudspeaker); own != venue->loudspeaker.end()) {
      lister.gain("venue.loudspeaker." + rig.loudspeaker + ".gain", own->second.gain_db);
      lister.eq("venue.loudspeaker." + rig.loudspeaker + ".eq", own->second.eq);
    }
  }
  lister.gain("system.gain", rig.system_gain_db);
  lister.eq("system.eq", rig.system_eq);
  for (std::size_t p = 0; p < rig.points.size() && p <= way; ++p)
    lister.filter(fmt::format("crossover.points[{}]", p + 1), p == way ? rig.points[p].low : rig.points[p].high,
                  p == way ? dsp::Pass::low : dsp::Pass::high);
  const rig::Way& own = rig.ways[way];
  const std::string key = "way." + own.name;
  if (own.highpass) lister.filter(key + ".highpass", *own.highpass, dsp::Pass::high);
  lister.eq(key + ".eq", own.eq);
  lister.gain(key + ".gain", own.gain_db);
  if (const auto layer = own.output.find(feed); layer != own.output.end()) {
    lister.eq(fmt::format("{}.output.{}.eq", key, feed), layer->second.eq);
    lister.gain(fmt::format("{}.output.{}.gain", key, feed), layer->second.gain_db);
  }
  for (const rig::MixedFeed& one : own.mix)
    if (own.mix.size() == 1) lister.gain(fmt::format("{}.feeds.{}", key, rig.feeds[one.feed].name), one.gain_db);
  return lister.all();
}

std::string what_takes(const std::vector<PathPart>& parts, double frequency_hz, double sample_rate_hz,
                       std::size_t most) {
  return strongest(parts, frequency_hz, sample_rate_hz, most, -1, "takes");
}
std::string what_adds(const std::vector<PathPart>& parts, double frequency_hz, double sample_rate_hz,
                      std::size_t most) {
  return strongest(parts, frequency_hz, sample_rate_hz, most, 1, "adds");
}

const PathPart* strongest_eq(const std::vector<PathPart>& parts, double frequency_hz, double sample_rate_hz,
                             double sign) {
  const PathPart* strongest = nullptr;
  double most_db = 0;
  for (const PathPart& part : parts) {
    if (!part.is_eq && !part.key.ends_with(".highpass")) continue;
    const double db = sign * part.level_db(frequency_hz, sample_rate_hz);
    if (db > most_db) {
      most_db = db;
      strongest = &part;
    }
  }
  return strongest;
}

std::string boosts_text(const Subject& subject, const OutputPlan& output) {
  std::string text;
  for (const PathPart& part : parts_of_path(subject.rig, subject.venue, output.way_index, output.feed)) {
    const double most = part.most_db(subject.rig.controller.sample_rate_hz);
    if (most >= 6) text += fmt::format("{} {} adds {:.0f} dB", text.empty() ? ":" : ",", part.named(), most);
  }
  return text;
}

const PathPart* slowest_of(const std::vector<PathPart>& parts, double sample_rate_hz) {
  const auto slowest =
      std::ranges::max_element(parts, {}, [&](const PathPart& part) { return part.fall_s(sample_rate_hz); });
  return slowest == parts.end() ? nullptr : &*slowest;
}

}  // namespace rackproof::proof
