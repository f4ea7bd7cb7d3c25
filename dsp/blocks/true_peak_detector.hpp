#pragma once
/// How far the wave between the samples swings: for each sample n a magnitude for the stretch from n to n + 1.
/// Theorem  (1) For every input: peak of n >= |x[n]|, and <= 2.2042 of the greatest of the 18 samples around n + 1/2.
///          (2) A sine up to 0.42 of the sample rate whose crest lies in [n, n + 1] is read by n (or, near n + 1, by
///          n + 1) at most 0.2 dB low. Up to 0.3 of it no sine is read more than 0.05 dB high, above 0.201 dB. Up to
///          0.03 of it, and for DC, a crest on a sample is read to the bit.
///          (3) Every wave limited to 0.42 of the rate has its greatest swing read within 0.4 dB; limited to 0.3 of it,
///          within 0.21 dB. (The worst of all waves of 100 samples' period, by linear programming: -0.37 and +0.38 dB;
///          -0.21 and +0.17. Not for single sines, so claim (2) is narrower.)
/// Method   five points: x[n], and the pairs at 1/2 -+ 0.1 and 1/2 -+ 0.31 of the stretch. By symmetry a pair is E + O
///          and E - O, with E from sums and O from differences of samples equally far from the middle; the greater
///          magnitude of the two is |E| + |O|. One long E serves both pairs. The taps are by linear programming on (2):
///          the gain of the points rises with frequency by half of what is lost between them, which saves a sixth.
/// Cost     33 a sample: 12 add, 3 mul, 11 multiply and add, 5 abs, 2 max; no division, no select, no recurrence. Not
///          fused: loads bound it where fusing is in hardware, and a Cortex-M4F adds and multiplies faster than it
///          fuses. What else was weighed (operations; worst under-read / over-read on sines up to 0.42, dB; LP: taps by
///          linear programs):
///            the sample alone                                     1               12 / 0
///            2 points, half-band of 12 taps, parabola             30 + division   0.63 / 0.34
///            2 points, half-band of 12 taps, fit of a sine        30 + division   0.21 / 0.34; nothing like claim (3)
///            4 points, 16 taps, LP                                28              0.27 / 0.41
///            5 points, 16 taps, LP                                31              0.22 / 0.2
///            6 points, 14 taps, LP                                33              0.23 / 0.2
///            4 points, the table of BS.1770 by symmetry           43              0.76 / 0.22
///            8 points, 12 taps, least squares, by symmetry        73              0.62 / 0.21; 16 taps: 0.28 / 0.08
#include <algorithm>
#include <cassert>
#include <cstddef>
#include <cstdint>
#include <span>
#include <utility>

#include "dsp/grid.hpp"
#include "dsp/pack.hpp"
namespace rackproof::dsp::inline RACKPROOF_LEVEL {

/// True peaks of W lanes: the theorem stands at the head of the file.
template <int W>
class TruePeakDetector {
 public:
  static constexpr std::uint32_t kLatency = 9;          ///< samples from x[n] to the peak of n
  static constexpr std::size_t kWindow = 2 * kLatency;  ///< samples that one peak looks at: n - 8 .. n + 9
  /// \cond
  // For the sums x[n - k] + x[n + 1 + k] and the differences x[n - k] - x[n + 1 + k], k = 0, 1, ...
  static constexpr float kEven[kLatency] = {0.6266163f,   -0.1958559f, 0.10900653f,  -0.06853174f, 0.04305522f,
                                            -0.02764294f, 0.01640855f, -0.00969059f, 0.00526884f};
  static constexpr float kInnerOdd = 0.13424501f;
  static constexpr float kOuterEven[2] = {0.6f, 0.20081885f};  // of the long even part, and of the nearest sum
  static constexpr float kOuterOdd[2] = {0.3659916f, -0.02817035f};
  /// \endcond

  /// Back to just configured: every state at rest. Touches all the memory.
  void reset() noexcept { std::ranges::fill(window_, Pack<W>{}); }

