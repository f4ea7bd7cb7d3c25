#pragma once
/// The true peak as a meter after ITU-R BS.1770-5 (11/2023), Annex 2, reads it: four phases of twelve taps, the table
/// of the standard. For reports, so that figures compare with those of other meters. It errs as the table errs: on
/// sines up to 0.25 of the sample rate by -0.20 to +0.22 dB, at 0.4 by -0.26 to +0.15 dB. The limiter trusts a better
/// detector.
/// Method   a phase and its mirror image at once, in lanes; runs whose samples are too small to read higher than what
///          has been read are passed over, to the same reading.
#include <array>
#include <cstddef>
#include <span>
namespace rackproof::analysis {

/// One channel, fed in pieces of any size: the reading does not depend on the cut. What is not finite is passed over,
/// with the eleven samples around it.
class TruePeakMeter {
 public:
  void process(std::span<const float> samples);
  /// Silence after the end, for the crest that follows the last sample. The meter is then ready for a new recording,
  /// its reading kept.
  void finish();
  /// Greatest so far, 1.0 = full scale: of the interpolated wave (as far as it is known) and of the samples themselves.
  double peak_linear() const;

 private:
  static constexpr std::size_t kTaps = 12, kHistory = kTaps - 1, kRun = 256;
  std::array<float, kHistory + kRun> window_{};
  float peak_ = 0.0f;
};

}  // namespace rackproof::analysis
