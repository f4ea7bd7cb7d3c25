#pragma once
/// Programme loudness of a stereo stream as ITU-R BS.1770-5 (11/2023), Annex 1, has it: K-weighting, means over 400 ms
/// every 100 ms, gates at -70 LUFS and at 10 LU below the mean of what passes that.
/// Theorem  memory is constant and the reading does not depend on how the stream is cut. It is that of the standard but
///          for blocks whose loudness lies within 0.005 LU of a gate.
/// Method   the standard's table at 48 kHz; at other rates the same analogue form (both by the bilinear transform, the
///          section's own frequency kept).
///          Loudnesses of blocks are kept as a histogram of 0.01 LU, with the sum of the powers in each bin.
#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <vector>

namespace rackproof::analysis {

class LoudnessMeter {
 public:
  explicit LoudnessMeter(double sample_rate_hz);
  /// Interleaved left and right, whole frames.
  void add(std::span<const float> stereo);
  /// LUFS, as if the stream had been turned up by `gain_db`; nothing where it is shorter than 400 ms or no block passes
  /// the gates.
  std::optional<double> lufs(double gain_db = 0) const;
  /// The gain that makes it so loud; nothing where there is none.
  std::optional<double> gain_to(double lufs) const;

 private:
  struct Section {
    double b0 = 0, b1 = 0, b2 = 0, a1 = 0, a2 = 0;
    std::array<std::array<double, 2>, 2> state{};  ///< transposed direct form II, by channel
    double step(double x, std::size_t channel);
  };
  struct Bin {
    std::uint64_t blocks = 0;
    double power = 0;
  };
  static Section at_rate(const Section& at_48k, double sample_rate_hz);
  void close_quarter();
  std::optional<double> gated(double least_lufs) const;  ///< mean loudness of the blocks above this

  std::array<Section, 2> weighting_;
  std::size_t quarter_frames_, frames_ = 0, quarters_seen_ = 0;
  double power_ = 0;  ///< of the quarter under way
  std::array<double, 4> quarters_{};
  std::vector<Bin> bins_;
};

}  // namespace rackproof::analysis
