#pragma once
/// Holds W outputs side by side at or below their ceilings: what an amplifier clips at and a driver survives.
/// Theorem  |out[n]| <= ceiling for EVERY input and all settings: the ceiling in force when the sample entered, which
///          `bound_ceiling` may lower, and raise again as far as it was set, at every point of the grid. Where
///          nothing within look-ahead, hold and release of a sample read above its ceiling, out is the input
///          `latency_samples` earlier, bit for bit (-0 and subnormals too); so is a lane that is not enabled and not
///          bounded. After a peak the gain is back at exactly 1 in finite time. The same bits however the stream is cut
///          into blocks. Input is first bounded to +-kMagnitudeBound, what is not finite becomes 0, and both are
///          counted: no state can hold a NaN.
/// Method   in the domain of reduction, 1 - gain, which is exactly 0 when idle:
///            p     = peak[n]: |x[n]|, or the true-peak detector's reading, never below |x[n - kLatency]|
///            need  = p > ceiling ? (1 + kMargin) - ceiling / p : 0
///            most  = sliding maximum of need over D + 1 + hold samples (and one more for a true peak)
///            d     = max(most, keep d - kTiny)             release: only ever more than is needed
///            q     = floor(2^30 d), then two box means of lengths L1 + L2 = D + 2, each rounded upwards
///            out   = x[n - latency] * max(0, 1 - mean)     latency = D + (true_peak ? kLatency : 0)
/// Proof    Let x be the sample that leaves, p its reading: |x| <= p, and p entered D samples ago. Let ceiling be what
///          p's need was computed with. It is at most the one in force when x entered: p is read at once, or, for a
///          true peak, kLatency frames later; x may have entered in the cell before then, and the lesser of both cells'
///          ceilings is taken. Nothing below looks at any other ceiling, so others may come and go.
///          The two boxes weigh only d of the last D + 1 samples, with weights that add to one, and each of these d saw
///          p's need in its window: q >= Q = floor(2^30 need) for all of them. If p <= ceiling, |x| <= ceiling, and no
///          gain is above 1.
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
///          the floor is a mere conversion.
/// Sums     are exact integers, so they neither drift nor stick: a box holds its sum as high 2^15 + low, so that a lane
///          stays a 32-bit word. high is at most 2^30 + L where L <= 2^15, as no q passes 2^30 (1 + 2^-20); low gains
///          less than 2^15 a frame and is carried over on the grid.
/// Release  d falls by the factor `keep` a sample, rounded once to float: an error of the rate below 1 % up to a time
///          constant of 10^5 samples. kTiny ends it at 0 without a subnormal number on the way, and no keep < 1 sticks:
///          keep d is then at least half an ulp below d, and kTiny breaks the tie.
/// Lanes    may differ in look-ahead and hold, kMostShapes of both together: the rings are as long as the longest
///          asks, and each lane reads what is oldest where its own lengths say; each shape has a maximum of its own.
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

#include "dsp/blocks/admission.hpp"
#include "dsp/blocks/box_mean.hpp"
#include "dsp/blocks/ring.hpp"
#include "dsp/blocks/shape_groups.hpp"
#include "dsp/blocks/sliding_maximum.hpp"
#include "dsp/blocks/true_peak_detector.hpp"
#include "dsp/grid.hpp"
#include "dsp/pack.hpp"
namespace rackproof::dsp::inline RACKPROOF_LEVEL {

/// Peak limiters of W lanes: the theorem stands at the head of the file.
template <int W>
class PeakLimiter {
 public:
  using Shape = LimiterShape;                                              ///< of one lane
  static constexpr std::size_t kMostShapes = ShapeGroups<W>::kMostShapes;  ///< different ones in one limiter
  /// Of one lane.
  struct LaneSettings {
    bool enabled = false;       ///< the rest is read only where this is set
    float ceiling = 1.0f;       ///< kMinCeiling .. kMagnitudeBound
    float release_keep = 0.0f;  ///< exp(-1 / (release_s * sample_rate_hz)): 0 .. below 1
  };
  static constexpr std::uint32_t kMaxLookAheadSamples = 1u << 15;  ///< 170 ms at 192 kHz
  static constexpr std::uint32_t kMaxHoldSamples = 1u << 17;       ///< 680 ms at 192 kHz
  static constexpr float kMinCeiling = 1e-6f;                      ///< -120 dBFS

