#include "harness/tune/fit_problem.hpp"

#include <algorithm>
#include <cmath>
#include <complex>

#include "dsp/design/exact_section.hpp"
#include "dsp/design/response.hpp"
#include "harness/analysis/bands.hpp"
#include "harness/analysis/decibels.hpp"

namespace rackproof::tune {

using analysis::db_from_power;
using analysis::power_from_db;

void power_response(const dsp::EqSettings& section, std::span<const double> frequency_hz, double sample_rate_hz,
                    std::span<double> power) {
  dsp::ExactSection exact;
  if (!dsp::design(section, sample_rate_hz, exact)) {
    std::ranges::fill(power, 1.0);
    return;
  }
  for (std::size_t k = 0; k < frequency_hz.size(); ++k)
    power[k] = std::norm(dsp::response(exact, frequency_hz[k], sample_rate_hz));
}

std::vector<double> gain_db_of(std::span<const dsp::EqSettings> eq, std::span<const double> frequency_hz,
                               double sample_rate_hz) {
  std::vector<double> power(frequency_hz.size()), sum(frequency_hz.size());
  for (const dsp::EqSettings& section : eq) {
    power_response(section, frequency_hz, sample_rate_hz, power);
    for (std::size_t k = 0; k < sum.size(); ++k) sum[k] += db_from_power(power[k]);
  }
  return sum;
}

std::vector<double> deviation_db(const FitProblem& problem, std::span<const dsp::EqSettings> eq) {
  const std::vector<double> gain = gain_db_of(eq, problem.frequency_hz, problem.sample_rate_hz);
  std::vector<double> power(gain.size()), trust(gain.size());
  for (std::size_t k = 0; k < gain.size(); ++k) {
    trust[k] = std::max(problem.trust[k], kLeastTrust);
    power[k] = trust[k] * power_from_db(problem.level_db[k] + gain[k]);
  }
  if (problem.smoothing != 0) {
    power = analysis::smooth<double>(problem.frequency_hz, power, problem.smoothing);
    trust = analysis::smooth<double>(problem.frequency_hz, trust, problem.smoothing);
  }
  double mean = 0, weights = 0;
  std::vector<double> off(gain.size());
  for (std::size_t k = 0; k < off.size(); ++k) {
    off[k] = db_from_power(std::max(power[k] / trust[k], kLeastPower)) - problem.target_db[k];
    mean += problem.weight[k] * off[k];
    weights += problem.weight[k];
  }
  if (problem.level_free && weights > 0)
    for (double& value : off) value -= mean / weights;
  return off;
}

Deviation judge(const FitProblem& problem, std::span<const dsp::EqSettings> eq) {
  const std::vector<double> off = deviation_db(problem, eq);
  Deviation found;
  double squares = 0, weights = 0;
  for (std::size_t k = 0; k < off.size(); ++k) {
    if (!(problem.weight[k] > 0)) continue;
    squares += problem.weight[k] * off[k] * off[k];
    weights += problem.weight[k];
    found.max_db = std::max(found.max_db, std::abs(off[k]));
  }
  found.rms_db = weights > 0 ? std::sqrt(squares / weights) : 0;
  return found;
}

}  // namespace rackproof::tune
