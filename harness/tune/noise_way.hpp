#pragma once
/// The way of noise: H1 = Pxy / Pxx, averaged after P. D. Welch (1967), Hann windows: segments of 1.37 s below, of 0.34 s
/// above the frequency where their spacing is 1/48 octave. Reflections later than a segment count as noise, as they are to
/// a listener; coherence tells.
#include "harness/tune/way.hpp"

namespace rackproof::tune {

class NoiseWay : public Way {
 public:
  NoiseWay(const Recording& sent, const TransferOptions& options);

 private:
  class Averaged;
  std::unique_ptr<Shown> show(View recording) const override;
  std::ptrdiff_t lag_in(View captured) const override;
  std::string too_short(double share, double seconds) const override;
  Drift drift_in(const Recording& captured, std::ptrdiff_t lag, By path, Heard& heard) const override;
  double counts_at() const override { return 0.5; }
  Response averaged(View y, std::ptrdiff_t lag, std::size_t segment, std::size_t overlaps) const;
};

}  // namespace rackproof::tune
