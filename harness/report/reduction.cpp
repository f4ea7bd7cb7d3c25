#include "harness/report/reduction.hpp"

#include <algorithm>

namespace rackproof::report {
namespace {

constexpr double kLimitsDb = -0.1, kApartS = 0.3;

template <typename Better>
std::vector<double> merged(const std::vector<double>& row, std::size_t run, Better better) {
  std::vector<double> out;
  out.reserve(row.size() / run + 1);
  for (std::size_t from = 0; from < row.size(); from += run) {
    const auto first = row.begin() + static_cast<std::ptrdiff_t>(from);
    out.push_back(
        *std::min_element(first, first + static_cast<std::ptrdiff_t>(std::min(run, row.size() - from)), better));
  }
  return out;
}

double at(const std::vector<double>& row, std::size_t bucket) { return bucket < row.size() ? row[bucket] : 0.0; }

}  // namespace

proof::Recording reduced(const proof::Recording& recording, std::size_t most_buckets) {
  std::size_t buckets = 0;
  for (const proof::Track& track : recording.tracks) buckets = std::max(buckets, track.greatest.size());
  const std::size_t run = std::max<std::size_t>(1, (buckets + most_buckets - 1) / most_buckets);
  proof::Recording out = recording;
  out.bucket_seconds *= static_cast<double>(run);
  for (proof::Track& track : out.tracks) {
    track.least = merged(track.least, run, std::less<>());
    track.greatest = merged(track.greatest, run, std::greater<>());
    track.peak_gain_db = merged(track.peak_gain_db, run, std::less<>());
    track.power_gain_db = merged(track.power_gain_db, run, std::less<>());
  }
  return out;
}

std::vector<Moment> limiting_moments(const proof::Track& track, double bucket_seconds) {
  std::vector<Moment> moments;
  const std::size_t buckets = std::max(track.peak_gain_db.size(), track.power_gain_db.size());
  for (std::size_t b = 0; b < buckets; ++b) {
    const double peak_db = at(track.peak_gain_db, b), power_db = at(track.power_gain_db, b);
    const double gain_db = peak_db + power_db, from_s = static_cast<double>(b) * bucket_seconds;
    if (!(gain_db < kLimitsDb)) continue;
    if (moments.empty() || from_s - moments.back().to_s >= kApartS) moments.push_back({.from_s = from_s});
    Moment& moment = moments.back();
    moment.to_s = from_s + bucket_seconds;
    if (gain_db < moment.deepest_db) {
      moment.deepest_db = gain_db;
      moment.deepest_at_s = from_s + 0.5 * bucket_seconds;
      moment.by_power = power_db < peak_db;
    }
  }
  return moments;
}

}  // namespace rackproof::report
