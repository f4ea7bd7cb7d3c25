#include "harness/analysis/cross_spectrum.hpp"

#include <algorithm>
#include <cmath>
#include <numeric>
#include <stdexcept>

namespace rackproof::analysis {
namespace {
template <class Value>
std::vector<Value> density(const std::vector<Value>& sums, double scale) {
  std::vector<Value> result(sums.size());
  for (std::size_t k = 0; k < sums.size(); ++k)
    result[k] = sums[k] * (k == 0 || k + 1 == sums.size() ? scale : 2.0 * scale);  // DC and Nyquist have no mirror
  return result;
}
}  // namespace

CrossSpectrum::CrossSpectrum(Settings settings)
    : settings_(settings),
      fourier_(settings.segment),
      window_(window(settings.window, settings.segment)),
      pxx_(fourier_.bins()),
      pyy_(fourier_.bins()),
      pxy_(fourier_.bins()) {
  if (settings.hop == 0 || settings.hop > settings.segment)
    throw std::invalid_argument("segments must not leave samples out: the hop is 1 .. segment");
}

void CrossSpectrum::add(std::span<const double> x, std::span<const double> y) {
  if (x.size() != y.size()) throw std::invalid_argument("what was sent and what arrived must be of one length");
  waiting_x_.insert(waiting_x_.end(), x.begin(), x.end());
  waiting_y_.insert(waiting_y_.end(), y.begin(), y.end());
  std::size_t start = 0;
  const auto spectrum_at = [&](const std::vector<double>& signal) {
    std::vector<double> windowed(window_);
    for (std::size_t n = 0; n < windowed.size(); ++n) windowed[n] *= signal[start + n];
    return fourier_.forward(windowed);
  };
  for (; start + settings_.segment <= waiting_x_.size(); start += settings_.hop, ++segments_) {
    const std::vector<Complex> sent = spectrum_at(waiting_x_), arrived = spectrum_at(waiting_y_);
    for (std::size_t k = 0; k < sent.size(); ++k) {
      pxx_[k] += std::norm(sent[k]);
      pyy_[k] += std::norm(arrived[k]);
      pxy_[k] += std::conj(sent[k]) * arrived[k];
    }
  }
  waiting_x_.erase(waiting_x_.begin(), waiting_x_.begin() + static_cast<std::ptrdiff_t>(start));
  waiting_y_.erase(waiting_y_.begin(), waiting_y_.begin() + static_cast<std::ptrdiff_t>(start));
}

std::vector<double> CrossSpectrum::pxx() const { return density(pxx_, scale()); }
std::vector<double> CrossSpectrum::pyy() const { return density(pyy_, scale()); }
std::vector<Complex> CrossSpectrum::pxy() const { return density(pxy_, scale()); }

double CrossSpectrum::scale() const {
  const double power = std::inner_product(window_.begin(), window_.end(), window_.begin(), 0.0);
  return 1.0 / (settings_.sample_rate_hz * power * static_cast<double>(std::max<std::uint64_t>(segments_, 1)));
}

std::vector<Complex> CrossSpectrum::h1() const {
  std::vector<Complex> result(bins());
  for (std::size_t k = 0; k < bins(); ++k)
    if (pxx_[k] > 0) result[k] = pxy_[k] / pxx_[k];
  return result;
}

std::vector<double> CrossSpectrum::coherence() const {
  std::vector<double> result(bins());
  for (std::size_t k = 0; k < bins(); ++k)
    if (pxx_[k] > 0 && pyy_[k] > 0) result[k] = std::min(1.0, (std::norm(pxy_[k]) / pxx_[k]) / pyy_[k]);
  return result;
}

double CrossSpectrum::effective_averages() const {
  const double count = static_cast<double>(segments_);
  double spread = 1.0;
  for (std::size_t m = 1; m * settings_.hop < settings_.segment && m < segments_; ++m) {
    const double c = overlap_correlation(window_, m * settings_.hop);
    spread += 2.0 * (1.0 - static_cast<double>(m) / count) * c * c;
  }
  return count / spread;
}

double expected_coherence(double coherence, double averages) {
  // 1/N + (N-1)/(N+1) g 2F1(1, 1; N+2; g): the series has terms n! g^n / ((N+2)(N+3)..(N+1+n)), falling from the first.
  double sum = 0.0, term = 1.0;
  for (double n = 0; term > 1e-17 * sum && n < 1e6; ++n) {
    sum += term;
    term *= coherence * (n + 1.0) / (averages + 2.0 + n);
  }
  return 1.0 / averages + (averages - 1.0) / (averages + 1.0) * coherence * sum;
}

}  // namespace rackproof::analysis
