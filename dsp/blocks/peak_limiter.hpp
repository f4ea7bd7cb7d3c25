#pragma once
/// Holds W outputs side by side at or below their ceilings: what an amplifier clips at and a driver survives.
/// Theorem  |out[n]| <= ceiling for EVERY input and all settings: the ceiling in force when the sample entered, which
///          `bound_ceiling` may lower, and raise again as far as it was set, at every point of the grid. Where
///          nothing within look-ahead, hold and release of a sample read above its ceiling, out is the input
///          `latency_samples` earlier, bit for bit (-0 and subnormals too); so is a lane that is not enabled and not
///          bounded. After a peak the gain is back at exactly 1 in finite time. The same bits however the stream is cut
///          into blocks. Input is first bounded to +-kMagnitudeBound, what is not finite becomes 0, and both are
///          counted: no state can hold a NaN.
/// Method   in the domain of reduction, 1 - gain, which is exactly 0 when idle, and decided once in a step of R = 4
///          frames. Step c is the frames R c .. R c + R - 1 from a point of the grid on, and is decided with its last:
///            p     = peak[n]: |x[n]|, or the true-peak detector's reading, never below |x[n - kLatency]|
///            P     = the greatest p of the step
///            need  = P > ceiling ? (1 + kMargin) - ceiling / P : 0
///            most  = sliding maximum of need over K = 1 + ceil((D + hold) / R) steps (D + hold + 1 for a true peak)
///            d     = max(most, keep^R d - kTiny)           release: only ever more than is needed
///            q     = floor(2^30 d), then two box means of lengths L1 + L2 = M + 1 steps, each rounded upwards,
///                    M = max(1, floor((D + 1) / R))
///            G     = max(0, 1 - mean)                      one a step
///            gain  = at the frames R c + R - 1 + k, k = 0 .. R - 1: from G of the step before, F, to G of step c by
///                    halving: half = (F + G) / 2, then (F + half) / 2, half, (half + G) / 2, G.
///                    Where D < R - 1 there is no time for that: F is the lesser of the two.
///            out   = x[n - latency] * gain                 latency = D + R - 1 + (true_peak ? kLatency : 0)
/// Proof    Let x be a sample that leaves at frame R c + R - 1 + k, 0 <= k < R, and p its reading: |x| <= p. It was
///          read at frame R c + k - D, in step e = c + floor((k - D) / R).
///          Which d saw it: those of steps e .. e + K - 1, K = 1 + ceil(D / R) at least. The boxes of step c weigh the
///          d of c - M + 1 .. c alone, those of step c - 1 the d of c - M .. c - 1, with weights that add to one.
///          Late enough, c <= e + K - 1: c - e = -floor((k - D) / R) <= ceil(D / R). So for any hold, which adds to K
///          at least what it may add to c - e, and for the next sample of a true peak.
///          Soon enough. D >= R - 1, so R M <= D + 1: for k < R - 1, k - D <= R - 2 - D <= -1 - R (M - 1), whose floor
///          by R is at most -M: e <= c - M, and all d of both boxes saw p. For k = R - 1 the gain is G alone, and
///          k - D <= R - R M: e <= c - M + 1, and all d of its boxes saw p. D < R - 1: M = 1, so G of step c has the d
///          of c alone, and e <= c; F is no greater than G.
///          In all cases what the gain is made of, call each of them G, has only such q as are >= Q = floor(2^30 need),
///          the need of a P >= p, computed with the ceiling that was in force in step e.
///          That ceiling is at most the one in force when x entered. A step never crosses a point of the grid, where
///          ceilings change, as R divides kGridFrames: so all that is read in it has one. |x| is read at once. A true
///          peak is read kLatency frames after x entered, so x may have entered in the cell of the grid before, and
///          never in an earlier one, as kLatency < kGridFrames: the lesser of both cells' ceilings is taken. Other
///          steps may have had other ceilings: what they needed can only make d greater. So let C be that ceiling.
///          If P <= C, |x| <= C, and no gain is above 1.
///          Else let m = 2^-24, half an ulp of 1 and twice that of what is below 1:
///            C / P rounds up by at most m/2; (1 + kMargin) - that is exact where it is below 1/2, elsewhere it loses
///            at most m/2, or m where the result is above 1 (then the quotient is below 2^-23 and its error nil);
///            floor loses less than m/64; a mean of values that are all >= Q is >= Q in the numbers that carry it
///            (claim 1 of box_mean.hpp); 1 - mean rounds up by at most m/2.
///          In all less than 2 m = kMargin, so G <= C / P <= C / p for each of them.
///          Between two of them: half the rounded sum of two numbers F, G >= 0 lies within them. 2 min(F, G) <= F + G
///          <= 2 max(F, G), both floats, so rounding cannot pass them; halving is exact, since nothing here is
///          subnormal: G is 0, or 1 less a product of 48 bits and so at least 2^-48. Thus going from F to G takes
///          nothing of the margin: gain <= max(F, G) <= C / p, |x| gain <= C, and since C is itself a float, the
///          rounding of the product cannot pass it. F = G = 1 gives 1: idle is exact.
///          Price: gain is below the ideal by at most kMargin + 2^-19 of the reduction: 2e-4 dB at 20 dB of limiting,
///          0.02 dB at 60 dB; and the latency is R - 1 frames more than the look-ahead, for a ramp of R M frames, of
///          which up to R - 1 too early. A peak is held up to R - 1 frames too long at either end.
/// Unit     need, most and d are kept as 2^30 times what is written here: a power of two, so no rounding differs, and
///          the floor is a mere conversion. No d passes 1 + 2 kMargin, so no q passes BoxMean::kMostValue.
/// Release  d falls by the factor keep^R a step, rounded once to float: an error of the rate below 1 % up to a time
///          constant of 10^5 samples. kTiny ends it at 0 without a subnormal number on the way, and no keep < 1 sticks:
///          keep^R d is then at least half an ulp below d, and kTiny breaks the tie.
/// Lanes    may differ in look-ahead and hold, kMostShapes of both together: the rings are as long as the longest
///          asks, and each lane reads what is oldest where its own lengths say; each shape has a maximum of its own.
/// Meters   are read once a step: the least gain is the least G, and the frames of a step whose G is below 1 count as
///          limited, R at a time.
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
#include <utility>

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
  static constexpr std::uint32_t kStepFrames = 4;                  ///< R: frames that are decided together
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
    Memory memory{delay_values(groups[0]), ramp_steps(groups[0]) + 1};
    for (std::size_t k = 0; k < groups.size(); ++k) memory.values += window_values(groups[k]);
    return memory;
  }
  /// For lanes of one shape.
  static constexpr Memory required(const Shape& shape) noexcept { return required({&shape, 1}); }
  /// Whether lanes of these shapes go into one limiter: few enough different ones, and one kind of peak.
  static constexpr bool go_together(std::span<const Shape> shapes) noexcept {
    return ShapeGroups<W>(shapes).together();
  }
  /// Look-ahead, the rest of a step, and detector. Of every lane of a limiter that is configured, enabled or not.
  static constexpr std::uint32_t latency_samples(Shape s) noexcept {
    return s.look_ahead_samples + kStepFrames - 1 + (s.true_peak ? Detector::kLatency : 0);
  }

  PeakLimiter() = default;  ///< not configured: passes its (bounded) input at once
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
    true_peak_ = longest.true_peak;
    groups_ = groups.size();
    delay_ = Ring<Pack<W>>(values.first(delay_values(longest)).last(delay_length(longest)));
    values = values.subspan(delay_values(longest));
    first_ = BoxMean<W>(integers.first(first_length(longest)));
    second_ = BoxMean<W>(integers.subspan(first_length(longest), second_length(longest)));
    for (std::size_t k = 0; k < groups_; ++k) {
      const Setup window = group_[k].maximum.configure({window_steps(groups[k])}, values);
      assert(window == Setup::ok);
      static_cast<void>(window);
      values = values.subspan(window_values(groups[k]));
      group_[k].first = first_length(groups[k]);
      group_[k].second = second_length(groups[k]);
      group_[k].latency = latency_samples(groups[k]);
      group_[k].lanes = groups.lanes_of(k);
    }
    for (std::size_t l = 0; l < std::size_t{W}; ++l) {
      const Shape& shape = groups[groups.group_of(l)];
      const bool on = l < lanes.size() && lanes[l].enabled;
      const int at = static_cast<int>(l);
      set_lane<W>(first_factor_, at, BoxMean<W>::factor(first_length(shape)));
      set_lane<W>(minus_second_factor_, at, -BoxMean<W>::factor(second_length(shape), 1.0f / kUnit));
      set_lane<W>(least_from_, at, shape.look_ahead_samples < kStepFrames - 1 ? 0.0f : 1.0f);
      set_lane<W>(ceiling_, at, on ? lanes[l].ceiling : kNever);
      set_lane<W>(keep_, at, on ? fourth_power(lanes[l].release_keep) : 0.0f);
    }
    reset();
    return Setup::ok;
  }
  /// All lanes of one shape.
  [[nodiscard]] Setup configure(const Shape& shape, std::span<const LaneSettings> lanes, std::span<Pack<W>> values,
                                std::span<PackInt<W>> integers) noexcept {
    return configure({&shape, 1}, lanes, values, integers);
  }
  /// Back to just configured: every state at rest. Touches all the memory.
  void reset() noexcept {
    first_.reset();
    second_.reset();
    delay_.reset();
    if (true_peak_) std::fill_n(delay_.begin() - kHistory, kHistory, Pack<W>{});
    for (std::size_t k = 0; k < groups_; ++k) group_[k].maximum.reset();
    position_ = 0;
    reading_ = released_ = Pack<W>{};
    bounded_ceiling_ = last_bound_ = ceiling_;
    decided_ = gain_ = least_ = broadcast<W>(1.0f);
    std::ranges::fill(ahead_, broadcast<W>(1.0f));
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
    if (groups_ == 0) return count(admit<W>(in, out.data()));
    for (std::size_t n = 0; n < in.size();) {
      const std::size_t frames = std::min(in.size() - n, std::size_t{kGridFrames - position_});
      const std::size_t in_step = position_ % kStepFrames, known = kStepFrames - 1 - in_step;  // gains, decided before
      Pack<W> steps[kGridFrames / kStepFrames], gains[kGridFrames + kStepFrames - 1];
      std::copy_n(ahead_ + in_step, known, gains);

      Pack<W>* const sound = delay_.place();
      count(admit<W>(in.subspan(n, frames), sound));
      const std::span<Pack<W>> ended(steps, read(sound, frames, steps));
      need(ended);
      hold(ended);
      smooth(ended, gains + known);
      apply(gains, out.subspan(n, frames));

      gain_ = gains[frames - 1];
      n += frames;
      pass(frames);
      const std::size_t next_in_step = position_ % kStepFrames;
      std::copy_n(gains + frames, kStepFrames - 1 - next_in_step, ahead_ + next_in_step);
    }
  }

  /// Of lane `l`, and since it was last read: least gain, frames of the steps with a gain below 1, so a multiple of
  /// kStepFrames (or kCountLimit).
  struct Meter {
    float least_gain = 1.0f;          ///< 1: it did nothing
    std::int32_t limited_frames = 0;  ///< stays at kCountLimit
  };
  /// And begins it anew.
  Meter take_meter(int l) noexcept {
    const Meter meter{lane<W>(least_, l), lane_of(limited_, l)};
    set_lane<W>(least_, l, 1.0f);
    set_lane_of(limited_, l, 0);
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
  using Detector = TruePeakDetector<W>;
  static_assert(kGridFrames % kStepFrames == 0 && Detector::kLatency < kGridFrames);
  static constexpr std::size_t kHistory = Detector::kWindow - 1;  // samples that a reading looks back at
  static constexpr float kMargin = 0x1p-23f, kTiny = 0x1p-40f, kUnit = 0x1p30f;
  static constexpr float kNever = std::numeric_limits<float>::max();  // no peak is above this

  /// Of the ring: what is on its way out, and a cell of the grid that comes in. Whole cells, so that no stretch of the
  /// grid meets its end.
  static constexpr std::size_t delay_length(Shape s) noexcept {
    return (std::size_t{latency_samples(s)} + 2 * kGridFrames - 1) / kGridFrames * kGridFrames;
  }
  static constexpr std::size_t delay_values(Shape s) noexcept { return delay_length(s) + (s.true_peak ? kHistory : 0); }
  /// M
  static constexpr std::size_t ramp_steps(Shape s) noexcept {
    return std::max<std::size_t>(1, (std::size_t{s.look_ahead_samples} + 1) / kStepFrames);
  }
  static constexpr std::size_t first_length(Shape s) noexcept { return (ramp_steps(s) + 1) / 2; }
  static constexpr std::size_t second_length(Shape s) noexcept { return ramp_steps(s) + 1 - first_length(s); }
  /// K. A true peak lies between its sample and the next: both are to see it.
  static constexpr std::uint32_t window_steps(Shape s) noexcept {
    return 1 + (s.look_ahead_samples + s.hold_samples + (s.true_peak ? 1 : 0) + kStepFrames - 1) / kStepFrames;
  }
  static constexpr std::size_t window_values(Shape s) noexcept {
    return SlidingMaximum<W>::required_values({window_steps(s)});
  }
  /// x^4, rounded once (all but a part in 2^40): the square as a float and what it lost.
  static float fourth_power(float x) noexcept {
    const float square = x * x, lost = fma(x, x, -square);
    return fma(square, square, 2.0f * square * lost);
  }
  static std::int32_t lane_of(const PackInt<W>& counts, int l) noexcept {
    if constexpr (W == 1) {
      static_cast<void>(l);
      return counts;
    } else {
      return counts[l];
    }
  }
  static void set_lane_of(PackInt<W>& counts, int l, std::int32_t count) noexcept {
    if constexpr (W == 1) {
      static_cast<void>(l);
      counts = count;
    } else {
      counts[l] = count;
    }
  }
  /// Of no value that is negative, nor -0.
  static RACKPROOF_INLINE Pack<W> greatest_of_four(Pack<W> a, Pack<W> b, Pack<W> c, Pack<W> d) noexcept {
    return greater_of_positive<W>(greater_of_positive<W>(a, b), greater_of_positive<W>(c, d));
  }
  static RACKPROOF_INLINE Pack<W> lesser_of_positive(Pack<W> a, Pack<W> b) noexcept {
    if constexpr (W == 1)
      return std::bit_cast<float>(lesser(std::bit_cast<std::int32_t>(a), std::bit_cast<std::int32_t>(b)));
    else
      return lesser(a, b);
  }
  /// Lanes of one shape, and what they have to themselves.
  struct Group {
    SlidingMaximum<W> maximum;
    std::size_t first = 1, second = 1, latency = 0;  ///< lengths of the boxes; of the whole
    PackInt<W> lanes{};                              ///< -1 in its lanes
  };
  template <std::size_t K>
  std::array<PackInt<W>, K> lanes_of_groups() const noexcept {
    std::array<PackInt<W>, K> lanes;
    for (std::size_t k = 0; k < K; ++k) lanes[k] = group_[k].lanes;
    return lanes;
  }

  void count(const Admitted<W>& more) noexcept {
    non_finite_ = counted<W>(non_finite_, more.not_finite);
    bounded_ = counted<W>(bounded_, more.bounded);
  }
  /// The greatest reading of each step that ends within these frames, into `steps`; returns how many end.
  std::size_t read(const Pack<W>* sound, std::size_t frames, Pack<W>* steps) noexcept {
    const auto of_magnitudes = [&](const Pack<W>* x) {
      return greatest_of_steps(
          frames, steps, [x](std::size_t i) { return magnitude<W>(x[i]); },
          [x](std::size_t i) __attribute__((always_inline)) {
            return greatest_of_four(magnitude<W>(x[i]), magnitude<W>(x[i + 1]), magnitude<W>(x[i + 2]),
                                    magnitude<W>(x[i + 3]));
          });
    };
    if (!true_peak_) return of_magnitudes(sound);
    const Pack<W>* const window = sound - kHistory;  // of the first reading
    if constexpr (W == 1 && !kScalarMachine) {       // a compiler sets the peaks of one lane side by side
      Pack<W> peaks[kGridFrames];
      Detector::peaks_of(window, peaks, frames);
      return of_magnitudes(peaks);
    } else {
      return greatest_of_steps(
          frames, steps, [window](std::size_t i) { return Detector::peak_of(window + i); },
          [window](std::size_t i) __attribute__((always_inline)) { return Detector::greatest_of_four(window + i); });
    }
  }
  /// What has been read of a step that does not end here is kept.
  template <class ReadingOf, class GreatestFrom>
  RACKPROOF_INLINE std::size_t greatest_of_steps(std::size_t frames, Pack<W>* steps, ReadingOf&& reading_of,
                                                 GreatestFrom&& greatest_from) noexcept {
    static_assert(kStepFrames == 4, "of as many `greatest_from` takes the greatest");
    std::size_t i = 0, ended = 0;
    for (std::size_t in_step = position_ % kStepFrames; in_step > 0 && i < frames; ++i) {
      reading_ = greater_of_positive<W>(reading_, reading_of(i));
      in_step = (in_step + 1) % kStepFrames;
      if (in_step == 0) steps[ended++] = std::exchange(reading_, Pack<W>{});
    }
    for (; i + kStepFrames <= frames; i += kStepFrames) steps[ended++] = greatest_from(i);
    for (; i < frames; ++i) reading_ = greater_of_positive<W>(reading_, reading_of(i));
    return ended;
  }
  /// Each step's greatest reading becomes its need.
  void need(std::span<Pack<W>> steps) const noexcept {
    const Pack<W> held = bounded_ceiling_, scaled = broadcast<W>(kUnit) * held;
    for_each<W>(
        steps.size(), [&](auto lanes, std::size_t i) __attribute__((always_inline)) {
          const Pack<lanes> ceiling = repeated<lanes, W>(held), most = broadcast<lanes>(kUnit * (1.0f + kMargin));
          const Pack<lanes> p = load<lanes, W>(&steps[i]);
          // The divisor is at least the ceiling: no infinity, no slow subnormal.
          store<lanes, W>(select(p > ceiling, most - repeated<lanes, W>(scaled) / greater(p, ceiling), Pack<lanes>{}),
                          &steps[i]);
        });
  }
  /// Each lane's need becomes the greatest within its window.
  void hold(std::span<Pack<W>> steps) noexcept {
    if constexpr (kMostShapes == 1) {
      group_[0].maximum.process(steps, steps);
    } else {
      Pack<W> needed[kGridFrames / kStepFrames], held[kGridFrames / kStepFrames];
      if (groups_ > 1) std::copy(steps.begin(), steps.end(), needed);
      group_[0].maximum.process(steps, steps);
      for (std::size_t k = 1; k < groups_; ++k) {
        group_[k].maximum.process({needed, steps.size()}, {held, steps.size()});
        const auto own = group_[k].lanes < PackInt<W>{};
        for (std::size_t i = 0; i < steps.size(); ++i) steps[i] = select(own, held[i], steps[i]);
      }
    }
  }
  /// The release, the means, and kStepFrames gains of each step.
  void smooth(std::span<const Pack<W>> steps, Pack<W>* gains) noexcept {
    with_constant<kMostShapes>(groups_, [&](auto groups) { smooth_groups<decltype(groups)::value>(steps, gains); });
  }
  template <std::size_t K>
  void smooth_groups(std::span<const Pack<W>> steps, Pack<W>* gains) noexcept {
    const Pack<W> keep = keep_, minus_tiny = broadcast<W>(-kUnit * kTiny), one = broadcast<W>(1.0f);
    const Pack<W> first_factor = first_factor_, minus_second_factor = minus_second_factor_, least_from = least_from_;
    const Pack<W> half = broadcast<W>(0.5f);
    const std::array<PackInt<W>, K> lanes = lanes_of_groups<K>();
    BoxMean<W> first = first_, second = second_;
    LaneReads<W, PackInt<W>, K> of_first(first.ring(), lanes, [&](std::size_t k) { return group_[k].first; });
    LaneReads<W, PackInt<W>, K> of_second(second.ring(), lanes, [&](std::size_t k) { return group_[k].second; });
    Pack<W> released = released_, least = least_, from = decided_;
    PackInt<W> limited{};
    for (const Pack<W>& most : steps) {
      released = greater(most, fma(keep, released, minus_tiny));
      const Pack<W> once = first.push(to_int<W>(released), of_first.next(first.ring())) * first_factor;
      const Pack<W> sum = second.push(to_int<W>(once), of_second.next(second.ring()));
      const Pack<W> to = at_least_zero<W>(fma(sum, minus_second_factor, one));
      meter(to, least, limited);
      from = lesser_of_positive(from, greater_of_positive<W>(to, least_from));
      const Pack<W> middle = half * (from + to);
      gains[0] = half * (from + middle);
      gains[1] = middle;
      gains[2] = half * (middle + to);
      gains[3] = to;
      gains += kStepFrames;
      from = to;
    }
    first_ = first;
    second_ = second;
    released_ = released;
    least_ = least;
    decided_ = from;
    limited_ = counted<W>(limited_, limited * static_cast<std::int32_t>(kStepFrames));
  }
  /// The least gain, and how many were below 1. No gain is above 1 or below 0: in one lane its bits tell.
  static RACKPROOF_INLINE void meter(Pack<W> gain, Pack<W>& least, PackInt<W>& limited) noexcept {
    least = lesser_of_positive(least, gain);
    limited -= (std::bit_cast<PackInt<W>>(gain) - std::bit_cast<std::int32_t>(1.0f)) >> 31;
  }
  /// What came in as long ago as each lane is late, times the gains.
  void apply(const Pack<W>* gains, std::span<Pack<W>> out) noexcept {
    with_constant<kMostShapes>(groups_, [&](auto groups) { apply_to<decltype(groups)::value>(gains, out); });
  }
  template <std::size_t K>
  void apply_to(const Pack<W>* gains, std::span<Pack<W>> out) noexcept {
    const std::array<PackInt<W>, K> lanes = lanes_of_groups<K>();
    std::array<const Pack<W>*, K> leaving;
    for (std::size_t k = 0; k < K; ++k) leaving[k] = delay_.before(group_[k].latency);
    for (std::size_t i = 0; i < out.size();) {
      std::size_t stretch = out.size() - i;  // to the end of the ring at most
      for (const Pack<W>* at : leaving) stretch = std::min(stretch, static_cast<std::size_t>(delay_.end() - at));
      const auto frame = [&](std::size_t n) __attribute__((always_inline)) {
        const auto of_group = [&](std::size_t k) __attribute__((always_inline)) { return leaving[k][n]; };
        out[i + n] = each_its_own<W, K>(lanes, of_group) * gains[i + n];
      };
      std::size_t n = 0;
      for (; n + 4 <= stretch; n += 4)
        unrolled<4>([&](std::size_t more) __attribute__((always_inline)) { frame(n + more); });
      for (; n < stretch; ++n) frame(n);
      i += stretch;
      for (const Pack<W>*& at : leaving) at = at + stretch == delay_.end() ? delay_.begin() : at + stretch;
    }
  }
  void pass(std::size_t frames) noexcept {
    delay_.advance(frames);
    if (true_peak_ && delay_.place() == delay_.begin())  // readings look back past the end of the ring
      std::copy_n(delay_.end() - kHistory, kHistory, delay_.begin() - kHistory);
    position_ += static_cast<std::uint32_t>(frames);
    if (position_ < kGridFrames) return;
    position_ = 0;
    first_.carry();
    second_.carry();
  }

  std::array<Group, kMostShapes> group_{};
  std::size_t groups_ = 0;  // 0: not configured
  Pack<W> first_factor_{}, minus_second_factor_{};
  BoxMean<W> first_, second_;
  Ring<Pack<W>> delay_;         // where there is a detector, what it looks back at stands ahead of it, too
  std::uint32_t position_ = 0;  // frames past the last point of the grid, below kGridFrames between calls
  bool true_peak_ = false;
  Pack<W> ceiling_ = broadcast<W>(kNever), keep_{};
  Pack<W> bounded_ceiling_ = ceiling_, last_bound_ = ceiling_;  // in force; of this cell, the last one's apart
  Pack<W> least_from_{};                                        // 0 in lanes without the time for a ramp, else 1
  Pack<W> reading_{}, released_{};                              // of the step that has begun; d
  Pack<W> gain_ = broadcast<W>(1.0f), least_ = gain_, decided_ = gain_;
  Pack<W> ahead_[kStepFrames - 1] = {gain_, gain_, gain_};  // gains up to the end of the step, by their place in it
  PackInt<W> limited_{}, non_finite_{}, bounded_{};
};

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
