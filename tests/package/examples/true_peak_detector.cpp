// Shows the swing between the samples: a tone at a quarter of the sample rate whose samples all miss its crests by
// 45 degrees. The samples read 3 dB low, the detector at most 0.2 dB.
#include <array>
#include <cmath>
#include <cstddef>
#include <cstdio>
#include <numbers>

#include "dsp/blocks/true_peak_detector.hpp"

using namespace rackproof;
using Detector = dsp::TruePeakDetector<1>;

int main() {
  std::array<float, 480> tone{}, peak{};
  for (std::size_t n = 0; n < tone.size(); ++n)
    tone[n] = static_cast<float>(std::sin(std::numbers::pi * (0.5 * static_cast<double>(n) + 0.25)));  // crests of 1.0
  Detector detector;
  detector.reset();
  detector.process(tone, peak);

  double sample_dbfs = -400.0, true_dbfs = -400.0;
  for (std::size_t n = Detector::kWindow; n < tone.size(); ++n) {  // once its window holds nothing but the tone
    sample_dbfs = std::fmax(sample_dbfs, 20.0 * std::log10(std::fabs(static_cast<double>(tone[n]))));
    true_dbfs = std::fmax(true_dbfs, 20.0 * std::log10(static_cast<double>(peak[n])));
  }
  std::printf(
      "true_peak_detector: the samples read %.2f dBFS, the detector %.2f dBFS; the tone's crests are at 0 dBFS\n",
      sample_dbfs, true_dbfs);
  return true_dbfs >= -0.2 && true_dbfs <= 0.05 ? 0 : 1;
}
