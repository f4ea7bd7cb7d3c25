#include "harness/analysis/true_peak_meter.hpp"

#include <algorithm>
#include <bit>
#include <cmath>
#include <cstdint>
#include <limits>

#include "harness/analysis/wide.hpp"

namespace rackproof::analysis {
namespace {
constexpr std::size_t kPairs = 6;
// ITU-R BS.1770-5, Annex 2: phases 0 and 1; 3 and 2 are these reversed. Multiples of 2^-13.
constexpr float kPhases[2][2 * kPairs] = {
    {0.0017089843750f, 0.0109863281250f, -0.0196533203125f, 0.0332031250000f, -0.0594482421875f, 0.1373291015625f,
     0.9721679687500f, -0.1022949218750f, 0.0476074218750f, -0.0266113281250f, 0.0148925781250f, -0.0083007812500f},
    {-0.0291748046875f, 0.0292968750000f, -0.0517578125000f, 0.0891113281250f, -0.1665039062500f, 0.4650878906250f,
     0.7797851562500f, -0.2003173828125f, 0.1015625000000f, -0.0582275390625f, 0.0330810546875f, -0.0189208984375f}};

inline __attribute__((always_inline)) float greater(float a, float b) {
  return a > b ? a : b;
}  // b, where a is not a number

/// A phase and its mirror image at once: what both do to sums (even) and to differences (odd) of samples equally far
/// from the middle. The greater magnitude of even + odd and even - odd is |even| + |odd|.
template <std::size_t Phase>
inline __attribute__((always_inline)) float of_mirrored_phases(const float* window) {
  constexpr auto& taps = kPhases[Phase];
  float even = 0, odd = 0;
  for (std::size_t k = 0; k < kPairs; ++k) {
    const float a = window[k], b = window[2 * kPairs - 1 - k];
    even += (taps[k] + taps[2 * kPairs - 1 - k]) / 2 * (a + b);
    odd += (taps[k] - taps[2 * kPairs - 1 - k]) / 2 * (a - b);
  }
  return std::fabs(even) + std::fabs(odd);
}

constexpr std::size_t kLanes = 16;  // every sixteenth place has a greatest of its own: so a compiler finds the lanes
/// A reading over the largest sample it looks at: the magnitudes of phase 1's taps, and room for the roundings.
constexpr float kMostOfLargest = [] {
  float sum = 0;
  for (const float tap : kPhases[1]) sum += tap < 0 ? -tap : tap;
  return sum * 1.0001f;
}();

/// Of the sample 11 places on in `window`, or 0 where that is not finite.
inline __attribute__((always_inline)) float reading_of(const float* window) {
  const float between = greater(of_mirrored_phases<0>(window), of_mirrored_phases<1>(window));
  const float reading = greater(between, std::fabs(window[2 * kPairs - 1]));
  return reading <= std::numeric_limits<float>::max() ? reading : 0.0f;
}
RACKPROOF_WIDE float greatest_reading(const float* window, std::size_t count) {
  std::array<float, kLanes> greatest{};
  std::size_t n = 0;
  for (; n + kLanes <= count; n += kLanes)
    for (std::size_t l = 0; l < kLanes; ++l) greatest[l] = greater(reading_of(window + n + l), greatest[l]);
  for (; n < count; ++n) greatest[0] = greater(reading_of(window + n), greatest[0]);
  return *std::ranges::max_element(greatest);
}
/// Of what is not a number, more than that of any number.
RACKPROOF_WIDE std::uint32_t greatest_magnitude_bits(std::span<const float> samples) {
  std::uint32_t greatest = 0;
  for (const float x : samples) {
    const std::uint32_t magnitude = std::bit_cast<std::uint32_t>(x) & 0x7fffffffu;
    greatest = magnitude > greatest ? magnitude : greatest;
  }
  return greatest;
}
}  // namespace

void TruePeakMeter::process(std::span<const float> samples) {
  while (!samples.empty()) {
    const std::size_t count = std::min(kRun, samples.size());
    std::copy_n(samples.begin(), count, window_.begin() + kHistory);
    const std::uint32_t largest = greatest_magnitude_bits(std::span(window_).first(kHistory + count));
    // Where even the largest sample times all the taps' magnitudes gives no more than has been read, nothing can.
    if (!(std::bit_cast<float>(largest) * kMostOfLargest <= peak_))
      peak_ = std::max(peak_, greatest_reading(window_.data(), count));
    std::copy_n(window_.begin() + static_cast<std::ptrdiff_t>(count), kHistory, window_.begin());
    samples = samples.subspan(count);
  }
}

void TruePeakMeter::finish() {
  constexpr float kSilence[kHistory]{};
  process(kSilence);
}

double TruePeakMeter::peak_linear() const { return static_cast<double>(peak_); }

}  // namespace rackproof::analysis
