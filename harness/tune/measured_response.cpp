#include "harness/tune/measured_response.hpp"

#include <algorithm>
#include <cmath>

#include "harness/analysis/fourier.hpp"

namespace rackproof::tune {

using analysis::Complex, analysis::CrossSpectrum, analysis::RealFourier;

std::size_t power_of_two_below(double x) {
  std::size_t size = 2;
  while (2.0 * static_cast<double>(size) <= x) size *= 2;
  return size;
}
std::ptrdiff_t coarse_lag(View sent, View captured) {
  const RealFourier fourier(analysis::next_fast_size(sent.size() + captured.size()));
  std::vector<Complex> x = fourier.forward(sent);
  const std::vector<Complex> y = fourier.forward(captured);
  for (std::size_t k = 0; k < x.size(); ++k) x[k] = std::conj(x[k]) * y[k];
  const Samples r = fourier.inverse(x);
  const auto crest = std::max_element(r.begin(), r.end(), [](double a, double b) { return std::abs(a) < std::abs(b); });
  const std::ptrdiff_t at = crest - r.begin();
  return at < static_cast<std::ptrdiff_t>(captured.size()) ? at : at - static_cast<std::ptrdiff_t>(fourier.size());
}

Overlap overlap(View sent, View captured, std::ptrdiff_t lag) {
  const std::ptrdiff_t from = std::max<std::ptrdiff_t>(0, -lag);
  const std::ptrdiff_t to =
      std::min(static_cast<std::ptrdiff_t>(sent.size()), static_cast<std::ptrdiff_t>(captured.size()) - lag);
  if (to <= from) return {};
  const auto count = static_cast<std::size_t>(to - from);
  return {sent.subspan(static_cast<std::size_t>(from), count),
          captured.subspan(static_cast<std::size_t>(from + lag), count)};
}

CrossSpectrum welch(const Overlap& pair, double rate, std::size_t segment, std::size_t overlaps) {
  CrossSpectrum cross({rate, segment, segment / overlaps});
  cross.add(pair.x, pair.y);
  return cross;
}
Samples debiased_coherence(const CrossSpectrum& cross) {
  const double chance = 1.0 / std::max(1.0, cross.effective_averages());
  Samples coherence = cross.coherence();
  for (double& c : coherence) c = chance < 1 ? std::clamp((c - chance) / (1 - chance), 0.0, 1.0) : 0.0;
  return coherence;
}

Samples phase_wave(std::vector<Complex> h, const Samples& coherence) {
  for (std::size_t k = 0; k < h.size(); ++k)
    h[k] *= std::abs(h[k]) > 0 ? std::max(0.0, coherence[k] - 0.3) / std::abs(h[k]) : 0.0;
  Samples wave = RealFourier(2 * (h.size() - 1)).inverse(h);
  std::rotate(wave.begin(), wave.begin() + static_cast<std::ptrdiff_t>(wave.size() / 2), wave.end());
  return wave;
}

}  // namespace rackproof::tune
