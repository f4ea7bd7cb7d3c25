#pragma once
/// Tracks from one sample rate to another.
/// Theorem  output frame n stands for the input's time n / rate (no latency), whatever the sizes that `process` is called
///          with. Up to 0.9 of half the lower rate the level is kept within 0.01 dB; what the lower rate cannot hold is
///          below -140 dB. The same bits on every x86-64 machine. Memory is constant. The filter rings ahead of a click
///          too: the first kLeadFrames lack what rings ahead of the first frame, unless that many frames of silence lead.
/// Method   libsoxr at its very high quality: linear phase, 28 bits, sums in double precision. Its plain engine, whatever
///          vector unit there is. Nothing is dropped or dithered; samples beyond full scale stay.
#include <cstddef>
#include <cstdint>
#include <memory>
#include <span>
#include <vector>

struct soxr;
namespace rackproof::audio {

class RateConverter {
 public:
  /// Rates in hertz, or in anything else: their ratio counts. Throws MachineError without memory.
  RateConverter(double from_hz, double to_hz, std::size_t tracks);
  ~RateConverter();
  RateConverter(RateConverter&&) noexcept;

  static constexpr std::uint64_t kLeadFrames = 512;

  struct Step {
    std::size_t taken = 0, made = 0;  ///< frames of the input, and of the output
  };
  /// Takes at most `in_frames` of each `in[track]` and makes at most `out_frames` of each `out[track]`. At the end give it
  /// silence, until all is out. Throws MachineError where it does neither.
  Step process(std::span<const float* const> in, std::size_t in_frames, std::span<float* const> out,
               std::size_t out_frames);

 private:
  struct Delete {
    void operator()(soxr* converter) const;
  };
  std::unique_ptr<soxr, Delete> converter_;
};

/// A whole track: `samples.size() * to_hz / from_hz` samples, rounded down.
std::vector<double> converted(std::span<const double> samples, double from_hz, double to_hz);

}  // namespace rackproof::audio
