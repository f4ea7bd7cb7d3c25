#include "harness/analysis/arrival.hpp"

#include <algorithm>
#include <cmath>
#include <functional>
#include <numbers>
#include <numeric>
#include <vector>

#include "harness/analysis/fourier.hpp"
#include "harness/analysis/phasor.hpp"

namespace rackproof::analysis {
namespace {
struct Correlation {
  double value = 0, slope = 0, curvature = 0;
};
// r(t) and its derivatives, in samples.
Correlation correlation_at(std::span<const Complex> g, double period, double t) {
  const double step = 2.0 * std::numbers::pi / period;
  Phasor rotation(t / period);
  Correlation r;
  for (std::size_t k = 0; k < g.size(); ++k) {
    const double weight = k == 0 || k + 1 == g.size() ? 1.0 : 2.0;
    const double re = g[k].real() * rotation.re() - g[k].imag() * rotation.im();
    const double im = g[k].real() * rotation.im() + g[k].imag() * rotation.re();
    const double w = static_cast<double>(k) * step;
    r.value += weight * re;
    r.slope -= weight * w * im;
    r.curvature -= weight * w * w * re;
    ++rotation;
  }
  r.value /= period;
  r.slope /= period;
  r.curvature /= period;
  return r;
}
double energy(std::span<const double> x) { return std::inner_product(x.begin(), x.end(), x.begin(), 0.0); }

struct Crest {
  double lag = 0, height = 0;
};
/// The crest of r, or of -r, within half a sample of `centre`: Newton in a bracket; where it would leave the bracket,
/// half the bracket instead.
Crest crest_near(std::span<const Complex> g, double period, double centre, double sign) {
  double low = centre - 0.5, high = centre + 0.5, t = centre;
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
  return {t, sign * here.value};
}

/// r at every half sample of lag, from the least lag that two signals can have on.
struct HalfSamples {
  double first_lag = 0;
  std::vector<double> r;
  double lag(std::size_t place) const { return first_lag + 0.5 * static_cast<double>(place); }
};
HalfSamples at_half_samples(std::vector<Complex> g, const RealFourier& fourier, std::size_t captured) {
  const std::size_t size = fourier.size();
  const std::vector<double> whole = fourier.inverse(g);
  for (std::size_t k = 0; k < g.size(); ++k)
    g[k] *= std::polar(1.0, std::numbers::pi * static_cast<double>(k) / static_cast<double>(size));
  const std::vector<double> half = fourier.inverse(g);
  HalfSamples at{static_cast<double>(captured) - static_cast<double>(size), {}};
  at.r.reserve(2 * size);
  for (std::size_t n = 0; n < size; ++n) {
    at.r.push_back(whole[(captured + n) % size]);
    at.r.push_back(half[(captured + n) % size]);
  }
  return at;
}

/// Places whose crest may be the greatest there is between the samples. A wave that reaches up to f cycles a sample and
/// has its greatest crest M at t0 is at least M cos(2 pi f |t - t0|) beside it: a quarter of a sample away at the most,
/// the grid shows that much of it.
std::vector<std::size_t> crests_of(std::span<const double> r, double f) {
  constexpr std::size_t kMostCrests = 32;  // noise may have more that are nearly as high: those that show most
  const auto height = [&](std::size_t place) { return std::abs(r[place]); };
  double highest = 0;
  for (std::size_t place = 0; place < r.size(); ++place) highest = std::max(highest, height(place));
  const double shown = highest * std::cos(0.5 * std::numbers::pi * std::min(f, 0.5)) * (1 - 1e-9);
  std::vector<std::size_t> crests;
  for (std::size_t place = 0; place < r.size(); ++place)
    if (height(place) >= shown && (place == 0 || height(place) >= height(place - 1)) &&
        (place + 1 == r.size() || height(place) >= height(place + 1)))
      crests.push_back(place);
  if (crests.size() > kMostCrests) {
    std::ranges::nth_element(crests, crests.begin() + kMostCrests, std::greater(), height);
    crests.resize(kMostCrests);
  }
  return crests;
}
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

  const HalfSamples at = at_half_samples(g, fourier, captured.size());
  std::size_t from = 0, to = at.r.size();
  while (from < to && at.lag(from) < options.least_samples) ++from;
  while (to > from && at.lag(to - 1) > options.most_samples) --to;
  if (from == to) return arrival;
  for (const std::size_t crest : crests_of(std::span(at.r).subspan(from, to - from), options.to)) {
    const std::size_t place = from + crest;
    const double sign = std::signbit(at.r[place]) ? -1.0 : 1.0;
    const Crest found = crest_near(g, period, at.lag(place), sign);
    if (arrival.found && found.height / scale <= arrival.height) continue;
    arrival.found = true;
    arrival.delay_samples = found.lag;
    arrival.polarity = sign < 0 ? -1 : 1;
    arrival.height = found.height / scale;
  }
  arrival.whole_samples = std::lround(arrival.delay_samples);
  for (std::size_t place = from + from % 2; place < to; place += 2)
    if (std::abs(at.r[place]) > arrival.height_at_sample * scale) {
      arrival.whole_samples = std::lround(at.lag(place));
      arrival.height_at_sample = std::abs(at.r[place]) / scale;
    }
  return arrival;
}

}  // namespace rackproof::analysis
