#include "harness/tune/direct_sound.hpp"

#include <algorithm>
#include <cmath>
#include <complex>
#include <vector>

#include "harness/analysis/arrival.hpp"
#include "harness/analysis/bands.hpp"
#include "harness/analysis/median.hpp"

namespace rackproof::tune {
using analysis::Complex;

DirectSound direct_sound(std::span<const Complex> h, std::span<const double> coherence) {
  constexpr double kFirstShare = 0.25, kFloorMedians = 4.5, kQuietOctave = 1e-3;
  DirectSound found;
  const std::size_t bins = h.size(), size = 2 * (bins - 1);
  std::vector<double> axis(bins), power(bins), weight(bins, 0.0);
  for (std::size_t k = 0; k < bins; ++k) {
    axis[k] = static_cast<double>(k);
    power[k] = std::norm(h[k]);
  }
  const std::vector<double> level = analysis::smooth<double>(axis, power, 1.0);
  const std::vector<double> sure = analysis::smooth<double>(axis, coherence, 6.0);
  double loudest = 0;
  for (std::size_t k = 1; k + 1 < bins; ++k)
    if (sure[k] > 0.5) loudest = std::max(loudest, level[k]);
  for (std::size_t k = 1; k + 1 < bins; ++k)
    if (level[k] > kQuietOctave * loudest) weight[k] = std::clamp((sure[k] - 0.3) / 0.4, 0.0, 1.0);
  weight = analysis::smooth<double>(axis, weight, 3.0);
  // What passes up to half the sample rate, as a wire does, would end there with a hard edge.
  for (std::size_t k = 0; k < bins; ++k) {
    const double edge = std::clamp((0.5 - static_cast<double>(k) / static_cast<double>(size)) / 0.06, 0.0, 1.0);
    weight[k] *= edge * edge * (3.0 - 2.0 * edge);
  }
  std::vector<Complex> evened(bins), analytic(bins);
  double sum = 0, moment = 0, certain = 0;
  for (std::size_t k = 1; k + 1 < bins; ++k) {
    if (!(level[k] > 0)) continue;
    evened[k] = weight[k] * h[k] / std::sqrt(level[k]);
    sum += std::norm(evened[k]);
    moment += std::norm(evened[k]) * static_cast<double>(k);
    certain += std::norm(evened[k]) * coherence[k];
  }
  if (!(sum > 0)) return found;

  // The envelope: the wave and the wave a quarter of a turn on.
  const analysis::RealFourier fourier(size);
  std::vector<double> wave = fourier.inverse(evened), envelope(size);
  for (std::size_t k = 0; k < bins; ++k) analytic[k] = evened[k] * Complex(0, -1);
  const std::vector<double> turned = fourier.inverse(analytic);
  for (std::size_t n = 0; n < size; ++n) envelope[n] = std::hypot(wave[n], turned[n]);
  // From a quarter before time zero on: what is late wraps less than what is early.
  std::rotate(envelope.begin(), envelope.end() - static_cast<std::ptrdiff_t>(size / 4), envelope.end());
  std::rotate(wave.begin(), wave.end() - static_cast<std::ptrdiff_t>(size / 4), wave.end());
  const double greatest = *std::max_element(envelope.begin(), envelope.end());
  const double counts =
      std::max(kFirstShare * greatest, std::min(greatest, kFloorMedians * analysis::median(envelope)));
  std::size_t first = 0;
  while (envelope[first] < counts) ++first;
  while (first + 1 < size && envelope[first + 1] > envelope[first]) ++first;

  const double half_period = std::max(1.0, 0.5 * static_cast<double>(size) * sum / moment);
  found.period_samples = 2 * half_period;
  found.coherence = certain / sum;
  const std::vector<double> pulse{1.0};
  const double centre = static_cast<double>(first);
  const analysis::Arrival crest = analysis::find_arrival(
      pulse, wave,
      {.phase_transform = false, .least_samples = centre - half_period, .most_samples = centre + half_period});
  found.found = crest.found;
  const std::size_t quarter = size / 4;
  found.at_samples = crest.delay_samples - static_cast<double>(quarter);
  found.polarity = crest.polarity;
  return found;
}

}  // namespace rackproof::tune