  /// What `configure` must be lent.
  struct Memory {
    std::size_t values;    ///< of Pack<W>
    std::size_t integers;  ///< of PackInt<W>
  };
  /// For lanes of these shapes.
  static constexpr Memory required(std::span<const Shape> shapes) noexcept {
    const ShapeGroups<W> groups(shapes);
    Memory memory{delay_length(groups[0]), std::size_t{groups[0].look_ahead_samples} + 2};
    for (std::size_t k = 0; k < groups.size(); ++k) memory.values += window_values(groups[k]);
    return memory;
  }
  /// For lanes of one shape.
  static constexpr Memory required(const Shape& shape) noexcept { return required({&shape, 1}); }
  /// Whether lanes of these shapes go into one limiter: few enough different ones, and one kind of peak.
  static constexpr bool go_together(std::span<const Shape> shapes) noexcept {
    return ShapeGroups<W>(shapes).together();
  }
  /// Look-ahead and detector.
  static constexpr std::uint32_t latency_samples(Shape s) noexcept {
    return s.look_ahead_samples + (s.true_peak ? TruePeakDetector<W>::kLatency : 0);
  }

  PeakLimiter() = default;  ///< D = 0 and no lane enabled: passes its (bounded) input
  PeakLimiter(const PeakLimiter&) = delete;
  PeakLimiter& operator=(const PeakLimiter&) = delete;

  /// `lanes` from lane 0 on, each of the shape of its number, or of the last one given; lanes without settings are not
  /// enabled. Touches all the memory: not between two audio blocks. If refused, the block stays as it was.
  [[nodiscard]] Setup configure(std::span<const Shape> shapes, std::span<const LaneSettings> lanes,
                                std::span<Pack<W>> values, std::span<PackInt<W>> integers) noexcept {
    if (shapes.empty() || shapes.size() > std::size_t{W} || lanes.size() > std::size_t{W} || !go_together(shapes))
      return Setup::out_of_range;
    for (const Shape& s : shapes)
      if (s.look_ahead_samples > kMaxLookAheadSamples || s.hold_samples > kMaxHoldSamples) return Setup::out_of_range;
    for (const LaneSettings& s : lanes) {
      const bool valid = s.ceiling >= kMinCeiling && s.ceiling <= kMagnitudeBound &&  // false for a NaN
                         s.release_keep >= 0.0f && s.release_keep < 1.0f;
      if (s.enabled && !valid) return Setup::out_of_range;
    }
    const Memory needed = required(shapes);
    if (values.size() < needed.values || integers.size() < needed.integers) return Setup::memory_too_small;
    const ShapeGroups<W> groups(shapes);
    const Shape& longest = groups[0];
    delay_ = Ring<Pack<W>>(values.first(delay_length(longest)));
    values = values.subspan(delay_length(longest));
    first_ = BoxMean<W>(integers.first(first_length(longest)));
    second_ = BoxMean<W>(integers.subspan(first_length(longest), second_length(longest)));
    true_peak_ = longest.true_peak, groups_ = groups.size();
    for (std::size_t k = 0; k < groups_; ++k) {
      const Shape& shape = groups[k];
      Group& group = group_[k];
      const Setup window = group.maximum.configure({window_samples(shape)}, values);
      assert(window == Setup::ok), static_cast<void>(window);
      values = values.subspan(window_values(shape));
      group.first = first_length(shape), group.second = second_length(shape), group.latency = latency_samples(shape);
      group.lanes = groups.lanes_of(k);
      for (std::size_t l = 0; l < W; ++l)
        if (groups.group_of(l) == k) {
          set_lane<W>(first_factor_, static_cast<int>(l), BoxMean<W>::factor(group.first));
          set_lane<W>(minus_second_factor_, static_cast<int>(l), -BoxMean<W>::factor(group.second, 1.0f / kUnit));
        }
    }
    ceiling_ = broadcast<W>(kNever), keep_ = Pack<W>{};
    for (std::size_t l = 0; l < lanes.size(); ++l) {
      if (!lanes[l].enabled) continue;
      set_lane<W>(ceiling_, static_cast<int>(l), lanes[l].ceiling);
      set_lane<W>(keep_, static_cast<int>(l), lanes[l].release_keep);
    }
    return reset(), Setup::ok;
  }
  /// All lanes of one shape.
  [[nodiscard]] Setup configure(const Shape& shape, std::span<const LaneSettings> lanes, std::span<Pack<W>> values,
                                std::span<PackInt<W>> integers) noexcept {
    return configure({&shape, 1}, lanes, values, integers);
  }
  /// Back to just configured: every state at rest. Touches all the memory.
  void reset() noexcept {
    detector_.reset(), first_.reset(), second_.reset(), delay_.reset();
    for (std::size_t k = 0; k < groups_; ++k) group_[k].maximum.reset();
    position_ = 0, released_ = Pack<W>{};
    bounded_ceiling_ = last_bound_ = ceiling_;
    gain_ = least_ = broadcast<W>(1.0f);
    limited_ = non_finite_ = bounded_ = PackInt<W>{};
  }
  /// What enters from now on leaves at or below `most` (above 0) as well as the ceiling that was set, until the next
  /// call. Only at points of the grid: before the first frame of a cell.
  void bound_ceiling(Pack<W> most) noexcept {
    assert(position_ == 0);
    const Pack<W> bound = lesser(most, ceiling_);
    bounded_ceiling_ = true_peak_ ? lesser(bound, last_bound_) : bound;
    last_bound_ = bound;
  }
  /// Equal sizes. `out` may be `in` itself, not a shifted overlap of it.
  void process(std::span<const Pack<W>> in, std::span<Pack<W>> out) noexcept {
    assert(in.size() == out.size());
    if (groups_ == 0) return count_admitted(admit<W>(in, out.data()));
    for (std::size_t n = 0; n < in.size();) {
      const std::size_t count = std::min(in.size() - n, std::size_t{kGridFrames - position_});
      Pack<W> sound[kGridFrames], control[kGridFrames];
      count_admitted(admit<W>({in.data() + n, count}, sound));
      if (true_peak_) {
        detector_.process({sound, count}, {control, count});
        demand({control, count}, control, []<int V>(Pack<V> peak) { return peak; });
      } else {
        demand({sound, count}, control, []<int V>(Pack<V> x) { return magnitude<V>(x); });
      }
      hold({control, count});
      with_constant<kMostShapes>(groups_, [&](auto count_of) {
        limit<decltype(count_of)::value>({control, count}, sound, out.data() + n);
      });
      n += count, position_ += static_cast<std::uint32_t>(count);
      if (position_ == kGridFrames) position_ = 0, first_.carry(), second_.carry();
    }
  }

