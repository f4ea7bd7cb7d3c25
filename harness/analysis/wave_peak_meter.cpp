#include "harness/analysis/wave_peak_meter.hpp"

#include <algorithm>
#include <bit>
#include <cmath>
#include <cstdint>

#include "dsp/blocks/true_peak_detector.hpp"
#include "harness/analysis/wide.hpp"

namespace rackproof::analysis {
namespace {

using Detector = dsp::TruePeakDetector<1>;
constexpr std::size_t kHere = Detector::kLatency - 1, kNext = Detector::kLatency;
constexpr std::size_t kLanes = 16;  // every sixteenth stretch has a greatest of its own: so a compiler finds the lanes
/// A reading over the largest sample it looks at: claim (1) of the detector, and room for the roundings.
constexpr float kMostOfLargest = 2.2042f * 1.0001f;

inline __attribute__((always_inline)) float greater(float a, float b) { return a > b ? a : b; }

/// Of the stretch between the two samples in the middle of `window`.
inline __attribute__((always_inline)) float reading_of(const float* window) {
  const float near_sum = window[kHere] + window[kNext], near_difference = window[kHere] - window[kNext];
  const float far_difference = window[kHere - 1] - window[kNext + 1];
  float even = Detector::kEven[0] * near_sum;
  for (std::size_t k = 1; k < Detector::kLatency; ++k)
    even += Detector::kEven[k] * (window[kHere - k] + window[kNext + k]);
  const float outer_even = Detector::kOuterEven[0] * even + Detector::kOuterEven[1] * near_sum;
  const float outer_odd = Detector::kOuterOdd[0] * near_difference + Detector::kOuterOdd[1] * far_difference;
  const float inner = std::fabs(even) + Detector::kInnerOdd * std::fabs(near_difference);
  return greater(inner, std::fabs(outer_even) + std::fabs(outer_odd));
}
RACKPROOF_WIDE float greatest_reading(const float* window, std::size_t count) {
  std::array<float, kLanes> greatest{};
  std::size_t n = 0;
  for (; n + kLanes <= count; n += kLanes)
    for (std::size_t l = 0; l < kLanes; ++l) greatest[l] = greater(reading_of(window + n + l), greatest[l]);
  for (; n < count; ++n) greatest[0] = greater(reading_of(window + n), greatest[0]);
  return *std::ranges::max_element(greatest);
}
RACKPROOF_WIDE float greatest_magnitude(std::span<const float> samples) {
  std::uint32_t greatest = 0;  // as integers, which for finite magnitudes is the same order
  for (const float x : samples) {
    const std::uint32_t magnitude = std::bit_cast<std::uint32_t>(x) & 0x7fffffffu;
    greatest = magnitude > greatest ? magnitude : greatest;
  }
  return std::bit_cast<float>(greatest);
}

}  // namespace

void WavePeakMeter::process(std::span<const float> samples) {
  static_assert(kWindow == Detector::kWindow);
  while (!samples.empty()) {
    const std::size_t count = std::min(kRun, samples.size());
    std::copy_n(samples.begin(), count, window_.begin() + kHistory);
    const float largest = greatest_magnitude(std::span(window_).first(kHistory + count));
    if (largest * kMostOfLargest > peak_) {
      peak_ = greater(peak_, largest);
      peak_ = greater(greatest_reading(window_.data(), count), peak_);
    }
    std::copy_n(window_.begin() + static_cast<std::ptrdiff_t>(count), kHistory, window_.begin());
    samples = samples.subspan(count);
  }
}

void WavePeakMeter::finish() {
  constexpr float kSilence[kHistory]{};
  process(kSilence);
}

double WavePeakMeter::peak_linear() const { return static_cast<double>(peak_); }

}  // namespace rackproof::analysis
