#include "harness/analysis/true_peak_meter.hpp"

#include <algorithm>
#include <cmath>

namespace rackproof::analysis {
namespace {
constexpr std::size_t kPairs = 6;
// ITU-R BS.1770-5, Annex 2: phases 0 and 1; 3 and 2 are these reversed. Multiples of 2^-13.
constexpr float kPhases[2][2 * kPairs] = {
    {0.0017089843750f, 0.0109863281250f, -0.0196533203125f, 0.0332031250000f, -0.0594482421875f, 0.1373291015625f,
     0.9721679687500f, -0.1022949218750f, 0.0476074218750f, -0.0266113281250f, 0.0148925781250f, -0.0083007812500f},
    {-0.0291748046875f, 0.0292968750000f, -0.0517578125000f, 0.0891113281250f, -0.1665039062500f, 0.4650878906250f,
     0.7797851562500f, -0.2003173828125f, 0.1015625000000f, -0.0582275390625f, 0.0330810546875f, -0.0189208984375f}};

float greater(float a, float b) { return a > b ? a : b; }  // b, where a is not a number

/// A phase and its mirror image at once: what both do to sums (even) and to differences (odd) of samples equally far
/// from the middle. The greater magnitude of even + odd and even - odd is |even| + |odd|.
template <std::size_t Phase>
float of_mirrored_phases(const float* window) {
  constexpr auto& taps = kPhases[Phase];
  float even = 0, odd = 0;
  for (std::size_t k = 0; k < kPairs; ++k) {
    const float a = window[k], b = window[2 * kPairs - 1 - k];
    even += (taps[k] + taps[2 * kPairs - 1 - k]) / 2 * (a + b);
    odd += (taps[k] - taps[2 * kPairs - 1 - k]) / 2 * (a - b);
  }
  return std::fabs(even) + std::fabs(odd);
}
}  // namespace

void TruePeakMeter::process(std::span<const float> samples) {
  while (!samples.empty()) {
    const std::size_t count = std::min(kRun, samples.size());
    std::copy_n(samples.begin(), count, window_.begin() + kHistory);
    float readings[kRun]{};
    for (std::size_t n = 0; n < count; ++n) {
      const float* window = window_.data() + n;
      readings[n] = greater(of_mirrored_phases<0>(window), of_mirrored_phases<1>(window));
      readings[n] = greater(readings[n], std::fabs(window[kHistory]));
    }
    for (std::size_t n = 0; n < kRun; n += kLanes)
      for (std::size_t l = 0; l < kLanes; ++l)
        greatest_[l] = greater(std::isfinite(readings[n + l]) ? readings[n + l] : 0, greatest_[l]);
    std::copy_n(window_.begin() + static_cast<std::ptrdiff_t>(count), kHistory, window_.begin());
    samples = samples.subspan(count);
  }
}

void TruePeakMeter::finish() {
  constexpr float kSilence[kHistory]{};
  process(kSilence);
}

double TruePeakMeter::peak_linear() const { return static_cast<double>(*std::ranges::max_element(greatest_)); }

}  // namespace rackproof::analysis
