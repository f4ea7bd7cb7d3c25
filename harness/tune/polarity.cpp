#include "harness/tune/polarity.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <vector>

#include "harness/analysis/bands.hpp"
#include "harness/analysis/decibels.hpp"
#include "harness/analysis/minimum_phase.hpp"

namespace rackproof::tune {
using analysis::Complex;

namespace {
constexpr double kBandShare = 1e-3;    // of the loudest octave's power: -30 dB, the band that counts
constexpr double kOtherCrest = 0.794;  // -2 dB
}  // namespace

Polarity polarity_of(std::span<const Complex> h, std::span<const double> coherence, double at_samples, int crest) {
  const std::size_t bins = h.size(), size = 2 * (bins - 1);
  std::vector<double> axis(bins), power(bins);
  for (std::size_t k = 0; k < bins; ++k) {
    axis[k] = static_cast<double>(k);
    power[k] = std::norm(h[k]);
  }
  const std::vector<double> level = analysis::smooth<double>(axis, power, 1.0);
  const std::vector<double> fine = analysis::smooth<double>(axis, power, 12.0);
  const std::vector<double> sure = analysis::smooth<double>(axis, coherence, 6.0);
  double loudest = 0;
  for (std::size_t k = 1; k + 1 < bins; ++k)
    if (sure[k] > 0.5) loudest = std::max(loudest, level[k]);
  const auto counts = [&](std::size_t k) { return sure[k] > 0.5 && level[k] > kBandShare * loudest; };
  std::size_t lowest = 1, highest = bins - 2;
  while (lowest < highest && !counts(lowest)) ++lowest;
  while (highest > lowest && !counts(highest)) --highest;
  if (!(loudest > 0) || highest <= lowest) return {0, "too little of what was sent is in it"};

  const analysis::RealFourier fourier(size);
  std::vector<double> held(bins);
  for (std::size_t k = 0; k < bins; ++k) held[k] = std::max(fine[std::clamp(k, lowest, highest)], 1e-12 * loudest);
  const std::vector<double> turned = analysis::minimum_phase(held, fourier);
  std::vector<Complex> straight(bins);
  double sum = 0, moment = 0;
  for (std::size_t k = lowest; k <= highest; ++k) {
    if (!counts(k)) continue;
    const double turns = static_cast<double>(k) / static_cast<double>(size) * at_samples;
    straight[k] =
        h[k] / std::sqrt(level[k]) * std::polar(1.0, 2 * std::numbers::pi * std::remainder(turns, 1.0) - turned[k]);
    sum += std::norm(straight[k]);
    moment += std::norm(straight[k]) * static_cast<double>(k);
  }
  const std::vector<double> wave = fourier.inverse(straight);
  // A period of the band's middle to either side: what the level's phase moves the crest by is less.
  const double period = sum > 0 ? static_cast<double>(size) * sum / moment : 1.0;
  const auto reach = static_cast<std::ptrdiff_t>(std::clamp(1.5 * period, 8.0, static_cast<double>(size) / 4));
  double up = 0, down = 0;
  for (std::ptrdiff_t n = -reach; n <= reach; ++n) {
    const double x = wave[static_cast<std::size_t>((n + static_cast<std::ptrdiff_t>(size))) % size];
    up = std::max(up, x);
    down = std::max(down, -x);
  }
  if (std::min(up, down) > kOtherCrest * std::max(up, down))
    return {0, "the band is too narrow, or too much is thrown back into it, for one crest to stand out"};
  const int straightened = up > down ? 1 : -1;
  if (straightened != crest)
    return {0,
            "the crest of the direct sound points one way, and the phase without what the filters turn the other way"};
  return {crest, {}};
}

}  // namespace rackproof::tune
