#include "harness/tune/notches.hpp"

#include <algorithm>
#include <cmath>

#include "harness/analysis/decibels.hpp"

namespace rackproof::tune {
namespace {

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

}  // namespace

std::vector<Notch> find_notches(std::span<const double> average_db, std::span<const std::vector<double>> places_db,
                                double per_octave) {
  std::vector<Notch> found;
  const std::size_t size = average_db.size(), octave = static_cast<std::size_t>(std::lround(per_octave));
  for (std::size_t k = 1; k + 1 < size; ++k) {
    if (average_db[k] > average_db[k - 1] || average_db[k] >= average_db[k + 1]) continue;
    // Shoulders: as high as it gets within an octave, before it goes deeper than here.
    double left = average_db[k], right = left;
    for (std::size_t i = k; i-- > 0 && k - i <= octave && average_db[i] >= average_db[k];)
      left = std::max(left, average_db[i]);
    for (std::size_t i = k + 1; i < size && i - k <= octave && average_db[i] >= average_db[k]; ++i)
      right = std::max(right, average_db[i]);
    const double under_shoulders_db = std::min(left, right) - average_db[k];
    const bool differ = under_shoulders_db >= 4 && spread_db(places_db, k) >= 4;
    // Between two resonances it is not deep for being lower than they are.
    Notch notch;
    notch.depth_db = std::min(under_shoulders_db, level_around_db(average_db, k, octave / 2) - average_db[k]);
    if (differ) notch.depth_db = under_shoulders_db;
    if (notch.depth_db <= 0) continue;
    const double half = average_db[k] + notch.depth_db / 2;
    notch.first = notch.last = k;
    while (notch.first > 0 && average_db[notch.first - 1] < half) --notch.first;
    while (notch.last + 1 < size && average_db[notch.last + 1] < half) ++notch.last;
    const double octaves = static_cast<double>(notch.last - notch.first + 1) / per_octave;
    notch.positions_differ = differ;
    const bool cancels = notch.depth_db >= 10 || (notch.depth_db >= 6 && octaves <= 1.0 / 3);
    if (octaves > 1 || !(cancels || notch.positions_differ)) continue;
    // Its flanks go with it, down from 2 dB under the shoulder, as far as a quarter of an octave.
    const double flank = std::max(half, average_db[k] + notch.depth_db - 2);
    const auto most = static_cast<std::size_t>(octave / 4);
    for (std::size_t n = 0; n < most && notch.first > 0 && average_db[notch.first - 1] < flank; ++n) --notch.first;
    for (std::size_t n = 0; n < most && notch.last + 1 < size && average_db[notch.last + 1] < flank; ++n) ++notch.last;
    found.push_back(notch);
  }
  return found;
}

}  // namespace rackproof::tune
