#pragma once
/// Greatest of the last `window_samples` values of W tracks side by side; no value negative, none a NaN.
/// Theorem  out[n] = max(in[n-window+1] .. in[n]), in[k<0] = 0: for every input, however it is cut into blocks.
/// Method   runs of H = floor(window/2): window = tail of back_ (suffix maxima) + middle_ + head of front_. Each sample
///          scans middle_ one step backwards, ready when it becomes back_: van Herk (1992), Gil and Werman (1993),
///          without their burst at the end of a run. A zero behind each run stands for a tail of no values.
/// Cost     4 compares a sample, no branch on data. Latency 0 samples. Memory lent by the caller, 3 (H + 1) packs.
#include <algorithm>
#include <cassert>
#include <cstddef>
#include <cstdint>
#include <initializer_list>
#include <span>
#include <utility>

#include "dsp/grid.hpp"
#include "dsp/pack.hpp"
namespace rackproof::dsp::inline RACKPROOF_LEVEL {

/// The greatest of a window, W lanes side by side: the theorem stands at the head of the file.
template <int W>
class SlidingMaximum {
 public:
  /// Of all lanes.
  struct Settings {
    std::uint32_t window_samples = 1;  ///< 1 .. kMaxWindowSamples
  };
  static constexpr std::uint32_t kMaxWindowSamples = 1u << 18;  ///< what a window may hold

  SlidingMaximum() = default;                      ///< is a window of 1, passes its input
  SlidingMaximum(const SlidingMaximum&) = delete;  // two copies would share one memory
  SlidingMaximum& operator=(const SlidingMaximum&) = delete;

  /// Of Pack<W>, that `configure` must be lent.
  static constexpr std::size_t required_values(Settings s) noexcept {
    return s.window_samples < 2 ? 0 : 3 * (std::size_t{s.window_samples / 2} + 1);
  }
  /// Touches all the memory: not between two audio blocks. If refused, the block stays as it was.
  [[nodiscard]] Setup configure(Settings s, std::span<Pack<W>> memory) noexcept {
    if (s.window_samples < 1 || s.window_samples > kMaxWindowSamples) return Setup::out_of_range;
    if (memory.size() < required_values(s)) return Setup::memory_too_small;
    half_ = s.window_samples / 2;
    skip_ = 1 - s.window_samples % 2;
    back_ = middle_ = front_ = nullptr;
    if (half_ > 0) {
      back_ = memory.data();
      middle_ = back_ + half_ + 1;
      front_ = middle_ + half_ + 1;
    }
    return reset(), Setup::ok;
  }
  /// Back to just configured: every state at rest. Touches all the memory.
  void reset() noexcept {
    if (half_ > 0)
      for (Pack<W>* run : {back_, middle_, front_}) std::fill_n(run, half_ + 1, Pack<W>{});
    position_ = 0;
    front_max_ = middle_max_ = scan_max_ = Pack<W>{};
  }
  /// Equal sizes. `out` may be `in` itself, not a shifted overlap of it.
  void process(std::span<const Pack<W>> in, std::span<Pack<W>> out) noexcept {
    assert(in.size() == out.size());
    if (half_ == 0) {
      if (in.data() != out.data()) std::copy(in.begin(), in.end(), out.begin());
      return;
    }
    for (std::size_t n = 0; n < in.size();) {
      const std::size_t count = std::min(in.size() - n, half_ - position_);  // to the end of the run at most
      within_run(in.data() + n, out.data() + n, count);
      n += count;
      if (position_ == half_) {
        front_ = std::exchange(back_, std::exchange(middle_, front_));
        middle_max_ = std::exchange(front_max_, Pack<W>{});
        scan_max_ = Pack<W>{}, position_ = 0;
      }
    }
  }

 private:
  void within_run(const Pack<W>* in, Pack<W>* out, std::size_t count) noexcept {
    Pack<W>* const front = front_ + position_;
    Pack<W>* const scanned = middle_ + (half_ - 1 - position_);
    const Pack<W>* const tail = back_ + position_ + skip_;  // what has not yet left the window
    Pack<W> front_max = front_max_, scan_max = scan_max_;
    const Pack<W> middle_max = middle_max_;
    for (std::size_t i = 0; i < count; ++i) {
      const Pack<W> x = in[i];
      front[i] = x;
      front_max = greater_of_positive<W>(front_max, x);
      scan_max = greater_of_positive<W>(scan_max, *(scanned - i));
      *(scanned - i) = scan_max;
      out[i] = greater_of_positive<W>(greater_of_positive<W>(middle_max, tail[i]), front_max);
    }
    front_max_ = front_max;
    scan_max_ = scan_max;
    position_ += count;
  }

  Pack<W>*back_ = nullptr, *middle_ = nullptr, *front_ = nullptr;
  std::size_t half_ = 0, skip_ = 0, position_ = 0;  // position_ < half_ between calls: nothing runs free
  Pack<W> front_max_{}, middle_max_{}, scan_max_{};
};

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
