#pragma once
/// Delay of one channel: whole samples, and where asked for, a fraction.
/// Theorem  whole: out[n] = in[n - whole_samples] bit for bit (signs of zeros and subnormals too), in[k<0] = 0.
///          fractional: that, through the sixteen taps, oldest sample first, every step an `fma`: the same bits for
///          every cut into blocks, in one lane or sixteen.
/// Method   what comes in is written to a ring that is one run (64 samples) longer than what is looked back at. Behind
///          its end stands a copy of its beginning, as long as what a run reads: so every run reads straight on.
/// Cost     two copies a sample, or where fractional one, a multiplication and 15 fma; no branch on data. Memory lent
///          by the caller. The 7 whole samples in the taps come on top of `whole_samples`.
#include <algorithm>
#include <array>
#include <cassert>
#include <cstddef>
#include <cstdint>
#include <span>

#include "dsp/chain/chain_settings.hpp"
#include "dsp/grid.hpp"
#include "dsp/pack.hpp"
namespace rackproof::dsp::inline RACKPROOF_LEVEL {

/// A delay in lent memory: the theorem stands at the head of the file.
class DelayLine {
 public:
  static constexpr std::uint32_t kMaxWholeSamples = 1u << 20;  ///< 5.4 s at 192 kHz
  static constexpr float kMostTap = 2.0f;                      ///< in magnitude

  DelayLine() = default;                 ///< passes its input
  DelayLine(const DelayLine&) = delete;  // two copies would share one memory
  DelayLine& operator=(const DelayLine&) = delete;

  /// Floats of memory that `configure` must be lent.
  static constexpr std::size_t required_values(const DelaySettings& s) noexcept {
    const std::size_t tail = tail_of(s);
    return s.whole_samples == 0 && tail == kRun ? 0 : s.whole_samples + 2 * tail;
  }
  /// Touches all the memory: not between two audio blocks. Refuses delays above kMaxWholeSamples, and taps that are not
  /// finite or above kMostTap. If refused, the block stays as it was.
  [[nodiscard]] Setup configure(const DelaySettings& s, std::span<float> memory) noexcept {
    if (s.whole_samples > kMaxWholeSamples) return Setup::out_of_range;
    if (s.fractional && !std::ranges::all_of(s.taps, [](float tap) { return magnitude<1>(tap) <= kMostTap; }))
      return Setup::out_of_range;
    if (memory.size() < required_values(s)) return Setup::memory_too_small;
    memory_ = memory.first(required_values(s));
    tail_ = tail_of(s);
    ring_ = memory_.size() - std::min(tail_, memory_.size());
    fractional_ = s.fractional;
    taps_ = s.taps;
    reset();
    return Setup::ok;
  }
  /// Back to just configured: every state at rest. Touches all the memory.
  void reset() noexcept {
    std::ranges::fill(memory_, 0.0f);
    position_ = 0;
  }
  /// Equal sizes, any number of samples. `out` may be `in` itself, not a shifted overlap of it. Whole, any value passes
  /// bit for bit; fractional, one that is not finite makes kFractionTaps outputs not finite, and no state stays so.
  void process(std::span<const float> in, std::span<float> out) noexcept {
    assert(in.size() == out.size());
    for (std::size_t done = 0; done < in.size(); done += kRun)
      run(in.data() + done, out.data() + done, std::min(kRun, in.size() - done));
  }

 private:
  static constexpr std::size_t kRun = kGridFrames, kHistory = kFractionTaps - 1;
  /// What a run reads at most.
  static constexpr std::size_t tail_of(const DelaySettings& s) noexcept { return kRun + (s.fractional ? kHistory : 0); }
  /// `count` is at most kRun, so nothing is overwritten before it is read. `to` may be `from`.
  void run(const float* from, float* to, std::size_t count) noexcept {
    if (memory_.empty()) {
      if (from != to) std::copy_n(from, count, to);
      return;
    }
    float* const ring = memory_.data();
    std::copy_n(from, count, ring + position_);  // as far as into the tail
    if (position_ < tail_) std::copy_n(from, std::min(count, tail_ - position_), ring + ring_ + position_);
    const std::size_t oldest = position_ + kRun < ring_ ? position_ + kRun : position_ + kRun - ring_;
    position_ += count;
    if (position_ >= ring_) {
      position_ -= ring_;
      std::copy_n(ring + ring_, position_, ring);
    }
    if (fractional_)
      filter(ring + oldest, to, count);
    else
      std::copy_n(ring + oldest, count, to);
  }
  void filter(const float* __restrict window, float* __restrict out, std::size_t count) const noexcept {
    constexpr std::size_t kTogether = 4 * kRegisterLanes;
    const std::array<float, kFractionTaps> taps = taps_;
    std::size_t n = 0;
    for (; n + kTogether <= count; n += kTogether) filter_four<kRegisterLanes>(taps, window + n, out + n);
    for (; n < count; ++n) {
      float sum = taps[kHistory] * window[n];
      for (std::size_t k = 1; k < kFractionTaps; ++k) sum = fma(taps[kHistory - k], window[n + k], sum);
      out[n] = sum;
    }
  }
  /// Four packs of W samples that follow each other: they share each tap, and four single samples what they read.
  template <int W>
  static void filter_four(const std::array<float, kFractionTaps>& taps, const float* __restrict window,
                          float* __restrict out) noexcept {
    Pack<W> sum[4];
    unrolled<4>([&](std::size_t i) __attribute__((always_inline)) {
      sum[i] = broadcast<W>(taps[kHistory]) * load<W, 1>(window + i * W);
    });
    unrolled<kHistory>([&](std::size_t k) __attribute__((always_inline)) {
      const Pack<W> tap = broadcast<W>(taps[kHistory - 1 - k]);
      unrolled<4>([&](std::size_t i) __attribute__((always_inline)) {
        sum[i] = fma(tap, load<W, 1>(window + i * W + k + 1), sum[i]);
      });
    });
    unrolled<4>([&](std::size_t i) __attribute__((always_inline)) { store<W, 1>(sum[i], out + i * W); });
  }
  std::span<float> memory_;                            // ring_ values, and the tail
  std::size_t ring_ = 0, tail_ = kRun, position_ = 0;  // position_ < ring_, or both 0
  bool fractional_ = false;
  std::array<float, kFractionTaps> taps_{};
};

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
