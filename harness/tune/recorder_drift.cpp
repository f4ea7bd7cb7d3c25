#include "harness/tune/recorder_drift.hpp"

#include <algorithm>
#include <cmath>
#include <numeric>

#include "harness/analysis/arrival.hpp"
#include "harness/audio/rate_converter.hpp"

namespace rackproof::tune {

using analysis::CrossSpectrum;

Samples without_drift(View captured, double ppm) { return audio::converted(captured, 1.0 + ppm * 1e-6, 1.0); }

Drift drift_of(const Overlap& pair, double rate) {
  const double seconds = static_cast<double>(pair.x.size()) / rate;
  const auto blocks = static_cast<std::size_t>(std::clamp(seconds / 1.2, 4.0, 12.0));
  const std::size_t length = pair.x.size() / blocks;
  const std::size_t segment = power_of_two_below(std::min(0.35 * rate, static_cast<double>(length) / 4));
  const auto wave_of = [&](std::size_t block) {
    const CrossSpectrum cross =
        welch({pair.x.subspan(block * length, length), pair.y.subspan(block * length, length)}, rate, segment, 4);
    return phase_wave(cross.h1(), debiased_coherence(cross));
  };
  const Samples reference = wave_of(0);
  Samples at, lag;
  for (std::size_t block = 1; block < blocks; ++block) {
    const double most = kMostDriftPpm * 1e-6 * static_cast<double>((block + 1) * length);
    const analysis::Arrival arrival = analysis::find_arrival(
        reference, wave_of(block), {.phase_transform = false, .least_samples = -most, .most_samples = most});
    if (!arrival.found || arrival.height < 0.2 || arrival.polarity < 0) continue;
    at.push_back(static_cast<double>(block * length));
    lag.push_back(arrival.delay_samples);
  }
  const auto count = static_cast<double>(at.size());
  if (at.size() < 3) return {};
  const double mean_at = std::accumulate(at.begin(), at.end(), 0.0) / count;
  const double mean_lag = std::accumulate(lag.begin(), lag.end(), 0.0) / count;
  double spread = 0, together = 0, left = 0;
  for (std::size_t i = 0; i < at.size(); ++i) {
    spread += (at[i] - mean_at) * (at[i] - mean_at);
    together += (at[i] - mean_at) * (lag[i] - mean_lag);
  }
  const double slope = together / spread;
  for (std::size_t i = 0; i < at.size(); ++i) {
    const double error = lag[i] - mean_lag - slope * (at[i] - mean_at);
    left += error * error;
  }
  // Three standard deviations, and what the crest itself is good to.
  const double error = 3 * std::sqrt(left / (count - 2) / spread) + kCrestSamples / static_cast<double>(pair.x.size());
  return {std::abs(slope) > error ? 1e6 * slope : 0.0, 1e6 * error};
}

}  // namespace rackproof::tune
