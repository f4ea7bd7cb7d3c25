#pragma once
/// The peak of the wave that a converter makes of the samples, for volts: read as the core's true-peak detector reads.
/// Claim    never below the greatest sample. A sine up to 0.3 of the sample rate is read within 0.2 dB below and 0.05 dB
///          above its crest, up to 0.42 within 0.2 dB; every wave limited to 0.42 of the rate within 0.4 dB (claims (2)
///          and (3) of dsp/blocks/true_peak_detector.hpp). The table of BS.1770, which `true_peak_meter.hpp` keeps to,
///          reads up to 0.76 dB low there.
/// Method   the detector's five points with its taps, for one channel, sixteen stretches side by side. Runs whose samples
///          are too small to read higher than what has been read are passed over, to the same reading.
#include <array>
#include <cstddef>
#include <span>
namespace rackproof::analysis {

/// One channel, fed in pieces of any size: the reading does not depend on the cut. Samples must be finite.
class WavePeakMeter {
 public:
  void process(std::span<const float> samples);
  /// Silence after the end, for the crest that follows the last sample. The meter is then ready for a new recording,
  /// its reading kept.
  void finish();
  /// Greatest so far, 1.0 = full scale: of the samples, and of the wave between those that nine more have followed.
  double peak_linear() const;

 private:
  static constexpr std::size_t kWindow = 18, kHistory = kWindow - 1, kRun = 256;
  std::array<float, kHistory + kRun> window_{};
  float peak_ = 0.0f;
};

}  // namespace rackproof::analysis
