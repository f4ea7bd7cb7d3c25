#pragma once
/// What one output did over a whole render: greatest magnitude, power, samples beyond full scale.
/// Theorem  peak and count are exact. The sum of squares errs by less than 1e-13 of itself for any length: squares of
///          floats are exact in double, runs of kRun of them are summed in eight lanes, and the runs by a compensated
///          sum (W. Kahan, "Further remarks on reducing truncation errors", CACM 8(1), 1965).
/// Method   magnitudes are compared as integers, which for anything but a NaN is the same order; the chain gives none.
#include <bit>
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <span>

namespace rackproof {

class RenderMeter {
 public:
  void add(std::span<const float> samples) {
    frames_ += samples.size();
    for (; samples.size() > kRun; samples = samples.subspan(kRun)) add_run(samples.first(kRun));
    add_run(samples);
  }
  double peak() const { return static_cast<double>(std::bit_cast<float>(peak_bits_)); }
  double rms() const { return frames_ == 0 ? 0.0 : std::sqrt(sum_ / static_cast<double>(frames_)); }
  std::uint64_t clipped_samples() const { return clipped_; }  ///< |x| > 1
  std::uint64_t frames() const { return frames_; }

 private:
  friend struct CounterProbe;  // the tests' own: puts counters where days would bring them
  static constexpr std::size_t kRun = 256;

  void add_run(std::span<const float> run);

  std::uint32_t peak_bits_ = 0;
  double sum_ = 0.0, lost_ = 0.0;
  std::uint64_t frames_ = 0, clipped_ = 0;
};

}  // namespace rackproof
