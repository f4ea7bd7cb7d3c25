#include "harness/tune/shown_way.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <numbers>
#include <optional>

#include "harness/analysis/decibels.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof::tune {
namespace {

constexpr double kLouder_db = 6;     // another way's band, against the way's own: it is another way's file
constexpr double kTaken_db = 20;     // by the way's filters in another band
constexpr double kLeast_db = 10;     // that a measurement of the way alone is down there
constexpr double kOutermost_db = 6;  // of the way's filters: the outer edges of the lowest and of the highest band

/// The mean over the log frequency, in dB, of `power` at the measurement's frequencies; nothing where none is in it.
template <class Power>
std::optional<double> mean_db(const Measurement& m, double from_hz, double to_hz, Power power) {
  double sum = 0, weight = 0;
  for (std::size_t i = 1; i < m.frequency_hz.size(); ++i) {
    if (m.frequency_hz[i] < from_hz || m.frequency_hz[i] > to_hz) continue;
    const double share = std::log(m.frequency_hz[i] / m.frequency_hz[i - 1]);
    sum += share * power(i);
    weight += share;
  }
  if (!(weight > 0)) return std::nullopt;
  return analysis::db_from_power(std::max(sum / weight, 1e-40));
}

struct Range {
  double from_hz = 0, to_hz = 0;
};
/// Where the way's filters take less than kOutermost_db.
Range open_band(const Measurement& m, const Drive& drive, std::size_t way) {
  const auto level_db = [&](double hz) {
    return analysis::db_from_ratio(std::abs(response_of(drive.ways[way], hz, drive.sample_rate_hz)) + 1e-30);
  };
  double greatest_db = -1e300;
  for (const double hz : m.frequency_hz)
    if (hz < 0.49 * drive.sample_rate_hz) greatest_db = std::max(greatest_db, level_db(hz));
  Range open{m.frequency_hz.back(), m.frequency_hz.front()};
  for (const double hz : m.frequency_hz) {
    if (hz >= 0.49 * drive.sample_rate_hz || level_db(hz) < greatest_db - kOutermost_db) continue;
    open.from_hz = std::min(open.from_hz, hz);
    open.to_hz = std::max(open.to_hz, hz);
  }
  return open;
}
Range band_of(const Measurement& m, const Drive& drive, const std::vector<double>& points_hz, std::size_t way) {
  const Range open = open_band(m, drive, way);
  return {way > 0 ? points_hz[way - 1] * std::numbers::sqrt2 : open.from_hz,
          way < points_hz.size() ? points_hz[way] / std::numbers::sqrt2 : open.to_hz};
}

/// What follows what was sent.
double power_at(const Measurement& m, std::size_t i) {
  return m.coherence[i] * analysis::power_from_db(m.magnitude_db[i]);
}

}  // namespace

std::vector<double> below_loudest_db(const Measurement& m) {
  std::vector<double> levels;
  if (!m.driven_by) return levels;
  for (std::size_t w = 0; w < m.driven_by->ways.size(); ++w) {
    Range band = open_band(m, *m.driven_by, w);
    const Range inside{band.from_hz * std::numbers::sqrt2, band.to_hz / std::numbers::sqrt2};
    if (inside.from_hz < inside.to_hz) band = inside;
    const auto level = mean_db(m, band.from_hz, band.to_hz, [&](std::size_t i) { return power_at(m, i); });
    levels.push_back(level.value_or(0));
    if (!level) return {};  // the file does not reach it
  }
  const double loudest = levels.empty() ? 0 : std::ranges::max(levels);
  for (double& level : levels) level = loudest - level;
  return levels;
}

void must_be_places(std::span<const Measurement> measured) {
  std::vector<std::vector<double>> below;
  for (const Measurement& m : measured) below.push_back(below_loudest_db(m));
  for (std::size_t a = 0; a < measured.size(); ++a)
    for (std::size_t b = 0; b < measured.size(); ++b)
      for (std::size_t w = 0; w < std::min(below[a].size(), below[b].size()); ++w) {
        if (below[a][w] < kSilent_db || below[b][w] >= kSilent_db) continue;
        throw InputError(fmt::format(
            "{}: in the band of way {} it is {:.0f} dB quieter than elsewhere, and {} is not: they show different ways, "
            "and are not places of one loudspeaker. Give places of the whole loudspeaker; ways are for align",
            measured[a].file.string(), measured[a].driven_by->ways[w].name, below[a][w], measured[b].file.string()));
      }
}

void must_show(const Measurement& m, const Drive& drive, const std::vector<double>& points_hz, std::size_t way) {
  struct Heard {
    double level_db, passed_db;  // measured, and by the way's filters
  };
  const auto power = [&](std::size_t i) { return power_at(m, i); };
  std::vector<std::optional<Heard>> heard;
  for (std::size_t v = 0; v < drive.ways.size(); ++v) {
    const Range band = band_of(m, drive, points_hz, v);
    const auto level = mean_db(m, band.from_hz, band.to_hz, power);
    const auto passed = mean_db(m, band.from_hz, band.to_hz, [&](std::size_t i) {
      return std::norm(response_of(drive.ways[way], m.frequency_hz[i], drive.sample_rate_hz));
    });
    heard.push_back(level ? std::optional(Heard{*level, *passed}) : std::nullopt);
  }
  if (!heard[way]) return;  // align says that it does not reach the point
  const std::string& name = drive.ways[way].name;
  std::size_t loudest = way;
  for (std::size_t v = 0; v < heard.size(); ++v)
    if (heard[v] && heard[v]->level_db > heard[loudest]->level_db) loudest = v;
  if (const double louder = heard[loudest]->level_db - heard[way]->level_db; louder > kLouder_db)
    throw InputError(
        fmt::format("{}: given for way {}; in the band of way {} it is {:.0f} dB louder than in that of {}: it looks "
                    "like way {}. Are two files swapped, or was another way on?",
                    m.file.string(), name, drive.ways[loudest].name, louder, name, drive.ways[loudest].name));
  for (std::size_t v = 0; v < heard.size(); ++v) {
    if (v == way || !heard[v] || heard[v]->passed_db > heard[way]->passed_db - kTaken_db) continue;
    if (const double down = heard[way]->level_db - heard[v]->level_db; down < kLeast_db)
      throw InputError(fmt::format(
          "{}: given for way {}, whose filters take {:.0f} dB in the band of way {}; there the measurement is {:.0f} dB "
          "{}. It looks like several ways at once: mute the others, then measure again",
          m.file.string(), name, heard[way]->passed_db - heard[v]->passed_db, drive.ways[v].name, std::abs(down),
          down < 0 ? "up" : "down"));
  }
}

void must_differ(const Measurement& a, const std::string& way_a, const Measurement& b, const std::string& way_b) {
  if (!are_one(a, b)) return;
  throw InputError(
      fmt::format("--way: read {} for {} and {} for {}: they are one measurement; each way is measured "
                  "alone, the others muted",
                  a.file.string(), way_a, b.file.string(), way_b));
}

}  // namespace rackproof::tune
