#include "harness/analysis/bands.hpp"

#include <algorithm>
#include <cmath>
#include <stdexcept>

namespace rackproof::analysis {
namespace {
double power_of_g(double exponent) { return std::pow(10.0, 0.3 * exponent); }
}  // namespace

Band octave_band(int b, int x) {
  if (b < 1) throw std::invalid_argument("a band is an octave over 1, 2, 3 ...");
  const double exponent = b % 2 != 0 ? static_cast<double>(x) / b : (2.0 * x + 1.0) / (2.0 * b);
  const double half = 0.5 / b;
  return {1000.0 * power_of_g(exponent - half), 1000.0 * power_of_g(exponent), 1000.0 * power_of_g(exponent + half)};
}

std::vector<Band> octave_bands(int b, double from_hz, double to_hz) {
  std::vector<Band> bands;
  if (!(from_hz > 0)) throw std::invalid_argument("bands begin above 0 Hz");
  for (int x = static_cast<int>(std::floor(b * std::log10(from_hz / 1000.0) / 0.3)) - 1;; ++x) {
    const Band band = octave_band(b, x);
    if (band.mid_hz > to_hz * 1.001) return bands;
    if (band.mid_hz >= from_hz / 1.001) bands.push_back(band);
  }
}

double band_power(std::span<const double> density, double bin_hz, double low_hz, double high_hz) {
  double power = 0;
  const double last = static_cast<double>(density.size());
  const auto first_bin = static_cast<std::size_t>(std::clamp(low_hz / bin_hz + 0.5, 0.0, last));
  for (std::size_t k = first_bin; k < density.size(); ++k) {
    const double below = std::max((static_cast<double>(k) - 0.5) * bin_hz, low_hz);
    const double above = std::min((static_cast<double>(k) + 0.5) * bin_hz, high_hz);
    if (above <= below) break;
    power += density[k] * (above - below);
  }
  return power;
}

template <class Value>
std::vector<Value> smooth(std::span<const double> frequency_hz, std::span<const Value> values, double b) {
  if (frequency_hz.size() != values.size()) throw std::invalid_argument("a value for each frequency");
  if (!(b > 0)) throw std::invalid_argument("a smoothing window is 1/b octave, b above 0");
  std::vector<Value> result(values.begin(), values.end());
  const std::size_t first =
      static_cast<std::size_t>(std::upper_bound(frequency_hz.begin(), frequency_hz.end(), 0.0) - frequency_hz.begin());
  const std::size_t count = values.size() - first;
  if (count < 2) return result;
  // Cells in log frequency, and the running integral over them.
  std::vector<double> centre(count), edge(count + 1);
  std::vector<Value> integral(count + 1);
  for (std::size_t i = 0; i < count; ++i) centre[i] = std::log2(frequency_hz[first + i]);
  edge.front() = centre.front();
  edge.back() = centre.back();
  for (std::size_t i = 1; i < count; ++i) edge[i] = 0.5 * (centre[i - 1] + centre[i]);
  for (std::size_t i = 0; i < count; ++i) integral[i + 1] = integral[i] + values[first + i] * (edge[i + 1] - edge[i]);
  // Both edges of the window move upwards: each remembers its own cell.
  const auto integral_to = [&](double at, std::size_t& cell) {
    while (cell > 0 && edge[cell] > at) --cell;
    while (cell + 1 < count && edge[cell + 1] < at) ++cell;
    return integral[cell] + values[first + cell] * (at - edge[cell]);
  };
  std::size_t low = 0, high = 0;
  for (std::size_t i = 0; i < count; ++i) {
    const double half = std::min({0.5 / b, centre[i] - edge.front(), edge.back() - centre[i]});
    if (half > 0)
      result[first + i] = (integral_to(centre[i] + half, high) - integral_to(centre[i] - half, low)) / (2.0 * half);
  }
  return result;
}
template std::vector<double> smooth(std::span<const double>, std::span<const double>, double);
template std::vector<Complex> smooth(std::span<const double>, std::span<const Complex>, double);

std::vector<double> log_frequencies(double from_hz, double to_hz, double per_octave) {
  std::vector<double> result;
  if (!(from_hz > 0 && per_octave > 0)) throw std::invalid_argument("frequencies begin above 0 Hz");
  for (double n = 0;; ++n) {
    const double f = from_hz * std::exp2(n / per_octave);
    if (f > to_hz * (1 + 1e-12)) return result;
    result.push_back(f);
  }
}

}  // namespace rackproof::analysis
