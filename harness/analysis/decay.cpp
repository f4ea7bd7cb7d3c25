#include "harness/analysis/decay.hpp"

#include <algorithm>
#include <cmath>
#include <vector>

namespace rackproof::analysis {

DecayFit fit_decay(std::span<const double> values, double rate_hz, double from, double to) {
  DecayFit fit;
  if (values.empty() || !(values.front() > 0)) return fit;
  const auto below = [&](double share) {
    return std::find_if(values.begin(), values.end(), [&](double v) { return v <= share * values.front(); });
  };
  const auto begin = below(from), end = below(to);
  if (end == values.end() || end - begin < 3) return fit;
  fit.first = static_cast<std::size_t>(begin - values.begin());
  fit.last = static_cast<std::size_t>(end - values.begin()) - 1;
  double weights = 0, times = 0, logs = 0;
  for (std::size_t n = fit.first; n <= fit.last; ++n) {
    const double weight = values[n] * values[n];
    weights += weight;
    times += weight * static_cast<double>(n);
    logs += weight * std::log(values[n]);
  }
  const double mean_time = times / weights, mean_log = logs / weights;
  double covariance = 0, variance = 0;
  for (std::size_t n = fit.first; n <= fit.last; ++n) {
    const double weight = values[n] * values[n], t = static_cast<double>(n) - mean_time;
    covariance += weight * t * (std::log(values[n]) - mean_log);
    variance += weight * t * t;
  }
  const double slope = covariance / variance;
  if (!(slope < 0)) return fit;
  fit.found = true;
  fit.time_constant_s = -1.0 / (slope * rate_hz);
  fit.start_value = std::exp(mean_log - slope * mean_time);
  for (std::size_t n = fit.first; n <= fit.last; ++n) {
    const double line = fit.start_value * std::exp(slope * static_cast<double>(n));
    fit.worst_relative_error = std::max(fit.worst_relative_error, std::abs(line / values[n] - 1.0));
  }
  return fit;
}

DecayFit fit_release(std::span<const double> gain, double rate_hz, double from, double to) {
  std::vector<double> reduction(gain.size());
  std::transform(gain.begin(), gain.end(), reduction.begin(), [](double g) { return 1.0 - g; });
  return fit_decay(reduction, rate_hz, from, to);
}

}  // namespace rackproof::analysis