  /// peak[i] is of the sample kLatency before in[i]. Equal sizes; `peak` may be `in` itself. Every value finite, within
  /// kMagnitudeBound. No loop-carried recurrence: blocks of kGridFrames are fastest.
  RACKPROOF_INLINE void process(std::span<const Pack<W>> in, std::span<Pack<W>> peak) noexcept {
    assert(in.size() == peak.size());
    for (std::size_t done = 0; done < in.size(); done += kGridFrames) {
      const std::size_t count = std::min<std::size_t>(kGridFrames, in.size() - done);
      std::copy_n(in.data() + done, count, window_ + kHistory);
      peaks_of(window_, peak.data() + done, count);
      std::copy_n(window_ + count, kHistory, window_);  // the target starts before the source: allowed
    }
  }
  /// One sample; costs a shift of the window on top.
  RACKPROOF_INLINE Pack<W> step(Pack<W> x) noexcept {
    Pack<W> peak;
    process({&x, 1}, {&peak, 1});
    return peak;
  }
  /// The peak of window[kLatency - 1], from kWindow values in the order of time: for a caller who has them at hand.
  static RACKPROOF_INLINE Pack<W> peak_of(const Pack<W>* window) noexcept {
    Pack<W> peak;
    peaks_at<W, 1>(window, &peak);
    return peak;
  }
  /// `count` peaks from as many windows, which begin one value after another: kWindow - 1 + count values.
  static RACKPROOF_INLINE void peaks_of(const Pack<W>* __restrict window, Pack<W>* __restrict peak,
                                        std::size_t count) noexcept {
    constexpr std::size_t kPacks = kWidest<W> / W;
    std::size_t i = 0;
    if constexpr (kScalarMachine)
      for (; i + 4 <= count; i += 4) peaks_at<W, 4>(window + i, peak + i);
    if constexpr (kPacks > 1)
      for (; i + kPacks <= count; i += kPacks) peaks_at<kWidest<W>, 1>(window + i, peak + i);
    for (; i < count; ++i) peaks_at<W, 1>(window + i, peak + i);
  }
  /// The greatest of the peaks of window[kLatency - 1] and the three after it, from kWindow + 3 values.
  static RACKPROOF_INLINE Pack<W> greatest_of_four(const Pack<W>* window) noexcept {
    constexpr int kWide = kWidest<W>;
    constexpr std::size_t kPacks = kWide / W, kAtOnce = kScalarMachine ? 4 : 1;
    Pack<kWide> greatest{};
    const auto take = [&](std::size_t, Pack<kWide> a, Pack<kWide> b, Pack<kWide> c) __attribute__((always_inline)) {
      const Pack<kWide> of_two = greater_of_positive<kWide>(greatest, a);
      greatest = greater_of_positive<kWide>(of_two, greater_of_positive<kWide>(b, c));
    };
    for (std::size_t i = 0; i < 4; i += kPacks * kAtOnce) candidates_at<kWide, kAtOnce>(window + i, take);
    if constexpr (kPacks == 1) {
      return greatest;
    } else {
      static_assert(kPacks == 2);
      return [&]<std::size_t... L>(std::index_sequence<L...>) {
        return greater(shuffled<L...>(greatest, greatest), shuffled<(W + L)...>(greatest, greatest));
      }
      (std::make_index_sequence<W>{});
    }
  }

 private:
  /// N peaks side by side, of windows that begin one value after another; each of them V / W peaks.
  template <int V, std::size_t N>
  static RACKPROOF_INLINE void peaks_at(const Pack<W>* __restrict window, Pack<W>* __restrict peak) noexcept {
    candidates_at<V, N>(
        window, [peak](std::size_t i, Pack<V> a, Pack<V> b, Pack<V> c)
                    __attribute__((always_inline)) { store<V, W>(greater(greater(a, b), c), peak + i); });
  }
  /// take(i, a, b, c) for each of them: the greatest of the three is the peak; none is negative, nor -0.
  template <int V, std::size_t N, class Take>
  static RACKPROOF_INLINE void candidates_at(const Pack<W>* __restrict window, Take&& take) noexcept {
    const auto at = [window](std::size_t k) __attribute__((always_inline)) { return load<V, W>(window + k); };
    constexpr std::size_t kHere = kLatency - 1, kNext = kLatency;
    Pack<V> near_sum[N], even[N];
    unrolled<N>([&](std::size_t i) __attribute__((always_inline)) {
      near_sum[i] = at(kHere + i) + at(kNext + i);
      even[i] = near_sum[i] * broadcast<V>(kEven[0]);
    });
    unrolled<kLatency - 1>([&](std::size_t k) __attribute__((always_inline)) {
      unrolled<N>([&](std::size_t i) __attribute__((always_inline)) {
        even[i] = even[i] + broadcast<V>(kEven[k + 1]) * (at(kHere - 1 - k + i) + at(kNext + 1 + k + i));
      });
    });
    unrolled<N>([&](std::size_t i) __attribute__((always_inline)) {
      const Pack<V> here = at(kHere + i), near_difference = here - at(kNext + i);
      const Pack<V> far_difference = at(kHere - 1 + i) - at(kNext + 1 + i);
      const Pack<V> outer_even = broadcast<V>(kOuterEven[0]) * even[i] + broadcast<V>(kOuterEven[1]) * near_sum[i];
      const Pack<V> outer_odd =
          broadcast<V>(kOuterOdd[0]) * near_difference + broadcast<V>(kOuterOdd[1]) * far_difference;
      const Pack<V> inner = magnitude<V>(even[i]) + broadcast<V>(kInnerOdd) * magnitude<V>(near_difference);
      const Pack<V> outer = magnitude<V>(outer_even) + magnitude<V>(outer_odd);
      take(i, inner, outer, magnitude<V>(here));
    });
  }
  static constexpr std::size_t kHistory = kWindow - 1;
  Pack<W> window_[kHistory + kGridFrames]{};
};

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
