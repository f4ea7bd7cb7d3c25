#pragma once
/// The peak of the wave that a converter makes of the samples, for volts.
/// Claim    never below the greatest sample. The crest of every sine up to 0.42 of the sample rate is read within 0.02 dB,
///          wherever between two samples it lies; that of every wave limited to 0.42 of it at most 0.4 dB low, and not
///          0.02 dB high. (The table of BS.1770, which `true_peak_meter.hpp` keeps to, reads single sines from 0.26 dB low
///          to 0.22 dB high up to 0.4 of the rate.)
/// Method   where the core's detector (dsp/blocks/true_peak_detector.hpp, claims (2) and (3)) finds a stretch between two
///          samples that could hold more than has been read, that stretch and its neighbours are looked at closely: eight
///          points a sample by a sinc of 48 taps under a window of J. F. Kaiser's (beta 6.76, flat within 0.01 dB up to
///          0.45 of the rate), and a parabola through the three around a crest.
/// Cost     the detector's, in lanes, and some 450 products for each crest that is within 0.4 dB of the greatest.
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
  /// Greatest so far, 1.0 = full scale. Of what has been fed since the last `finish` some is still ahead of it.
  double peak_linear() const { return static_cast<double>(peak_); }

 private:
  static constexpr std::size_t kTaps = 48, kRun = 256;
  static constexpr std::size_t kHistory = kTaps + 1;  ///< the taps of a stretch, and of a point on either side of it

  void look(std::size_t count);

  std::array<float, kHistory + kRun> window_{};
  std::size_t fed_ = 0;  ///< of the run that is being filled
  float peak_ = 0.0f;
};

}  // namespace rackproof::analysis
