#include "harness/tune/two_passes.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "harness/analysis/fourier.hpp"
#include "harness/analysis/median.hpp"

namespace rackproof::tune {
namespace {

constexpr std::size_t kPiece = 4096, kHop = kPiece / 2;
constexpr double kLeastShare = 0.05, kOverNoise = 10;
constexpr double kSounds = 0.1;           // of the loudest piece's power: the octave sounds
constexpr std::size_t kLeastSilent = 16;  // pieces that tell the noise

/// Power of one octave, a value a piece.
struct Octave {
  Samples both, difference;
};

std::optional<double> share_of_difference(const Octave& octave) {
  const double loudest = *std::ranges::max_element(octave.both);
  double both = 0, difference = 0, sounding = 0;
  Samples silent;
  for (std::size_t n = 0; n < octave.both.size(); ++n) {
    if (octave.both[n] < kSounds * loudest) {
      silent.push_back(octave.difference[n]);
      continue;
    }
    both += octave.both[n];
    difference += octave.difference[n];
    ++sounding;
  }
  if (silent.size() < kLeastSilent || both == 0) return {};
  if (difference < kOverNoise * analysis::median(std::move(silent)) * sounding) return {};
  return difference / both;
}

}  // namespace

std::optional<Disagreement> disagreement(View first, View second, double rate_hz, double from_hz, double to_hz) {
  const std::size_t size = std::min(first.size(), second.size());
  const auto octaves = static_cast<std::size_t>(std::max(0.0, std::floor(std::log2(to_hz / from_hz))));
  if (size < kPiece || octaves == 0) return {};
  std::vector<Octave> all(octaves);
  const analysis::RealFourier fourier(kPiece);
  const double bin_hz = rate_hz / static_cast<double>(kPiece);
  Samples a(kPiece), b(kPiece);
  for (std::size_t begin = 0; begin + kPiece <= size; begin += kHop) {
    for (std::size_t n = 0; n < kPiece; ++n) {
      const double window =
          0.5 - 0.5 * std::cos(2 * std::numbers::pi * static_cast<double>(n) / static_cast<double>(kPiece));
      a[n] = window * first[begin + n];
      b[n] = window * second[begin + n];
    }
    const std::vector<analysis::Complex> x = fourier.forward(a), y = fourier.forward(b);
    for (std::size_t o = 0; o < octaves; ++o) {
      const double low_hz = from_hz * std::exp2(static_cast<double>(o));
      const auto low = static_cast<std::size_t>(std::ceil(low_hz / bin_hz));
      const auto high = std::min(x.size() - 1, static_cast<std::size_t>(2 * low_hz / bin_hz));
      double both = 0, difference = 0;
      for (std::size_t k = low; k <= high; ++k) {
        both += std::norm(x[k]) + std::norm(y[k]);
        difference += std::norm(x[k] - y[k]);
      }
      all[o].both.push_back(both);
      all[o].difference.push_back(difference);
    }
  }
  Disagreement most;
  double share = kLeastShare;
  for (std::size_t o = 0; o < octaves; ++o) {
    const std::optional<double> of_octave = share_of_difference(all[o]);
    if (!of_octave || *of_octave < share) continue;
    share = *of_octave;
    most = {from_hz * std::exp2(static_cast<double>(o) + 0.5), share};
  }
  return most.frequency_hz > 0 ? std::optional(most) : std::nullopt;
}

}  // namespace rackproof::tune
