#pragma once
/// Holds W outputs side by side at or below their ceilings: what an amplifier clips at and a driver survives.
/// Theorem  |out[n]| <= ceiling for EVERY input and all settings. Where nothing within look-ahead, hold and release of
/// a
///          sample read above the ceiling, out is the input `latency_samples` earlier, bit for bit (-0 and subnormals
///          too); so is a lane that is not enabled. After a peak the gain is back at exactly 1 in finite time. The same
///          bits however the stream is cut into blocks. Input is first bounded to +-kMagnitudeBound, what is not finite
///          becomes 0, and both are counted: no state can hold a NaN.
/// Method   in the domain of reduction, 1 - gain, which is exactly 0 when idle:
///            p     = peak[n]: |x[n]|, or the true-peak detector's reading, never below |x[n - kLatency]|
///            need  = p > ceiling ? (1 + kMargin) - ceiling / p : 0
///            most  = sliding maximum of need over D + 1 + hold samples (and one more for a true peak)
///            d     = max(most, keep d - kTiny)             release: only ever more than is needed
///            q     = floor(2^30 d), then two box means of lengths L1 + L2 = D + 2, each rounded upwards
///            out   = x[n - latency] * max(0, 1 - mean)     latency = D + (true_peak ? kLatency : 0)
/// Proof    Let x be the sample that leaves, p its reading: |x| <= p, and p entered D samples ago. The two boxes weigh
///          only d of the last D + 1 samples, with weights that add to one, and each of these d saw p's need in its
///          window: q >= Q = floor(2^30 need) for all of them. If p <= ceiling, |x| <= ceiling, and no gain is above 1.
///          Else let m = 2^-24, half an ulp of 1 and twice that of what is below 1:
///            ceiling / p rounds up by at most m/2; (1 + kMargin) - that is exact where it is below 1/2, elsewhere it
///            loses at most m/2, or m where the result is above 1 (then the quotient is below 2^-23 and its error nil);
///            floor loses less than m/64; a mean of values that are all >= Q is >= Q in the numbers that carry it,
///            since its factor is enlarged by more than its three roundings can take away (see `factor`);
///            1 - mean rounds up by at most m/2.
///          In all less than 2 m = kMargin, so gain <= ceiling / p, |x| gain <= ceiling, and since ceiling is itself a
///          float, the rounding of the product cannot pass it.
///          Price: gain is below the ideal by at most kMargin + 2^-19 of the reduction: 2e-4 dB at 20 dB of limiting,
///          0.02 dB at 60 dB.
/// Unit     need, most and d are kept as 2^30 times what is written here: a power of two, so no rounding differs, and
/// the
///          floor is a mere conversion.
/// Sums     are exact integers, so they neither drift nor stick: a box holds its sum as high 2^15 + low, so that a lane
///          stays a 32-bit word. high is at most 2^30 + L where L <= 2^15, as no q passes 2^30 (1 + 2^-20); low gains
///          less than 2^15 a frame and is carried over on the grid.
/// Release  d falls by the factor `keep` a sample, rounded once to float: an error of the rate below 1 % up to a time
///          constant of 10^5 samples. kTiny ends it at 0 without a subnormal number on the way, and no keep < 1 sticks:
///          keep d is then at least half an ulp below d, and kTiny breaks the tie.
/// Cost     fixed, whatever the data: no branch on it. Memory lent by the caller: see `required`.
#include <algorithm>
#include <array>
#include <bit>
#include <cassert>
#include <cstddef>
#include <cstdint>
#include <limits>
#include <span>
#include <type_traits>

#include "dsp/blocks/sliding_maximum.hpp"
#include "dsp/blocks/true_peak_detector.hpp"
#include "dsp/grid.hpp"
#include "dsp/pack.hpp"
namespace rackproof::dsp::inline RACKPROOF_LEVEL {

template <int W>
class PeakLimiter {
 public:
  /// Common to the lanes.
  struct Shape {
    std::uint32_t look_ahead_samples = 0;  ///< D, 0 .. kMaxLookAheadSamples
    std::uint32_t hold_samples = 0;        ///< 0 .. kMaxHoldSamples
    bool true_peak = false;                ///< hold the wave between the samples too, as far as the detector sees it
  };
  struct LaneSettings {
    bool enabled = false;       ///< the rest is read only where this is set
    float ceiling = 1.0f;       ///< kMinCeiling .. kMagnitudeBound
    float release_keep = 0.0f;  ///< exp(-1 / (release_s * sample_rate_hz)): 0 .. below 1
  };
  static constexpr std::uint32_t kMaxLookAheadSamples = 1u << 15;  ///< 170 ms at 192 kHz
  static constexpr std::uint32_t kMaxHoldSamples = 1u << 17;       ///< 680 ms at 192 kHz
  static constexpr float kMinCeiling = 1e-6f;                      ///< -120 dBFS
  static constexpr std::int32_t kCountLimit = 1 << 30;             ///< where counts stay

