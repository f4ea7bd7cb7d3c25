#include "harness/tune/sweep_sent.hpp"

#include <algorithm>
#include <bit>
#include <cmath>
#include <numeric>
#include <vector>

#include "harness/analysis/fourier.hpp"
#include "harness/analysis/power_spectrum.hpp"
#include "harness/tune/screening.hpp"

namespace rackproof::tune {
using analysis::Complex, analysis::RealFourier;
using Samples = std::vector<double>;

Glide glide_of(std::span<const double> sent, double rate) {
  Glide glide;
  const Stretch active = active_stretch(sent);
  constexpr std::size_t kFrames = 48;
  const std::size_t stretch = active.size() / kFrames;
  const std::size_t size = std::min<std::size_t>(4096, std::bit_floor(stretch));
  if (size < 64) return glide;
  const analysis::PowerSpectrum spectrum(analysis::Window::hann, size);
  constexpr double kTold = 4;  // bins, above which the window tells the frequency
  std::size_t pairs = 0, rises = 0, falls = 0;
  Samples place, time_s;
  for (std::size_t frame = 0; frame < kFrames; ++frame) {
    const std::size_t start = active.begin + (active.size() - size) * frame / (kFrames - 1);
    const Samples power = spectrum.of(sent, static_cast<std::ptrdiff_t>(start));
    const auto crest = static_cast<std::size_t>(std::max_element(power.begin(), power.end()) - power.begin());
    const std::size_t reach = 4 + crest / 8;  // it glides while the window lasts
    const std::size_t from = crest > reach ? crest - reach : 0, to = std::min(power.size(), crest + reach + 1);
    const auto at = [&](std::size_t k) { return power.begin() + static_cast<std::ptrdiff_t>(k); };
    const double near = std::accumulate(at(from), at(to), 0.0), all = std::accumulate(power.begin(), power.end(), 0.0);
    if (!(near > 0.9 * all)) continue;
    double moment = 0;
    for (std::size_t k = from; k < to; ++k) moment += power[k] * static_cast<double>(k);
    if (!place.empty() && place.back() >= kTold) {
      ++pairs;
      rises += moment / near >= place.back();
      falls += moment / near <= place.back();
    }
    place.push_back(moment / near);
    const std::size_t middle = start - active.begin + size / 2;
    time_s.push_back(static_cast<double>(middle) / rate);
  }
  glide.is = 10 * place.size() >= 8 * kFrames && pairs >= 8 && 10 * std::max(rises, falls) >= 9 * pairs &&
             std::abs(std::log2(std::max(1.0, place.back()) / std::max(1.0, place.front()))) > 1;
  if (!glide.is) return glide;
  // Where the window tells the frequency well, ln f should be a straight line.
  double count = 0, t = 0, l = 0, tt = 0, tl = 0;
  for (std::size_t i = 0; i < place.size(); ++i) {
    if (place[i] < 20) continue;
    const double log_hz = std::log(place[i] * rate / static_cast<double>(size));
    ++count;
    t += time_s[i];
    l += log_hz;
    tt += time_s[i] * time_s[i];
    tl += time_s[i] * log_hz;
  }
  const double slope = (tl - t * l / count) / (tt - t * t / count), start = (l - slope * t) / count;
  double worst = 0;
  for (std::size_t i = 0; i < place.size(); ++i)
    if (place[i] >= 20)
      worst =
          std::max(worst, std::abs(std::log(place[i] * rate / static_cast<double>(size)) - start - slope * time_s[i]));
  glide.exponential = count >= 8 && slope > 0 && worst < 0.1;
  glide.from_hz = std::exp(start);
  glide.time_scale_s = 1 / slope;
  return glide;
}

std::size_t repeat_of(std::span<const double> active) {
  constexpr double kSame = 0.999;  // of the correlation: a file of 16 bits with noise at -60 dB beside it
  const std::size_t size = active.size();
  const RealFourier fourier(analysis::next_fast_size(2 * size));
  std::vector<Complex> spectrum = fourier.forward(active);
  for (Complex& value : spectrum) value = std::norm(value);
  const Samples correlation = fourier.inverse(spectrum);
  Samples energy(size + 1, 0.0);
  for (std::size_t n = 0; n < size; ++n) energy[n + 1] = energy[n] + active[n] * active[n];
  double best = kSame;
  std::size_t repeat = 0;
  for (std::size_t lag = size / 2; lag < size * 3 / 4; ++lag) {
    const double both = energy[size - lag] * (energy[size] - energy[lag]);
    if (!(both > 0) || !(correlation[lag] > best * std::sqrt(both))) continue;
    best = correlation[lag] / std::sqrt(both);
    repeat = lag;
  }
  return repeat;
}

bool is_sweep(std::span<const double> sent) {
  const Stretch active = active_stretch(sent);
  const std::span<const double> all = sent.subspan(active.begin, active.size());
  return glide_of(all.first(all.size() - repeat_of(all)), 1.0).is;
}

}  // namespace rackproof::tune
