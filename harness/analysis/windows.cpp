#include "harness/analysis/windows.hpp"

#include <cmath>
#include <numbers>
#include <numeric>

namespace rackproof::analysis {
namespace {
std::span<const double> terms_of(Window kind) {
  static constexpr double kBoxcar[] = {1.0}, kHann[] = {0.5, 0.5}, kHamming[] = {0.54, 0.46},
                          kBlackman[] = {0.42, 0.5, 0.08}, kBlackmanHarris[] = {0.35875, 0.48829, 0.14128, 0.01168},
                          // five terms, as common in analysers since G. D'Antona, A. Ferrero (2006)
      kFlatTop[] = {0.21557895, 0.41663158, 0.277263158, 0.083578947, 0.006947368};
  switch (kind) {
    case Window::hann:
      return kHann;
    case Window::hamming:
      return kHamming;
    case Window::blackman:
      return kBlackman;
    case Window::blackman_harris:
      return kBlackmanHarris;
    case Window::flat_top:
      return kFlatTop;
    case Window::boxcar:
      break;
  }
  return kBoxcar;
}
double sum_of_squares(std::span<const double> w) { return std::inner_product(w.begin(), w.end(), w.begin(), 0.0); }
}  // namespace

std::vector<double> window(Window kind, std::size_t size, bool symmetric) {
  std::vector<double> w(size, 0.0);
  const double period = static_cast<double>(symmetric && size > 1 ? size - 1 : size);
  for (std::size_t n = 0; n < size; ++n) {
    double sign = 1.0, order = 0.0;
    for (const double term : terms_of(kind)) {
      w[n] += sign * term * std::cos(2.0 * std::numbers::pi * order * static_cast<double>(n) / period);
      sign = -sign;
      order += 1.0;
    }
  }
  return w;
}

double coherent_gain(std::span<const double> w) {
  return std::accumulate(w.begin(), w.end(), 0.0) / static_cast<double>(w.size());
}

double noise_bandwidth_bins(std::span<const double> w) {
  const double sum = std::accumulate(w.begin(), w.end(), 0.0);
  return static_cast<double>(w.size()) * sum_of_squares(w) / (sum * sum);
}

double overlap_correlation(std::span<const double> w, std::size_t hop) {
  if (hop >= w.size()) return 0.0;
  const std::span<const double> later = w.subspan(hop);
  return std::inner_product(later.begin(), later.end(), w.begin(), 0.0) / sum_of_squares(w);
}

}  // namespace rackproof::analysis