  struct Memory {
    std::size_t values, integers;  ///< Pack<W> and PackInt<W>
  };
  static constexpr Memory required(Shape s) noexcept {
    return {delay_length(s) + SlidingMaximum<W>::required_values({window_samples(s)}),
            std::size_t{s.look_ahead_samples} + 2};
  }
  static constexpr std::uint32_t latency_samples(Shape s) noexcept {
    return s.look_ahead_samples + (s.true_peak ? TruePeakDetector<W>::kLatency : 0);
  }

  PeakLimiter() = default;  ///< D = 0 and no lane enabled: passes its (bounded) input
  PeakLimiter(const PeakLimiter&) = delete;
  PeakLimiter& operator=(const PeakLimiter&) = delete;

  /// `lanes` from lane 0 on; lanes without settings are not enabled. Touches all the memory: not between two audio
  /// blocks. If refused, the block stays as it was.
  [[nodiscard]] Setup configure(Shape shape, std::span<const LaneSettings> lanes, std::span<Pack<W>> values,
                                std::span<PackInt<W>> integers) noexcept {
    if (shape.look_ahead_samples > kMaxLookAheadSamples || shape.hold_samples > kMaxHoldSamples ||
        lanes.size() > std::size_t{W})
      return Setup::out_of_range;
    for (const LaneSettings& s : lanes) {
      const bool valid = s.ceiling >= kMinCeiling && s.ceiling <= kMagnitudeBound &&  // false for a NaN
                         s.release_keep >= 0.0f && s.release_keep < 1.0f;
      if (s.enabled && !valid) return Setup::out_of_range;
    }
    const Memory needed = required(shape);
    if (values.size() < needed.values || integers.size() < needed.integers) return Setup::memory_too_small;
    const Setup window = maximum_.configure({window_samples(shape)}, values.subspan(delay_length(shape)));
    assert(window == Setup::ok), static_cast<void>(window);
    const std::size_t spread = needed.integers, first = spread / 2;
    delay_ = Ring<Pack<W>>(values.first(delay_length(shape)));
    first_.ring = Ring<PackInt<W>>(integers.first(first));
    second_.ring = Ring<PackInt<W>>(integers.subspan(first, spread - first));
    true_peak_ = shape.true_peak;
    ceiling_ = broadcast<W>(kNever), keep_ = Pack<W>{};
    for (std::size_t l = 0; l < lanes.size(); ++l) {
      if (!lanes[l].enabled) continue;
      set_lane<W>(ceiling_, static_cast<int>(l), lanes[l].ceiling);
      set_lane<W>(keep_, static_cast<int>(l), lanes[l].release_keep);
    }
    return reset(), Setup::ok;
  }
  void reset() noexcept {
    detector_.reset(), maximum_.reset(), first_.reset(), second_.reset(), delay_.reset();
    position_ = 0, released_ = Pack<W>{};
    gain_ = least_ = broadcast<W>(1.0f);
    limited_ = non_finite_ = bounded_ = PackInt<W>{};
  }
  /// Equal sizes. `out` may be `in` itself, not a shifted overlap of it.
  void process(std::span<const Pack<W>> in, std::span<Pack<W>> out) noexcept {
    assert(in.size() == out.size());
    for (std::size_t n = 0; n < in.size();) {
      const std::size_t count = std::min(in.size() - n, std::size_t{kGridFrames - position_});
      Pack<W> sound[kGridFrames], control[kGridFrames];
      admit({in.data() + n, count}, sound);
      if (true_peak_) {
        detector_.process({sound, count}, {control, count});
        demand({control, count}, control, []<int V>(Pack<V> peak) { return peak; });
      } else {
        demand({sound, count}, control, []<int V>(Pack<V> x) { return magnitude<V>(x); });
      }
      maximum_.process({control, count}, {control, count});
      limit({control, count}, sound, out.data() + n);
      n += count, position_ += static_cast<std::uint32_t>(count);
      if (position_ == kGridFrames) position_ = 0, first_.carry(), second_.carry();
    }
  }

  /// Of lane `l`, and since it was last read: least gain, frames with a gain below 1.
  struct Meter {
    float least_gain = 1.0f;
    std::int32_t limited_frames = 0;  ///< stays at kCountLimit
  };
  Meter take_meter(int l) noexcept {
    const Meter meter{lane<W>(least_, l), lane_of(limited_, l)};
    set_lane<W>(least_, l, 1.0f), set_lane_of(limited_, l, 0);
    return meter;
  }
  /// How all counts here go on: `more` is small, so that the sum cannot overflow on its way to the limit.
  static PackInt<W> counted(PackInt<W> total, PackInt<W> more) noexcept {
    return lesser(total + more, broadcast_int<W>(kCountLimit));
  }
  /// What the last frame of lane `l` was multiplied by.
  float gain(int l) const noexcept { return lane<W>(gain_, l); }
  /// Samples of lane `l` since `reset` that were not finite, or finite but out of bounds. They stay at kCountLimit.
  std::int32_t non_finite_samples(int l) const noexcept { return lane_of(non_finite_, l); }
  std::int32_t bounded_samples(int l) const noexcept { return lane_of(bounded_, l); }

