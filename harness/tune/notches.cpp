#include "harness/tune/notches.hpp"

#include <algorithm>
#include <cmath>
#include <optional>

#include "harness/analysis/decibels.hpp"
#include "harness/analysis/median.hpp"

namespace rackproof::tune {
namespace {

constexpr double kDiffersDb = 4;            // under its shoulders, and from place to place
constexpr double kCombDb = 4;               // under its shoulders, where its third harmonic is a notch
constexpr double kAlikeOctaves = 1.0 / 12;  // the width of the smoothing
constexpr double kFlankDb = 1;              // so far under the shoulder a flank ends

double spread_db(std::span<const std::vector<double>> places_db, std::size_t at) {
  if (places_db.size() < 2) return 0;
  double sum = 0, squares = 0;
  for (const std::vector<double>& place : places_db) sum += place[at];
  const double mean = sum / static_cast<double>(places_db.size());
  for (const std::vector<double>& place : places_db) squares += (place[at] - mean) * (place[at] - mean);
  return std::sqrt(squares / static_cast<double>(places_db.size() - 1));
}

/// The mean power over an octave around.
double level_around_db(std::span<const double> level_db, std::size_t at, std::size_t half_octave) {
  const std::size_t first = at - std::min(at, half_octave), last = std::min(at + half_octave, level_db.size() - 1);
  double power = 0;
  for (std::size_t k = first; k <= last; ++k) power += analysis::power_from_db(level_db[k]);
  return 10 * std::log10(power / static_cast<double>(last - first + 1));
}

/// Both ends included.
double median_db(std::span<const double> level_db, std::size_t first, std::size_t last) {
  return analysis::median({level_db.begin() + static_cast<std::ptrdiff_t>(first),
                           level_db.begin() + static_cast<std::ptrdiff_t>(last) + 1});
}

/// A minimum of the curve. Its shoulders: as high as it gets within an octave, before it goes deeper than here.
struct Dip {
  std::size_t at = 0;
  double left_db = 0, right_db = 0;
};

std::vector<Dip> dips_of(std::span<const double> level_db, std::size_t octave) {
  std::vector<Dip> found;
  for (std::size_t k = 1; k + 1 < level_db.size(); ++k) {
    if (level_db[k] > level_db[k - 1] || level_db[k] >= level_db[k + 1]) continue;
    Dip dip{k, level_db[k], level_db[k]};
    for (std::size_t i = k; i-- > 0 && k - i <= octave && level_db[i] >= level_db[k];)
      dip.left_db = std::max(dip.left_db, level_db[i]);
    for (std::size_t i = k + 1; i < level_db.size() && i - k <= octave && level_db[i] >= level_db[k]; ++i)
      dip.right_db = std::max(dip.right_db, level_db[i]);
    found.push_back(dip);
  }
  return found;
}
double under_shoulders_db(std::span<const double> level_db, const Dip& dip) {
  return std::min(dip.left_db, dip.right_db) - level_db[dip.at];
}

/// As deep as told, and as wide as it is where it is half as deep.
Notch of_depth(std::span<const double> level_db, const Dip& dip, double depth_db) {
  Notch notch;
  notch.depth_db = depth_db;
  const double half = level_db[dip.at] + depth_db / 2;
  notch.first = notch.last = dip.at;
  while (notch.first > 0 && level_db[notch.first - 1] < half) --notch.first;
  while (notch.last + 1 < level_db.size() && level_db[notch.last + 1] < half) ++notch.last;
  return notch;
}
double octaves_of(const Notch& notch, double per_octave) {
  return static_cast<double>(notch.last - notch.first + 1) / per_octave;
}

/// The flanks go with it, up to this level, but so far at most.
void take_flanks(std::span<const double> level_db, double up_to_db, std::size_t least, std::size_t most, Notch& notch) {
  while (notch.first > least && level_db[notch.first - 1] < up_to_db) --notch.first;
  while (notch.last < most && level_db[notch.last + 1] < up_to_db) ++notch.last;
}

}  // namespace

std::vector<Notch> find_notches(std::span<const double> average_db, std::span<const std::vector<double>> places_db,
                                double per_octave) {
  const std::size_t size = average_db.size(), octave = static_cast<std::size_t>(std::lround(per_octave));
  const auto before = [](std::size_t k, std::size_t steps) { return k - std::min(k, steps); };
  const auto after = [&](std::size_t k, std::size_t steps) { return std::min(k + steps, size - 1); };
  const std::vector<Dip> dips = dips_of(average_db, octave);
  std::vector<std::optional<Notch>> of_dip(dips.size());
  for (std::size_t d = 0; d < dips.size(); ++d) {
    const Dip& dip = dips[d];
    const double bottom_db = average_db[dip.at], under_db = under_shoulders_db(average_db, dip);
    const bool differ = under_db >= kDiffersDb && spread_db(places_db, dip.at) >= kDiffersDb;
    // Between two resonances it is not deep for being lower than they are.
    const double depth_db =
        differ ? under_db : std::min(under_db, level_around_db(average_db, dip.at, octave / 2) - bottom_db);
    if (depth_db <= 0) continue;
    Notch notch = of_depth(average_db, dip, depth_db);
    notch.positions_differ = differ;
    const double octaves = octaves_of(notch, per_octave);
    const bool cancels = depth_db >= 10 || (depth_db >= 6 && octaves <= 1.0 / 3);
    if (octaves > 1 || !(cancels || differ)) continue;
    of_dip[d] = notch;
  }
  // One delay cancels at a frequency and at three times that: who has the third harmonic has the first, wide as it is.
  const std::vector<std::optional<Notch>> alone = of_dip;
  for (std::size_t d = 0; d < dips.size(); ++d) {
    const double depth_db = under_shoulders_db(average_db, dips[d]);
    if (of_dip[d] || depth_db < kCombDb) continue;
    const auto is_third = [&](std::size_t other) {
      const double octaves = static_cast<double>(dips[other].at - dips[d].at) / per_octave;
      return alone[other] && !alone[other]->positions_differ && std::abs(octaves - std::log2(3)) <= kAlikeOctaves;
    };
    bool has_third = false;
    for (std::size_t other = d + 1; other < dips.size(); ++other) has_third = has_third || is_third(other);
    if (!has_third) continue;
    const Notch notch = of_depth(average_db, dips[d], depth_db);
    if (octaves_of(notch, per_octave) <= 1) of_dip[d] = notch;
  }
  std::vector<Notch> found;
  for (std::size_t d = 0; d < dips.size(); ++d) {
    if (!of_dip[d]) continue;
    const Dip& dip = dips[d];
    Notch notch = *of_dip[d];
    const double bottom_db = average_db[dip.at];
    // From 2 dB under the level that the depth is told by, as far as a quarter of an octave.
    const double told_db = bottom_db + std::max(notch.depth_db / 2, notch.depth_db - 2);
    take_flanks(average_db, told_db, before(notch.first, octave / 4), after(notch.last, octave / 4), notch);
    if (!notch.positions_differ) {
      // A wide one pulls that level down, and what lies outside of it was filled from both sides. On to the lower
      // shoulder, or to the median around an octave away where that shoulder is a resonance.
      const std::size_t near = octave / 2, far = octave + near;
      const double shoulder_db =
          std::min({dip.left_db, dip.right_db, median_db(average_db, before(dip.at, far), before(dip.at, near)),
                    median_db(average_db, after(dip.at, near), after(dip.at, far))});
      take_flanks(average_db, shoulder_db - kFlankDb, std::min(notch.first, before(dip.at, octave)),
                  std::max(notch.last, after(dip.at, octave)), notch);
    }
    found.push_back(notch);
  }
  return found;
}

}  // namespace rackproof::tune
