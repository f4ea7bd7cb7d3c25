#include "harness/tune/played_band.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <vector>

#include "harness/analysis/bands.hpp"

namespace rackproof::tune {
namespace {

void warn_of_error(Measurement& m, const Played& played) {
  constexpr double kMostError_db = 1;
  double from = 0, to = 0, worst = 0;
  for (std::size_t i = 0; i < m.frequency_hz.size(); ++i) {
    if (!played.holds(m.frequency_hz[i]) || m.magnitude_error_db[i] <= kMostError_db) continue;
    if (from == 0) from = m.frequency_hz[i];
    to = m.frequency_hz[i];
    worst = std::max(worst, m.magnitude_error_db[i]);
  }
  if (from == 0) return;
  m.warnings.push_back(
      {"magnitude-error",
       fmt::format("noise leaves the level open by more than {:g} dB from {:.4g} to {:.4g} Hz, by {:.1f} dB at the "
                   "worst: send louder, or for longer, or let the place be quieter",
                   kMostError_db, from, to, worst)});
}

void warn_of_coherence(Measurement& m, const Played& played) {
  double within = 0, doubtful = 0;
  for (std::size_t i = 0; i < m.frequency_hz.size(); ++i) {
    if (!played.holds(m.frequency_hz[i])) continue;
    ++within;
    if (m.coherence[i] < kTrustedCoherence) ++doubtful;
  }
  if (2 * doubtful <= within) return;
  m.warnings.push_back(
      {"coherence",
       fmt::format("from {:.4g} to {:.4g} Hz, where the loudspeaker plays, coherence is below {:g} at {:.0f} % of the "
                   "frequencies: what is there is mostly noise, or late reflections",
                   played.from_hz, played.to_hz, kTrustedCoherence, 100 * doubtful / within)});
}

}  // namespace

Played played_band(const Measurement& m, std::span<const double> power) {
  constexpr double kPlayedShare = 0.01;
  std::vector<double> sound(power.size());
  for (std::size_t i = 0; i < power.size(); ++i) sound[i] = power[i] * m.coherence[i];
  const std::vector<double> octaves = analysis::smooth<double>(m.frequency_hz, sound, 1.0);
  const std::vector<double> thirds = analysis::smooth<double>(m.frequency_hz, sound, 3.0);
  const double loudest = *std::max_element(octaves.begin(), octaves.end());
  Played played;
  for (std::size_t i = 0; i < sound.size(); ++i) {
    if (thirds[i] < kPlayedShare * loudest) continue;
    if (played.from_hz == 0) played.from_hz = m.frequency_hz[i];
    played.to_hz = m.frequency_hz[i];
  }
  return played;
}

void warn_of_noise(Measurement& measurement, const Played& played) {
  warn_of_error(measurement, played);
  warn_of_coherence(measurement, played);
}

}  // namespace rackproof::tune
