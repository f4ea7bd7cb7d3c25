#include "harness/proof/responses.hpp"

#include <algorithm>
#include <cmath>
#include <complex>
#include <limits>
#include <numbers>

#include "harness/analysis/bands.hpp"
#include "harness/analysis/decibels.hpp"
#include "harness/proof/impulse_response.hpp"
#include "harness/proof/measured_once.hpp"
#include "harness/proof/stimulation.hpp"
#include "harness/proof/way_response.hpp"

namespace rackproof::proof {
namespace {

using Complex = std::complex<double>;

/// A response on the report's frequencies, and j dH/dw in samples.
struct Path {
  std::vector<Complex> value, moment;
};

/// Latency and delay that all ways share are taken out of `h`; `measured`, where there is one, is put in.
Path path_of(const Impulse& h, const std::vector<double>& hz, double rate_hz, double common_samples,
             const WayResponse* measured) {
  Path path{spectrum(h, hz, rate_hz), moments(h, hz, rate_hz)};
  for (std::size_t i = 0; i < hz.size(); ++i) {
    const Complex back = std::polar(1.0, 2 * std::numbers::pi * std::remainder(hz[i] / rate_hz * common_samples, 1.0));
    Complex &value = path.value[i], &moment = path.moment[i];
    moment = back * (moment - common_samples * value);
    value *= back;
    if (measured == nullptr) continue;
    const double step_hz = 1e-4 * hz[i], step_w = 2 * std::numbers::pi * step_hz / rate_hz;
    const Complex slope = (measured->at(hz[i] + step_hz) - measured->at(hz[i] - step_hz)) / (2 * step_w);
    moment = moment * measured->at(hz[i]) + value * Complex(0, 1) * slope;  // product rule
    value *= measured->at(hz[i]);
  }
  return path;
}

ResponseCurve curve_of(const std::string& name, const Path& path, double rate_hz) {
  constexpr double kNothing = 1e-5;  // -100 dB: rounding is what is left there, its slope says nothing
  double greatest = 0;
  for (const Complex& value : path.value) greatest = std::max(greatest, std::abs(value));
  ResponseCurve curve{.name = name, .magnitude_db = {}, .phase_deg = {}, .group_delay_ms = {}};
  for (std::size_t i = 0; i < path.value.size(); ++i) {
    const Complex value = path.value[i];
    curve.magnitude_db.push_back(finite_db(std::abs(value)));
    curve.phase_deg.push_back(std::arg(value) * 180 / std::numbers::pi);
    const bool passes = std::abs(value) > kNothing * greatest;
    curve.group_delay_ms.push_back(passes   ? std::real(path.moment[i] / value) * 1e3 / rate_hz
                                   : i == 0 ? 0.0
                                            : curve.group_delay_ms.back());
  }
  return curve;
}

/// Least and most of |sum of gains times `ways`|, each way at -2, 0 and +2 dB: every choice, counted in threes.
void widen(std::span<const Complex> ways, double& least, double& most) {
  const double step = analysis::ratio_from_db(kSensitivity_db), levels[] = {1 / step, 1, step};
  std::size_t choices = 1;
  for (std::size_t w = 0; w < ways.size(); ++w) choices *= std::size(levels);
  for (std::size_t choice = 0; choice < choices; ++choice) {
    Complex sum = 0;
    for (std::size_t w = 0, rest = choice; w < ways.size(); ++w, rest /= std::size(levels))
      sum += levels[rest % std::size(levels)] * ways[w];
    const double magnitude = std::abs(sum);
    least = std::min(least, magnitude);
    most = std::max(most, magnitude);
  }
}

}  // namespace

Responses responses_of(const Subject& subject) {
  const rig::Rig& rig = subject.rig;
  const double rate_hz = rig.controller.sample_rate_hz;
  const auto measured = way_responses(rig);
  Responses made;
  made.loudspeaker = rig.loudspeaker;
  made.acoustic = measured.has_value();
  made.frequency_hz = analysis::log_frequencies(10, std::min(22e3, 0.49 * rate_hz), subject.brief ? 3 : 48);
  for (const rig::Point& point : rig.points) {
    made.crossover_at_hz.push_back(point.low.at_hz);
    if (point.high.at_hz != point.low.at_hz) made.crossover_at_hz.push_back(point.high.at_hz);
  }

  const std::vector<Impulse>& responses = linear_responses(subject);
  const std::vector<Side> sides = sides_of(rig, subject.unlimited);
  Side side;
  if (!sides.empty()) side = sides.front();
  for (std::size_t w = 0; sides.empty() && w < rig.ways.size(); ++w)  // ways that no feed reaches together
    side.outputs.push_back(static_cast<std::size_t>(
        std::ranges::find(subject.unlimited.outputs, w, &OutputPlan::way_index) - subject.unlimited.outputs.begin()));
  std::vector<double> delays_s;
  for (const std::size_t o : side.outputs) delays_s.push_back(set_delay_s(subject, subject.unlimited.outputs[o]));
  const double least_delay_s = std::ranges::min(delays_s);
  const double common_samples = subject.unlimited.latency_samples + least_delay_s * rate_hz;
  const std::vector<double>& hz = made.frequency_hz;
  std::vector<Path> ways;
  Path sum{std::vector<Complex>(hz.size()), std::vector<Complex>(hz.size())};
  for (std::size_t w = 0; w < side.outputs.size(); ++w) {
    const Path& way = ways.emplace_back(
        path_of(responses[side.outputs[w]], hz, rate_hz, common_samples, measured ? &(*measured)[w] : nullptr));
    made.curves.push_back(curve_of(rig.ways[w].name, way, rate_hz));
    for (std::size_t i = 0; i < hz.size(); ++i) {
      sum.value[i] += way.value[i];
      sum.moment[i] += way.moment[i];
    }
  }
  made.curves.push_back(curve_of("sum", sum, rate_hz));

  std::vector<Complex> shifted(ways.size());
  for (std::size_t i = 0; i < hz.size(); ++i) {
    double least = std::abs(sum.value[i]), most = least;
    for (double degc = kLeastTemperature_degc; degc <= kMostTemperature_degc; degc += 10) {
      const double warmer = 1 - rig::speed_of_sound(rig.controller.temperature_degc) / rig::speed_of_sound(degc);
      for (std::size_t w = 0; w < ways.size(); ++w)
        shifted[w] = ways[w].value[i] * std::polar(1.0, -2 * std::numbers::pi * hz[i] * delays_s[w] * warmer);
      widen(shifted, least, most);
    }
    made.sum_least_db.push_back(finite_db(least));
    made.sum_most_db.push_back(finite_db(most));
  }
  return made;
}

}  // namespace rackproof::proof
