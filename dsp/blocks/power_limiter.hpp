#pragma once
/// Holds the long-term RMS of W outputs side by side: what heats a voice coil.
/// Theorem  Below the threshold the output is the input, bit for bit. A steady signal of RMS R above the threshold T
///          settles at T (gain T/R, to 1e-6 relative and the ripple of the mean square). Never a gain above 1. The same
///          bits however the stream is cut into blocks. No input, a NaN included, harms the state.
/// Method   mean square of each cell of the grid, then one pole a cell:  ms += forget (cell - ms),
///          forget = 1 - exp(-kGridFrames / (time_s sample_rate_hz)); so at the points of the grid ms is what a pole a
///          sample would have for a step: 1 - exp(-n / (time_s sample_rate_hz)). At a point of the grid
///          goal = ms > T^2 ? T / sqrt(ms) : 1, and over the next cell the gain goes to it in a straight line.
///          The pole keeps the rounding error of its sum and adds it to the next increment: without that, a time
///          constant of seconds at 192 kHz would stall percents away from its goal. Between two slow cells nothing is
///          held back by the gain: that is the peak limiter's duty.
/// Cost     about 12 operations a frame, and about 40 at each point of the grid, whatever the data. Latency 0 samples.
///          No memory of the caller. The root is Newton's iteration on plain products: with `sqrtf` the compilers keep
///          a call into libm for errno's sake, and products have the same bits everywhere.
#include <algorithm>
#include <array>
#include <cassert>
#include <cstddef>
#include <cstdint>
#include <limits>
#include <span>
#include <type_traits>

#include "dsp/grid.hpp"
#include "dsp/pack.hpp"
namespace rackproof::dsp::inline RACKPROOF_LEVEL {

template <int W>
class PowerLimiter {
 public:
  struct LaneSettings {
    bool enabled = false;        ///< the rest is read only where this is set
    float threshold_rms = 1.0f;  ///< kMinThreshold .. kMagnitudeBound; 1.0 = a square wave at digital full scale
    float forget = 1.0f;         ///< above 0, up to 1 (see above)
  };
  static constexpr float kMinThreshold = 1e-6f;  ///< -120 dBFS

  PowerLimiter() = default;  ///< passes its input
  PowerLimiter(const PowerLimiter&) = delete;
  PowerLimiter& operator=(const PowerLimiter&) = delete;

  /// From lane 0 on; lanes without settings are not enabled. If refused, the block stays as it was.
  [[nodiscard]] Setup configure(std::span<const LaneSettings> lanes) noexcept {
    if (lanes.size() > std::size_t{W}) return Setup::out_of_range;
    for (const LaneSettings& s : lanes) {
      const bool valid = s.threshold_rms >= kMinThreshold && s.threshold_rms <= kMagnitudeBound &&  // false for a NaN
                         s.forget > 0.0f && s.forget <= 1.0f;
      if (s.enabled && !valid) return Setup::out_of_range;
    }
    threshold_square_ = broadcast<W>(kNever), forget_ = broadcast<W>(1.0f);
    for (std::size_t l = 0; l < lanes.size(); ++l) {
      if (!lanes[l].enabled) continue;
      set_lane<W>(threshold_square_, static_cast<int>(l), lanes[l].threshold_rms * lanes[l].threshold_rms);
      set_lane<W>(forget_, static_cast<int>(l), lanes[l].forget);
    }
    return reset(), Setup::ok;
  }
  void reset() noexcept {
    position_ = 0, sum_ = mean_square_ = carry_ = step_ = Pack<W>{};
    start_ = goal_ = least_ = broadcast<W>(1.0f);
  }
  /// Equal sizes. `out` may be `in` itself, not a shifted overlap of it.
  void process(std::span<const Pack<W>> in, std::span<Pack<W>> out) noexcept {
    assert(in.size() == out.size());
    for (std::size_t n = 0; n < in.size();) {
      const std::size_t count = std::min(in.size() - n, std::size_t{kGridFrames - position_});
      within_cell(in.data() + n, out.data() + n, count);
      n += count;
      if (position_ == kGridFrames) decide();
    }
  }
  /// Least gain of lane `l` since it was last read.
  float take_least_gain(int l) noexcept {
    const float least = lane<W>(least_, l);
    set_lane<W>(least_, l, 1.0f);
    return least;
  }
  /// The smoothed mean square of lane `l` at the last point of the grid.
  float mean_square(int l) const noexcept { return lane<W>(mean_square_, l); }

