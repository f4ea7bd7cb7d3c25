#include "harness/analysis/arrival.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <numeric>

#include "harness/analysis/fourier.hpp"

namespace rackproof::analysis {
namespace {
struct Correlation {
  double value = 0, slope = 0, curvature = 0;
};
// r(t) and its derivatives, in samples. The rotation is renewed now and then: products drift by an epsilon each.
Correlation correlation_at(std::span<const Complex> g, double period, double t) {
  const double step = 2.0 * std::numbers::pi / period;
  const Complex turn = std::polar(1.0, std::remainder(step * t, 2.0 * std::numbers::pi));
  Complex rotation = 1.0;
  Correlation r;
  for (std::size_t k = 0; k < g.size(); ++k) {
    const double bin = static_cast<double>(k), weight = k == 0 || k + 1 == g.size() ? 1.0 : 2.0;
    if (k % 256 == 0)
      rotation = std::polar(1.0, std::remainder(step * std::fmod(bin * t, period), 2.0 * std::numbers::pi));
    const double re = g[k].real() * rotation.real() - g[k].imag() * rotation.imag();
    const double im = g[k].real() * rotation.imag() + g[k].imag() * rotation.real();
    const double w = bin * step;
    r.value += weight * re;
    r.slope -= weight * w * im;
    r.curvature -= weight * w * w * re;
    rotation *= turn;
  }
  r.value /= period, r.slope /= period, r.curvature /= period;
  return r;
}
double energy(std::span<const double> x) { return std::inner_product(x.begin(), x.end(), x.begin(), 0.0); }
}  // namespace

Arrival find_arrival(std::span<const double> sent, std::span<const double> captured, const ArrivalOptions& options) {
  Arrival arrival;
  const std::size_t size = next_fast_size(sent.size() + captured.size());
  const RealFourier fourier(size);
  const double period = static_cast<double>(size);
  std::vector<Complex> g = fourier.forward(sent);
  const std::vector<Complex> y = fourier.forward(captured);
  double greatest = 0;
  for (std::size_t k = 0; k < g.size(); ++k) {
    const double frequency = static_cast<double>(k) / period;
    g[k] = frequency < options.from || frequency > options.to ? 0.0 : std::conj(g[k]) * y[k];
    greatest = std::max(greatest, std::abs(g[k]));
  }
  if (!(greatest > 0)) return arrival;
  double counted = 0;
  if (options.phase_transform)
    for (std::size_t k = 0; k < g.size(); ++k) {
      const double magnitude = std::abs(g[k]);
      const bool counts = magnitude > options.floor * greatest;
      g[k] = counts ? g[k] / magnitude : 0.0;
      if (counts) counted += k == 0 || k + 1 == g.size() ? 1.0 : 2.0;
    }
  const double scale = options.phase_transform ? counted / period : std::sqrt(energy(sent) * energy(captured));

  const std::vector<double> r = fourier.inverse(g);
  const auto lag_of = [&](std::size_t index) {
    return static_cast<std::ptrdiff_t>(index) - static_cast<std::ptrdiff_t>(index >= captured.size() ? size : 0);
  };
  std::size_t crest = size;
  for (std::size_t index = 0; index < size; ++index) {
    const double lag = static_cast<double>(lag_of(index));
    if (lag < options.least_samples || lag > options.most_samples) continue;
    if (crest == size || std::abs(r[index]) > std::abs(r[crest])) crest = index;
  }
  if (crest == size) return arrival;

  const double sign = std::signbit(r[crest]) ? -1.0 : 1.0;
  arrival.found = true;
  arrival.polarity = sign < 0 ? -1 : 1;
  arrival.whole_samples = lag_of(crest);
  arrival.height_at_sample = std::abs(r[crest]) / scale;
  // Newton within a bracket of a sample either side; where it would leave the bracket, half the bracket instead.
  const double centre = static_cast<double>(arrival.whole_samples);
  double low = centre - 1.0, high = centre + 1.0, t = centre;
  Correlation here;
  for (int iteration = 0; iteration < 60; ++iteration) {
    here = correlation_at(g, period, t);
    const double slope = sign * here.slope, curvature = sign * here.curvature;
    (slope > 0 ? low : high) = t;
    double next = curvature < 0 ? t - slope / curvature : low;
    if (!(next > low && next < high)) next = 0.5 * (low + high);
    const double moved = std::abs(next - t);
    t = next;
    if (moved < 1e-10) break;
  }
  arrival.delay_samples = t;
  arrival.height = sign * here.value / scale;
  return arrival;
}

}  // namespace rackproof::analysis