 private:
  static constexpr float kMargin = 0x1p-23f, kTiny = 0x1p-40f, kUnit = 0x1p30f;
  static constexpr float kNever = std::numeric_limits<float>::max();  // no peak is above this
  static constexpr std::int32_t kLowBits = 15, kLowMask = (1 << kLowBits) - 1;

  static constexpr std::size_t delay_length(Shape s) noexcept { return std::size_t{latency_samples(s)} + 1; }
  /// A true peak lies between its sample and the next: both are to see it.
  static constexpr std::uint32_t window_samples(Shape s) noexcept {
    return s.look_ahead_samples + 1 + s.hold_samples + (s.true_peak ? 1 : 0);
  }
  static std::int32_t lane_of(const PackInt<W>& counts, int l) noexcept {
    if constexpr (W == 1)
      return static_cast<void>(l), counts;
    else
      return counts[l];
  }
  static void set_lane_of(PackInt<W>& counts, int l, std::int32_t count) noexcept {
    if constexpr (W == 1)
      static_cast<void>(l), counts = count;
    else
      counts[l] = count;
  }
  /// 1 in the lanes where `mask` holds.
  template <class M>
  static RACKPROOF_INLINE auto ones(M mask) noexcept {
    if constexpr (std::is_same_v<M, bool>)
      return mask ? 1 : 0;
    else
      return -PackInt<sizeof(M) / sizeof(float)>(mask);
  }
  /// The last `length` values, in the caller's memory.
  template <class V>
  struct Ring {
    V *begin, *end, *place = begin;
    explicit Ring(std::span<V> memory) noexcept : begin(memory.data()), end(begin + memory.size()) {}
    std::size_t length() const noexcept { return static_cast<std::size_t>(end - begin); }
    void reset() noexcept { std::fill(begin, end, V{}), place = begin; }
    std::size_t to_end() const noexcept { return static_cast<std::size_t>(end - place); }
    RACKPROOF_INLINE void wrap() noexcept { place = place == end ? begin : place; }
  };
  /// Running sum of the values in a ring: high 2^15 + low.
  struct Box {
    Ring<PackInt<W>> ring;
    PackInt<W> high{}, low{};

    void reset() noexcept { ring.reset(), high = low = PackInt<W>{}; }
    /// By which a sum becomes a mean, enlarged by 6 * 2^-24 less the two roundings of this very factor: more than the
    /// three roundings from the sums to the mean (high to float, high + low, the product) can take away.
    float factor(float unit) const noexcept { return unit / static_cast<float>(ring.length()) * (1.0f + 0x1.8p-22f); }
    RACKPROOF_INLINE Pack<W> push(PackInt<W> q) noexcept {  // the caller advances the ring, once a stretch
      const PackInt<W> change = q - *ring.place;
      *ring.place++ = q;
      high += change >> kLowBits;  // downwards, so that what is left to `low` is never negative
      low += change & kLowMask;
#if defined(__FMA__) || defined(__ARM_FEATURE_FMA)  // the product is exact: fused or not, the bits are the same
      return fma(to_float<W>(high), broadcast<W>(0x1p15f), to_float<W>(low));
#else
      return to_float<W>(high) * broadcast<W>(0x1p15f) + to_float<W>(low);
#endif
    }
    /// On the grid, before `low` outgrows the 24 bits that a float holds.
    void carry() noexcept { high += low >> kLowBits, low &= kLowMask; }
  };