 private:
  static constexpr float kNever = std::numeric_limits<float>::max();  // no mean square is above this
  static constexpr float kSilentSample = 1e-18f;                      // its square would be near the subnormal numbers
  static constexpr float kSilentSquare = 1e-20f;                      // -200 dB, far below every threshold
  static constexpr float kSilentCarry = 1e-30f;

  Pack<W> gain_at(std::uint32_t frame) const noexcept {
    return start_ + broadcast<W>(static_cast<float>(frame)) * step_;
  }
  void within_cell(const Pack<W>* in, Pack<W>* out, std::size_t count) noexcept {
    const Pack<W> start = start_, step = step_, one = broadcast<W>(1.0f);
    const Pack<W> bound = broadcast<W>(kMagnitudeBound), silent = broadcast<W>(kSilentSample);
    Pack<W> sum = sum_, frame = broadcast<W>(static_cast<float>(position_));
    least_ = lesser(least_, gain_at(position_));
    for (std::size_t i = 0; i < count; ++i) {
      const Pack<W> x = in[i], size = magnitude<W>(x);
      const Pack<W> heard = select(size >= silent, lesser(size, bound), Pack<W>{});  // a NaN is not
      sum += heard * heard;
      out[i] = x * (start + frame * step);
      frame += one;
    }
    sum_ = sum;
    position_ += static_cast<std::uint32_t>(count);
    least_ = lesser(least_, gain_at(position_ - 1));  // a straight line is least at one of its ends
  }
  void decide() noexcept {
    const Pack<W> zero{}, silent = broadcast<W>(kSilentSquare), one = broadcast<W>(1.0f);
    const Pack<W> mean = sum_ * broadcast<W>(1.0f / kGridFrames);
    const Pack<W> cell = select(mean >= silent, mean, zero);
    const Pack<W> increment = forget_ * ((cell - mean_square_) - carry_) + carry_;
    const Pack<W> moved = mean_square_ + increment;
    const Pack<W> rest = increment - (moved - mean_square_);
    carry_ = select((moved >= silent) & (magnitude<W>(rest) >= broadcast<W>(kSilentCarry)), rest, zero);
    mean_square_ = select(moved >= silent, moved, zero);

    const Pack<W> ratio = threshold_square_ / greater(mean_square_, threshold_square_);
    start_ = goal_;
    goal_ = select(mean_square_ > threshold_square_, lesser(ratio * inverse_root(ratio), one), one);
    step_ = (goal_ - start_) * broadcast<W>(1.0f / kGridFrames);
    position_ = 0, sum_ = zero;
  }
  /// 1 / sqrt(x) for 1e-16 < x <= 1 to about 2e-7: a straight line through the logarithm, then Newton.
  static Pack<W> inverse_root(Pack<W> x) noexcept {
    Pack<W> y = std::bit_cast<Pack<W>>(broadcast_int<W>(0x5f375a86) - (std::bit_cast<PackInt<W>>(x) >> 1));
    const Pack<W> half = broadcast<W>(0.5f) * x, three_halves = broadcast<W>(1.5f);
    for (int i = 0; i < 3; ++i) y = y * (three_halves - half * y * y);  // 3.5e-2, then 1.8e-3, 4.7e-6, rounding
    return y;
  }

  Pack<W> threshold_square_ = broadcast<W>(kNever), forget_ = broadcast<W>(1.0f);
  Pack<W> sum_{}, mean_square_{}, carry_{};  // true mean square: mean_square_ + carry_
  Pack<W> start_ = broadcast<W>(1.0f), goal_ = start_, step_{}, least_ = start_;
  std::uint32_t position_ = 0;  // frames into the cell, below kGridFrames between calls
};

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