  /// Of lane `l`, and since it was last read: least gain, frames with a gain below 1.
  struct Meter {
    float least_gain = 1.0f;          ///< 1: it did nothing
    std::int32_t limited_frames = 0;  ///< stays at kCountLimit
  };
  /// And begins it anew.
  Meter take_meter(int l) noexcept {
    const Meter meter{lane<W>(least_, l), lane_of(limited_, l)};
    set_lane<W>(least_, l, 1.0f), set_lane_of(limited_, l, 0);
    return meter;
  }
  /// What the last frame of lane `l` was multiplied by.
  float gain(int l) const noexcept { return lane<W>(gain_, l); }
  /// Samples of lane `l` since `reset` that were not finite, or finite but out of bounds. They stay at kCountLimit.
  std::int32_t non_finite_samples(int l) const noexcept { return lane_of(non_finite_, l); }
  /// See `non_finite_samples`.
  std::int32_t bounded_samples(int l) const noexcept { return lane_of(bounded_, l); }

 private:
  friend struct rackproof::dsp::CounterProbe;
  static constexpr float kMargin = 0x1p-23f, kTiny = 0x1p-40f, kUnit = 0x1p30f;
  static constexpr float kNever = std::numeric_limits<float>::max();  // no peak is above this
  static constexpr std::size_t delay_length(Shape s) noexcept { return std::size_t{latency_samples(s)} + 1; }
  static constexpr std::size_t first_length(Shape s) noexcept { return (std::size_t{s.look_ahead_samples} + 2) / 2; }
  static constexpr std::size_t second_length(Shape s) noexcept {
    return std::size_t{s.look_ahead_samples} + 2 - first_length(s);
  }
  static constexpr std::size_t window_values(Shape s) noexcept {
    return SlidingMaximum<W>::required_values({window_samples(s)});
  }
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
  /// Lanes of one shape, and what they have to themselves.
  struct Group {
    SlidingMaximum<W> maximum;
    std::size_t first = 1, second = 1, latency = 0;  ///< lengths of the boxes; of the whole
    PackInt<W> lanes{};                              ///< -1 in its lanes
  };
  void count_admitted(const Admitted<W>& more) noexcept {
    non_finite_ = counted<W>(non_finite_, more.not_finite);
    bounded_ = counted<W>(bounded_, more.bounded);
  }
  template <class PeakOf>
  void demand(std::span<const Pack<W>> from, Pack<W>* need, PeakOf&& peak_of) const noexcept {
    const Pack<W> held = bounded_ceiling_, scaled = broadcast<W>(kUnit) * held;
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
  /// Each lane's need becomes the greatest within its window.
  void hold(std::span<Pack<W>> need) noexcept {
    if constexpr (kMostShapes == 1) {
      group_[0].maximum.process(need, need);
    } else {
      Pack<W> given[kGridFrames], held[kGridFrames];
      if (groups_ > 1) std::copy(need.begin(), need.end(), given);
      group_[0].maximum.process(need, need);
      for (std::size_t k = 1; k < groups_; ++k) {
        group_[k].maximum.process({given, need.size()}, {held, need.size()});
        const auto own = group_[k].lanes < PackInt<W>{};
        for (std::size_t i = 0; i < need.size(); ++i) need[i] = select(own, held[i], need[i]);
      }
    }
  }
  /// With lanes of K shapes: what is oldest in a ring stands where each of them says.
  template <std::size_t K>
  void limit(std::span<const Pack<W>> need, const Pack<W>* sound, Pack<W>* out) noexcept {
    const Pack<W> keep = keep_, minus_tiny = broadcast<W>(-kUnit * kTiny), one = broadcast<W>(1.0f);
    const Pack<W> first_factor = first_factor_, minus_second_factor = minus_second_factor_;
    std::array<PackInt<W>, K> lanes;
    std::array<const Pack<W>*, K> leaving;
    for (std::size_t k = 0; k < K; ++k) {
      lanes[k] = group_[k].lanes;
      leaving[k] = delay_.before(group_[k].latency);
    }
    BoxMean<W> first = first_, second = second_;
    LaneReads<W, PackInt<W>, K> of_first(first.ring(), lanes, [&](std::size_t k) { return group_[k].first; });
    LaneReads<W, PackInt<W>, K> of_second(second.ring(), lanes, [&](std::size_t k) { return group_[k].second; });
    Ring<Pack<W>> delay = delay_;
    Pack<W> released = released_, least = least_, gain = gain_;
    PackInt<W> limited{};
    for (std::size_t i = 0; i < need.size(); ++i) {
      released = greater(need[i], fma(keep, released, minus_tiny));
      const Pack<W> once = first.push(to_int<W>(released), of_first.next(first.ring())) * first_factor;
      const Pack<W> sum = second.push(to_int<W>(once), of_second.next(second.ring()));
      gain = at_least_zero<W>(fma(sum, minus_second_factor, one));
      meter(gain, least, limited);
      delay.put(sound[i]);
      out[i] = each_its_own<W, K>(lanes, [&](std::size_t k) { return *leaving[k]; }) * gain;
      for (const Pack<W>*& at : leaving) at = delay.after(at);
    }
    first_ = first, second_ = second, delay_ = delay;
    released_ = released, least_ = least, gain_ = gain;
    limited_ = counted<W>(limited_, limited);
  }

  TruePeakDetector<W> detector_;
  std::array<Group, kMostShapes> group_{};
  std::size_t groups_ = 0;  // 0: not configured
  Pack<W> first_factor_ = broadcast<W>(1.0f), minus_second_factor_ = broadcast<W>(-1.0f);
  BoxMean<W> first_, second_;
  Ring<Pack<W>> delay_;
  std::uint32_t position_ = 0;  // frames past the last point of the grid, below kGridFrames between calls
  bool true_peak_ = false;
  Pack<W> ceiling_ = broadcast<W>(kNever), keep_{}, released_{};
  Pack<W> bounded_ceiling_ = ceiling_, last_bound_ = ceiling_;  // in force; of this cell, the last one's apart
  Pack<W> gain_ = broadcast<W>(1.0f), least_ = gain_;
  PackInt<W> limited_{}, non_finite_{}, bounded_{};
};

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
