#pragma once
/// The way of a sweep: spectral division over the whole recording, which puts harmonics ahead of the direct sound (A.
/// Farina, AES 108th Convention, 2000), then a gate from 80 ms before it to 1.37 s after it. Coherence: the share of |H|^2
/// that the noise in the gate, taken from what the gated response leaves over, does not explain.
#include "harness/tune/sweep_sent.hpp"
#include "harness/tune/way.hpp"

namespace rackproof::tune {

class SweepWay : public Way {
 public:
  SweepWay(const Recording& sent, const TransferOptions& options);

 private:
  class Gated;
  /// What arrived over what was sent, the whole recording at once: harmonics come ahead of the direct sound.
  struct Division {
    std::vector<double> power;  ///< of what was sent, by bins
    Samples wave;
  };
  /// A recorder's drift bends the sweep: what comes late in it comes later still, frequency by frequency, and the
  /// direct sound is smeared. The drift is the one whose removal makes it the sharpest; the treble decides, where a
  /// loudspeaker's own phase follows from its level. What bends by itself, as a horn or an ear may, gains some 15 %.
  struct Bend {
    double ppm = 0, gain = 1;
  };

  std::unique_ptr<Shown> show(View recording) const override;
  std::ptrdiff_t lag_in(View captured) const override;
  std::string too_short(double share, double seconds) const override;
  Drift drift_in(const Recording& captured, std::ptrdiff_t lag, By path, Heard& heard) const override;
  double counts_at() const override { return 1; }

  Division divided(View y) const;
  Response gated(const Division& division, View y, std::ptrdiff_t lag) const;
  std::size_t standing_out(View wave) const;
  /// The second sweep took the same path as the first: whatever it is late by beyond the repeat, the clocks made.
  Drift drift_between(const Passes& passes, std::ptrdiff_t lag) const;
  Bend drift_of_sweep(const Response& response) const;

  Glide glide_;
};

}  // namespace rackproof::tune
