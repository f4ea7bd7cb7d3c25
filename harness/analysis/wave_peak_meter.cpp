#include "harness/analysis/wave_peak_meter.hpp"

#include <algorithm>
#include <bit>
#include <cmath>
#include <cstdint>
#include <numbers>

#include "dsp/blocks/true_peak_detector.hpp"
#include "harness/analysis/wide.hpp"

namespace rackproof::analysis {
namespace {

using Detector = dsp::TruePeakDetector<1>;

inline __attribute__((always_inline)) float more(float a, float b) { return a > b ? a : b; }

RACKPROOF_WIDE float greatest_magnitude(std::span<const float> samples) {
  std::uint32_t greatest = 0;  // as integers, which for finite magnitudes is the same order
  for (const float x : samples) {
    const std::uint32_t magnitude = std::bit_cast<std::uint32_t>(x) & 0x7fffffffu;
    greatest = magnitude > greatest ? magnitude : greatest;
  }
  return std::bit_cast<float>(greatest);
}

// ---- the detector, stretches side by side ---------------------------------------------------------------------------

/// Its claims (2) and (3), and room for the roundings: 0.4 dB.
constexpr float kMostTooLow = 1.0473f;

/// Of the stretches that begin at here[0], here[1] and on; gives the greatest.
RACKPROOF_WIDE float detect(const float* here, std::span<float> readings) {
  for (std::size_t n = 0; n < readings.size(); ++n) {
    const float* const x = here + n;
    const float near_sum = x[0] + x[1], near_difference = x[0] - x[1], far_difference = x[-1] - x[2];
    float even = Detector::kEven[0] * near_sum;
    for (std::ptrdiff_t k = 1; k < std::ptrdiff_t{Detector::kLatency}; ++k)
      even += Detector::kEven[k] * (x[-k] + x[1 + k]);
    const float outer_even = Detector::kOuterEven[0] * even + Detector::kOuterEven[1] * near_sum;
    const float outer_odd = Detector::kOuterOdd[0] * near_difference + Detector::kOuterOdd[1] * far_difference;
    const float inner = std::fabs(even) + Detector::kInnerOdd * std::fabs(near_difference);
    readings[n] = more(more(inner, std::fabs(outer_even) + std::fabs(outer_odd)), std::fabs(x[0]));
  }
  return greatest_magnitude(readings);
}

// ---- a closer look --------------------------------------------------------------------------------------------------

constexpr std::size_t kTaps = 48, kPoints = 8, kMiddle = kTaps / 2 - 1;

/// Of the points 1/8 .. 7/8 behind a sample: taps over the 23 samples ahead of it, itself, and the 24 behind.
struct Kernel {
  std::array<std::array<float, kTaps>, kPoints> taps{};  ///< by the point; that of the sample itself is not used
  float most_gain = 1;  ///< the greatest sum of magnitudes, and what a parabola may add
  Kernel() {
    constexpr double kBeta = 6.76;  // 70 dB by Kaiser's formula 0.1102 (A - 8.7)
    for (std::size_t p = 1; p < kPoints; ++p) {
      std::array<double, kTaps> exact{};
      double sum = 0;
      double magnitudes = 0;
      for (std::size_t k = 0; k < kTaps; ++k) {
        const double t = static_cast<double>(p) / kPoints - (static_cast<double>(k) - static_cast<double>(kMiddle));
        const double edge = t / (kTaps / 2.0);
        exact[k] = std::sin(std::numbers::pi * t) / (std::numbers::pi * t) *
                   std::cyl_bessel_i(0.0, kBeta * std::sqrt(std::max(0.0, 1 - edge * edge))) /
                   std::cyl_bessel_i(0.0, kBeta);
        sum += exact[k];
      }
      for (std::size_t k = 0; k < kTaps; ++k) {
        taps[p][k] = static_cast<float>(exact[k] / sum);
        magnitudes += std::abs(exact[k] / sum);
      }
      most_gain = std::max(most_gain, static_cast<float>(magnitudes * 1.01));
    }
  }
};
const Kernel& kernel() {
  static const Kernel made;
  return made;
}

RACKPROOF_WIDE float product(const float* x, const float* taps) {
  constexpr std::size_t kSums = 16;
  std::array<float, kSums> sums{};
  for (std::size_t k = 0; k < kTaps; k += kSums)
    for (std::size_t l = 0; l < kSums; ++l) sums[l] += x[k + l] * taps[k + l];
  for (std::size_t half = kSums / 2; half > 0; half /= 2)
    for (std::size_t l = 0; l < half; ++l) sums[l] += sums[l + half];
  return sums[0];
}
/// The greatest magnitude of the stretch from here[0] to here[1], both of them included.
float crest(const float* here) {
  const Kernel& k = kernel();
  std::array<float, kPoints + 3> at{};  // from a point ahead of the stretch to one behind it
  for (std::size_t p = 0; p < at.size(); ++p) {
    const std::size_t place = p + kPoints - 1;  // in points from here[-1]
    const float* const sample = here - 1 + place / kPoints;
    const std::size_t between = place % kPoints;
    at[p] = std::fabs(between == 0 ? sample[0] : product(sample - kMiddle, k.taps[between].data()));
  }
  float greatest = 0;
  for (std::size_t p = 1; p + 1 < at.size(); ++p) {
    const float left = at[p - 1], top = at[p], right = at[p + 1], bend = left - 2 * top + right;
    greatest = more(greatest, top);
    if (top >= left && top >= right && bend < 0 && std::min(left, right) > 0.9f * top)
      greatest = more(greatest, top - (right - left) * (right - left) / (8 * bend));
  }
  return greatest;
}

}  // namespace

void WavePeakMeter::look(std::size_t count) {
  const float largest = greatest_magnitude(std::span(window_).first(kHistory + count));
  if (largest * kernel().most_gain <= peak_) return;
  peak_ = more(peak_, largest);
  // A point's taps begin kMiddle ahead of its sample, and those of the point ahead of a stretch one more.
  const float* const here = window_.data() + kMiddle + 1;
  std::array<float, kRun> readings{};
  if (detect(here, std::span(readings).first(count)) * kMostTooLow <= peak_) return;
  for (std::size_t n = 0; n < count; ++n) {
    if (readings[n] * kMostTooLow <= peak_) continue;
    // The highest of its surroundings, or the first of those as high.
    if (n > 0 && readings[n - 1] >= readings[n]) continue;
    if (n + 1 < count && readings[n + 1] > readings[n]) continue;
    for (std::size_t m = n - (n > 0 ? 1 : 0); m <= std::min(n + 1, count - 1); ++m)
      peak_ = more(peak_, crest(here + m));
  }
}

void WavePeakMeter::process(std::span<const float> samples) {
  static_assert(WavePeakMeter::kTaps == analysis::kTaps && kMiddle + 1 >= Detector::kLatency - 1);
  while (!samples.empty()) {
    const std::size_t count = std::min(kRun - fed_, samples.size());
    std::copy_n(samples.begin(), count, window_.begin() + static_cast<std::ptrdiff_t>(kHistory + fed_));
    fed_ += count;
    samples = samples.subspan(count);
    if (fed_ < kRun) continue;
    look(kRun);
    std::copy_n(window_.begin() + kRun, kHistory, window_.begin());
    fed_ = 0;
  }
}

void WavePeakMeter::finish() {
  constexpr std::array<float, kHistory> kSilence{};
  process(kSilence);
  look(fed_);
  window_.fill(0.0f);
  fed_ = 0;
}

}  // namespace rackproof::analysis