  void admit(std::span<const Pack<W>> in, Pack<W>* sound) noexcept {
    PackInt<W> within{}, finite{};
    if constexpr (W == 1) {
      for (std::size_t i = 0; i < in.size(); ++i) {  // by its bits: the same in half the steps
        const auto bits = std::bit_cast<std::int32_t>(in[i]), size = bits & 0x7fffffff;
        const auto most = std::bit_cast<std::int32_t>(kMagnitudeBound), is_finite = size - 0x7f800000;  // negative then
        const std::int32_t held = (size <= most ? size : most) | (bits & ~0x7fffffff);
        sound[i] = std::bit_cast<float>(held & is_finite >> 31);
        finite -= is_finite >> 31, within += size <= most ? 1 : 0;
      }
    } else {
      for_each<W>(
          in.size(), [&]<int V>(std::size_t i) __attribute__((always_inline)) {
            const Pack<V> bound = broadcast<V>(kMagnitudeBound), x = load<V, W>(&in[i]), size = magnitude<V>(x);
            const auto is_finite = size <= broadcast<V>(std::numeric_limits<float>::max());
            store<V, W>(select(is_finite, greater(lesser(x, bound), -bound), Pack<V>{}), sound + i);
            finite += folded<V, W>(ones(is_finite)), within += folded<V, W>(ones(size <= bound));
          });
    }
    non_finite_ = counted(non_finite_, broadcast_int<W>(static_cast<std::int32_t>(in.size())) - finite);
    bounded_ = counted(bounded_, finite - within);
  }
  template <class PeakOf>
  void demand(std::span<const Pack<W>> from, Pack<W>* need, PeakOf&& peak_of) const noexcept {
    const Pack<W> held = ceiling_, scaled = broadcast<W>(kUnit) * held;
    for_each<W>(
        from.size(), [&]<int V>(std::size_t i) __attribute__((always_inline)) {
          const Pack<V> ceiling = repeated<V, W>(held), most = broadcast<V>(kUnit * (1.0f + kMargin));
          const Pack<V> p = peak_of.template operator()<V>(load<V, W>(&from[i]));
          // The divisor is at least the ceiling: no infinity, no slow subnormal.
          store<V, W>(select(p > ceiling, most - repeated<V, W>(scaled) / greater(p, ceiling), Pack<V>{}), need + i);
        });
  }
  /// The least gain, and how many were below 1. No gain is above 1 or below 0: in one lane its bits tell.
  static RACKPROOF_INLINE void meter(Pack<W> gain, Pack<W>& least, PackInt<W>& limited) noexcept {
    if constexpr (W == 1) {
      least = std::bit_cast<float>(lesser(std::bit_cast<std::int32_t>(least), std::bit_cast<std::int32_t>(gain)));
      limited -= (std::bit_cast<std::int32_t>(gain) - std::bit_cast<std::int32_t>(1.0f)) >> 31;
    } else {
      least = lesser(least, gain);
      limited += ones(gain < broadcast<W>(1.0f));
    }
  }
  void limit(std::span<const Pack<W>> need, const Pack<W>* sound, Pack<W>* out) noexcept {
    const Pack<W> keep = keep_, minus_tiny = broadcast<W>(-kUnit * kTiny), one = broadcast<W>(1.0f);
    const Pack<W> first_factor = broadcast<W>(first_.factor(1.0f));
    const Pack<W> minus_second_factor = broadcast<W>(-second_.factor(1.0f / kUnit));
    Box first = first_, second = second_;
    Ring<Pack<W>> delay = delay_;
    Pack<W> released = released_, least = least_, gain = gain_;
    PackInt<W> limited{};
    PackInt<W> means[kGridFrames];
    for (std::size_t i = 0; i < need.size();) {
      const std::size_t stop = i + std::min(need.size() - i, first.ring.to_end());
      for (; i < stop; ++i) {
        released = greater(need[i], fma(keep, released, minus_tiny));
        means[i] = to_int<W>(first.push(to_int<W>(released)) * first_factor);
      }
      first.ring.wrap();
    }
    for (std::size_t i = 0; i < need.size();) {
      const Pack<W>* oldest = delay.place + 1 == delay.end ? delay.begin : delay.place + 1;
      const std::size_t stretch = std::min(
          {need.size() - i, second.ring.to_end(), delay.to_end(), static_cast<std::size_t>(delay.end - oldest)});
      for (const std::size_t stop = i + stretch; i < stop; ++i) {
        gain = at_least_zero<W>(fma(second.push(means[i]), minus_second_factor, one));
        meter(gain, least, limited);
        *delay.place++ = sound[i];
        out[i] = *oldest++ * gain;
      }
      second.ring.wrap(), delay.wrap();
    }
    first_ = first, second_ = second, delay_ = delay;
    released_ = released, least_ = least, gain_ = gain;
    limited_ = counted(limited_, limited);
  }

  Pack<W> own_value_[1]{};  // what the rings are made of before the first `configure`
  PackInt<W> own_integers_[2]{};
  TruePeakDetector<W> detector_;
  SlidingMaximum<W> maximum_;
  Box first_{Ring<PackInt<W>>({own_integers_, 1})}, second_{Ring<PackInt<W>>({own_integers_ + 1, 1})};
  Ring<Pack<W>> delay_{std::span(own_value_)};
  std::uint32_t position_ = 0;  // frames past the last point of the grid, below kGridFrames between calls
  bool true_peak_ = false;
  Pack<W> ceiling_ = broadcast<W>(kNever), keep_{}, released_{};
  Pack<W> gain_ = broadcast<W>(1.0f), least_ = gain_;
  PackInt<W> limited_{}, non_finite_{}, bounded_{};
};

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
