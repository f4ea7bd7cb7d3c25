#pragma once
/// Holds the heat of W voice coils side by side, together with the peak limiter behind it.
/// Heat     is the mean square of what LEAVES the peak limiter, through one pole of the thermal time. T is the
///          threshold, P the peak limiter's ceiling, f = `forget` the share that the pole replaces in a cell of the
///          grid.
/// Theorem  (1) heat <= 1.01 T^2 at every sample, for EVERY input and all settings, from rest and from every heat that
///          this block itself reaches, by any reading: a pole a sample, or a pole a cell of 64, wherever its cells
///          begin. From a greater heat, handed over by `adopt`, it falls.
///          (2) Where the input's heat stays 0.3 dB below T^2 and no sample of it is above P or T sqrt(0.07 / f), the
///          output is the input, later by the peak limiter's latency, bit for bit. (At 48 kHz the second is 20 dB over
///          T for 2 s, 14 dB for 0.5 s, 4 dB for 50 ms.)
///          (3) A lasting sine whose crest stays below P, ten periods or more in a thermal time, settles between
///          T - 0.3 dB and T, once the peak limiter has let go.
///          (4) Never a gain above 1. The same bits however the stream is cut into blocks. No input, a NaN included,
///          harms the state, nor does it count for less than it may heat.
/// Method   No gain that is decided on a grid can hold 1 % alone: a single cell may add f P^2. So what heat is left is
///          the ceiling of the peak limiter in the coming cell, and its look-ahead does the rest without clipping. The
///          gain is there to make that rare. For each cell of 64 frames, in units of T^2 (F = -ln(1 - f)):
///            counted = min(F (mean square of the input) (greatest gain of the cell)^2, f b)    b: the cell's budget
///            excess  = (1 - f)^J (counted - min(F (mean square of what left), counted))     both J cells ago: J cells
///                                                                                are what the peak limiter delays
///            heat   += counted - excess - f heat
///            level  += f (counted / (F gain^2) - level) - excess / gain^2        the input as it would leave at gain 1
///            allowed = min(0.95 - 0.3 f, 0.966 F / f + slope (0.966 F / f - heat)), at least 0.1
///            goal    = level > allowed ? sqrt(allowed / level) : 1, down by at most 3.1 dB; a straight line over the
///                      next cell
///            b       = min(P^2, (1.009 / (1 + f/2) - (1 - f) heat) / f), at least 0.25
///          and the ceiling of the next cell is T sqrt(b). slope = min(24, 0.5 / f) keeps the loop over heat stable
///          whatever the level, as the level is divided out: its poles are those of z^2 - (1 - f - f slope / 2) z +
///          f slope / 2. While heat is over 0.966 the level rises 16 times as fast as the pole. In a cell whose budget
///          was below P^2 the level counts what P alone would let leave: else the peak limiter would go on doing the
///          gain's work.
/// Proof    of (1). Let a be a pole a sample, a^64 = 1 - f; what enters in a cell with the mean square m leaves as at
///          most (1 - a) 64 m <= F m of heat at the cell's end, and where no sample is above c, as at most f c^2. The
///          peak limiter only takes, and holds what entered at the ceiling that was then in force: so `counted` is at
///          least what the cell will heat, and once it has left it is corrected to what is still at least that. So
///          `heat` is at least the true heat that there will be when all that has entered has left. The ceiling is
///          chosen so that (1 - f) heat + f b <= 1.009 / (1 + f/2): no step passes that. The 0.25 plays no part, as b
///          is never below it from such a heat; from a greater one heat falls towards it. Within a cell heat moves from
///          where it stood towards c^2, evenly, so no sample is above both ends. A pole a cell, wherever cells begin,
///          weighs no sample more than (1 + f/2) times what a pole a sample does: at most 1.009. Single precision takes
///          less than 1e-4 of the 0.001 that is left: sums of 64 squares, and a pole that keeps the rounding error of
///          its sum and adds it to the next step (without that, 60 s at 192 kHz would stall percents away).
/// Why so   What leaves is counted as it left. A simpler form counts min(sample^2, b) as it enters and never looks
///          again: less state, and the same theorem; but what the peak limiter takes by its release and look-ahead then
///          counts as heat that is not there. Side by side in a prototype of both, RMS over T and how much the gain
///          moves (P/T 8 dB; pink noise of 12 dB crest, and a drum pattern):
///                         pink +6 dB, 2 s       pink +12 dB, 2 s      drums +6 dB, 0.3 s
///            simpler      -2.2 dB, 3 dB/s       -2.2 dB, 3 dB/s       -4.3 dB, 130 dB/s
///            this         -1.2 dB, 0 dB/s       -0.6 dB, 0 dB/s       -1.3 dB, 20 dB/s
///          Fed forward alone, without looking at the heat, a step of 24 dB passed T^2 3-fold.
/// Cost     about 12 operations a frame, and about 100 at each point of the grid, whatever the data. Latency 0 samples.
///          Memory lent by the caller: two values for each cell that the peak limiter delays. The roots are Newton's
///          iteration on plain products: with `sqrtf` the compilers keep a call into libm for errno's sake, and
///          products have the same bits everywhere.
#include <algorithm>
#include <array>
#include <bit>
#include <cassert>
#include <cstddef>
#include <cstdint>
#include <limits>
#include <span>
#include <type_traits>

#include "dsp/grid.hpp"
#include "dsp/pack.hpp"
namespace rackproof::dsp::inline RACKPROOF_LEVEL {

/// Power limiters of W lanes: the theorem stands at the head of the file.
template <int W>
class PowerLimiter {
 public:
  static constexpr float kMinThreshold = 1e-6f;                  ///< -120 dBFS
  static constexpr float kLeastForget = 1e-6f;                   ///< 330 s at 192 kHz
  static constexpr float kMostForget = 1.0f / 32;                ///< 46 ms at 44.1 kHz
  static constexpr std::uint32_t kMaxLatencySamples = 1u << 16;  ///< of the peak limiter
  /// Of one lane.
  struct LaneSettings {
    bool enabled = false;        ///< the rest is read only where this is set
    float threshold_rms = 1.0f;  ///< T, kMinThreshold .. kMagnitudeBound; 1.0 = a square wave at digital full scale
    float forget = kMostForget;  ///< f = 1 - exp(-kGridFrames / (time_s sample_rate_hz)), kLeastForget .. kMostForget
    float ceiling = kMagnitudeBound;    ///< P, the peak limiter's, kMinThreshold .. kMagnitudeBound
    std::uint32_t latency_samples = 0;  ///< the peak limiter's, for this lane: 0 .. kMaxLatencySamples
  };

  PowerLimiter() { bound(); }  ///< no lane enabled: passes its input to the peak limiter
  PowerLimiter(const PowerLimiter&) = delete;
  PowerLimiter& operator=(const PowerLimiter&) = delete;

  /// For lanes of these settings.
  static constexpr std::size_t required_values(std::span<const LaneSettings> lanes) noexcept {
    std::size_t cells = 0;
    for (const LaneSettings& s : lanes)
      if (s.enabled) cells = std::max(cells, cells_delayed(s.latency_samples));
    return 2 * cells;
  }
  /// From lane 0 on; lanes without settings are not enabled. Touches all the memory: not between two audio blocks. If
  /// refused, the block stays as it was.
  [[nodiscard]] Setup configure(std::span<const LaneSettings> lanes, std::span<Pack<W>> memory) noexcept {
    if (lanes.size() > std::size_t{W}) return Setup::out_of_range;
    for (const LaneSettings& s : lanes) {
      const bool valid = s.threshold_rms >= kMinThreshold && s.threshold_rms <= kMagnitudeBound &&  // false for a NaN
                         s.forget >= kLeastForget && s.forget <= kMostForget && s.ceiling >= kMinThreshold &&
                         s.ceiling <= kMagnitudeBound && s.latency_samples <= kMaxLatencySamples;
      if (s.enabled && !valid) return Setup::out_of_range;
    }
    if (memory.size() < required_values(lanes)) return Setup::memory_too_small;
    delayed_ = required_values(lanes) / 2;
    counted_ = memory.first(delayed_);
    per_level_ = memory.subspan(delayed_, delayed_);
    for (int l = 0; l < W; ++l) {
      const auto n = static_cast<std::size_t>(l);
      set_up(l, n < lanes.size() && lanes[n].enabled ? lanes[n] : LaneSettings{});
    }
    find_phases();
    reset();
    return Setup::ok;
  }
  /// Back to just configured: every state at rest. Touches all the memory.
  void reset() noexcept {
    position_ = 0;
    place_ = 0;
    in_sum_ = out_sum_ = left_sum_ = Pack<W>{};
    heat_ = carry_ = level_ = step_ = Pack<W>{};
    start_ = goal_ = least_ = broadcast<W>(1.0f);
    std::ranges::fill(counted_, Pack<W>{});
    std::ranges::fill(per_level_, Pack<W>{});
    bound();
  }
  /// Through this block and then through `peak`, a PeakLimiter<W> with the ceilings and latencies that `configure` was
  /// told, which has heard the same stream from its own reset on. Equal sizes. `out` may be `in` itself, not a shifted
  /// overlap of it.
  template <class Peak>
  void process(std::span<const Pack<W>> in, std::span<Pack<W>> out, Peak& peak) noexcept {
    assert(in.size() == out.size());
    for (std::size_t n = 0; n < in.size();) {
      const std::size_t count = std::min(in.size() - n, std::size_t{kGridFrames - position_});
      const std::span<Pack<W>> piece = out.subspan(n, count);
      if (position_ == 0) peak.bound_ceiling(ceiling_);
      lower(in.data() + n, piece.data(), count);
      peak.process(piece, piece);
      count_left(piece.data(), count);
      n += count;
      position_ += static_cast<std::uint32_t>(count);
      if (position_ == kGridFrames) decide();
    }
  }
  /// Least gain of lane `l` since it was last read.
  float take_least_gain(int l) noexcept {
    const float least = lane<W>(least_, l);
    set_lane<W>(least_, l, 1.0f);
    return least;
  }
  /// Of lane `l` at the last point of the grid: the heat of all that has entered, as far as it has left or may leave.
  CoilHeat heat(int l) const noexcept {
    const float square = lane<W>(threshold_square_, l);
    return {.mean_square = square * lane<W>(heat_, l), .level = square * lane<W>(level_, l)};
  }
  /// Lane `l` goes on with the greater of both heats, from the next point of the grid on.
  void adopt(int l, const CoilHeat& from) noexcept {
    const float unit = lane<W>(per_threshold_square_, l);
    const float heat = unit * from.mean_square, level = unit * from.level;
    if (level > lane<W>(level_, l)) set_lane<W>(level_, l, level);
    if (!(heat > lane<W>(heat_, l))) return;
    set_lane<W>(heat_, l, heat);
    set_lane<W>(carry_, l, 0.0f);
    for (Pack<W>& counted : counted_) set_lane<W>(counted, l, 0.0f);  // what it counted is not in that heat
    if (position_ == 0) bound();
  }

 private:
  static constexpr float kMost = 1.009f;        // of T^2: what no heat passes, by any reading
  static constexpr float kSet = 0.966f;         // where the gain holds the heat of what changes
  static constexpr float kLasting = 0.95f;      // and of what lasts, -0.22 dB
  static constexpr float kLastingSlope = 0.3f;  // -0.26 dB for the greatest f: room for the ripple of a low note
  static constexpr float kSlope = 24.0f;        // of what is allowed, over heat
  static constexpr float kRise = 16.0f;         // times as fast as the pole
  static constexpr float kLeastAllowed = 0.1f, kLeastBudget = 0.25f;
  static constexpr float kSteepest = 0.7f;       // gain from one cell to the next
  static constexpr float kLeastGain = 0x1p-12f;  // -72 dB: its square is far from the subnormal numbers
  static constexpr float kNever = std::numeric_limits<float>::max();  // no peak is above this
  static constexpr float kSilentSample = 1e-18f;                      // added to each: no square is subnormal
  static constexpr float kSilentSquare = 1e-20f;                      // -200 dB, far below every threshold: nothing
  static constexpr float kSilentCarry = 1e-30f;

  static constexpr std::size_t cells_delayed(std::uint32_t latency_samples) noexcept {
    return (latency_samples + kGridFrames - 1) / kGridFrames;
  }
  /// A lane that is not enabled counts nothing: then its heat stays 0, its gain 1 and its ceiling where it is.
  void set_up(int l, const LaneSettings& s) noexcept {
    const float f = s.forget;
    const float heats = f * (1.0f + f * (1.0f / 2 + f * (1.0f / 3 + f * (1.0f / 4 + f * (1.0f / 4)))));  // -ln(1 - f)
    const std::size_t cells = cells_delayed(s.latency_samples);
    float stays = 1.0f - static_cast<float>(cells + 1) * 0x1p-23f;  // less than it is by more than the roundings
    for (std::size_t k = 0; k < cells; ++k) stays *= 1.0f - f;
    const float square = s.threshold_rms * s.threshold_rms;
    set_lane<W>(threshold_, l, s.threshold_rms);
    set_lane<W>(threshold_square_, l, s.enabled ? square : 0.0f);
    set_lane<W>(per_threshold_square_, l, s.enabled ? 1.0f / square : 0.0f);
    set_lane<W>(ceiling_set_, l, s.enabled ? s.ceiling : kNever);
    set_lane<W>(peak_square_, l, s.enabled ? s.ceiling * s.ceiling / square : 0.0f);
    set_lane<W>(forget_, l, f);
    set_lane<W>(per_forget_, l, 1.0f / f);
    set_lane<W>(heats_, l, heats);
    set_lane<W>(per_heats_, l, 1.0f / heats);
    set_lane<W>(stays_, l, stays);
    set_lane<W>(most_, l, kMost / (1.0f + 0.5f * f));
    set_lane<W>(set_, l, kSet * (heats / f));
    set_lane<W>(lasting_, l, kLasting - kLastingSlope * f);
    set_lane<W>(slope_, l, std::min(kSlope, 0.5f / f));
    set_lane<W>(rise_, l, std::min(kRise * f, 0.125f));
    cells_[static_cast<std::size_t>(l)] = cells;
    phase_of_[static_cast<std::size_t>(l)] = (s.latency_samples + kGridFrames - 1) % kGridFrames + 1;
  }
  /// Frames into a cell, 1 .. kGridFrames, at which a cell that entered has left; and in which lanes.
  void find_phases() noexcept {
    std::array<std::uint32_t, W> sorted = phase_of_;
    std::ranges::sort(sorted);
    phases_ = static_cast<std::size_t>(std::unique(sorted.begin(), sorted.end()) - sorted.begin());
    phase_ = sorted;
    for (std::size_t k = 0; k < phases_; ++k)
      for (int l = 0; l < W; ++l)
        set_lane<W>(leaves_[k], l, phase_of_[static_cast<std::size_t>(l)] == phase_[k] ? 1.0f : 0.0f);
  }

  Pack<W> gain_at(std::uint32_t frame) const noexcept {
    return start_ + broadcast<W>(static_cast<float>(frame)) * step_;
  }
  /// The square of what is not smaller, and never near the subnormal numbers.
  static RACKPROOF_INLINE Pack<W> square_of(Pack<W> x) noexcept {
    const Pack<W> size = magnitude<W>(x) + broadcast<W>(kSilentSample);
    return size * size;
  }
  /// work(begin) .. work(end - 1); four at a time where nothing else hides what a loop costs.
  template <class Work>
  static RACKPROOF_INLINE void in_turn(std::size_t begin, std::size_t end, Work&& work) noexcept {
    if constexpr (kScalarMachine)
      for (; begin + 4 <= end; begin += 4)
        unrolled<4>([&](std::size_t more) __attribute__((always_inline)) { work(begin + more); });
    for (; begin < end; ++begin) work(begin);
  }
  void lower(const Pack<W>* in, Pack<W>* out, std::size_t count) noexcept {
    const Pack<W> start = start_, step = step_, one = broadcast<W>(1.0f);
    Pack<W> sum = in_sum_, frame = broadcast<W>(static_cast<float>(position_));
    least_ = lesser(least_, gain_at(position_));
    in_turn(
        0, count, [&](std::size_t i) __attribute__((always_inline)) {
          const Pack<W> x = in[i];
          sum += square_of(x);
          out[i] = x * (start + frame * step);
          frame += one;
        });
    in_sum_ = sum;
    least_ = lesser(least_, gain_at(position_ + static_cast<std::uint32_t>(count) - 1));  // least at one of its ends
  }
  void count_left(const Pack<W>* out, std::size_t count) noexcept {
    std::size_t done = 0;
    const auto add_up_to = [&](std::size_t stop) {
      Pack<W> sum = out_sum_;
      in_turn(
          done, stop, [&](std::size_t i) __attribute__((always_inline)) { sum += square_of(out[i]); });
      out_sum_ = sum;
      done = stop;
    };
    for (std::size_t k = 0; k < phases_; ++k) {
      if (phase_[k] <= position_ || phase_[k] > position_ + count) continue;
      add_up_to(phase_[k] - position_);
      const auto leaves = leaves_[k] > Pack<W>{};
      left_sum_ = select(leaves, out_sum_, left_sum_);
      out_sum_ = select(leaves, Pack<W>{}, out_sum_);
    }
    add_up_to(count);
  }
  /// What was put into `ring` as many cells ago as each lane is delayed, before `newest` takes the oldest's place.
  Pack<W> oldest(std::span<const Pack<W>> ring, Pack<W> newest) const noexcept {
    if constexpr (W == 1) {
      return delayed_ == 0 ? newest : ring[place_];
    } else {
      Pack<W> value = newest;
      for (std::size_t l = 0; l < W; ++l) {
        if (cells_[l] == 0) continue;
        const std::size_t at = place_ >= cells_[l] ? place_ - cells_[l] : place_ + delayed_ - cells_[l];
        value[l] = ring[at][l];
      }
      return value;
    }
  }
  /// A sum over a cell as its mean in units of T^2; nothing where it is too little to count.
  Pack<W> mean_of(Pack<W> sum) const noexcept {
    const Pack<W> mean = sum * broadcast<W>(1.0f / kGridFrames);
    return select(mean < broadcast<W>(kSilentSquare), Pack<W>{}, mean) * per_threshold_square_;  // a NaN stays one
  }
  void decide() noexcept {
    const Pack<W> zero{}, silent = broadcast<W>(kSilentSquare), one = broadcast<W>(1.0f);

    // The cell that has entered: what it may heat, and what it would at gain 1 if P alone held it. What is not finite,
    // or beyond all numbers, may heat as much as its ceiling lets it: the comparison is false.
    const Pack<W> most_gain = greater(start_, goal_), gain = broadcast<W>(0.5f) * (start_ + goal_);
    const Pack<W> asked = heats_ * mean_of(in_sum_) * (most_gain * most_gain);
    const Pack<W> by_budget = forget_ * budget_, by_peak = forget_ * peak_square_;
    const Pack<W> may_heat = select(asked < by_budget, asked, by_budget);
    const Pack<W> counted = select(may_heat < silent, zero, may_heat);
    const Pack<W> per_level = one / (gain * gain);
    const Pack<W> came = select(asked < by_peak, asked, by_peak) * per_heats_ * per_level;

    // The cell that has left since: what was counted in excess.
    const Pack<W> bounded_too = select(budget_ < peak_square_, zero, per_level);
    const Pack<W> old_counted = oldest(counted_, counted), old_per_level = oldest(per_level_, bounded_too);
    if (delayed_ > 0) {
      counted_[place_] = counted;
      per_level_[place_] = bounded_too;
      place_ = place_ + 1 == delayed_ ? 0 : place_ + 1;
    }
    const Pack<W> heated = lesser(heats_ * mean_of(left_sum_), old_counted);
    const Pack<W> excess = stays_ * (old_counted - select(heated < silent, zero, heated));

    const Pack<W> change = ((counted - excess) - forget_ * heat_) + carry_;
    const Pack<W> moved = heat_ + change;
    const Pack<W> rest = change - (moved - heat_);
    carry_ = select((moved >= silent) & (magnitude<W>(rest) >= broadcast<W>(kSilentCarry)), rest, zero);
    heat_ = select(moved >= silent, moved, zero);

    const Pack<W> pole = select((heat_ > set_) & (came > level_), rise_, forget_);
    const Pack<W> level = level_ + (pole * (came - level_) - forget_ * per_heats_ * (excess * old_per_level));
    level_ = select(level >= silent, level, zero);

    const Pack<W> holding = lesser(set_ + slope_ * (set_ - heat_), lasting_);
    const Pack<W> allowed = greater(holding, broadcast<W>(kLeastAllowed));
    const Pack<W> wanted = lesser(root_of(allowed / greater(level_, allowed)), one);
    start_ = goal_;
    goal_ = select(level_ > allowed, wanted, one);
    goal_ = greater(greater(goal_, broadcast<W>(kSteepest) * start_), broadcast<W>(kLeastGain));
    step_ = (goal_ - start_) * broadcast<W>(1.0f / kGridFrames);
    in_sum_ = zero;
    position_ = 0;
    bound();
  }
  /// Of the next cell.
  void bound() noexcept {
    const Pack<W> spare = ((most_ - heat_) - carry_) + forget_ * heat_;
    budget_ = lesser(greater(spare * per_forget_, broadcast<W>(kLeastBudget)), peak_square_);
    ceiling_ = select(budget_ < peak_square_, threshold_ * root_of(budget_), ceiling_set_);
  }
  /// sqrt(x) for x from 1e-30 to 1e30 to about 2e-7, 0 for 0: a straight line through the logarithm, then Newton for
  /// the inverse root.
  static Pack<W> root_of(Pack<W> x) noexcept {
    Pack<W> y = std::bit_cast<Pack<W>>(broadcast_int<W>(0x5f375a86) - (std::bit_cast<PackInt<W>>(x) >> 1));
    const Pack<W> half = broadcast<W>(0.5f) * x, three_halves = broadcast<W>(1.5f);
    for (int i = 0; i < 3; ++i) y = y * (three_halves - half * y * y);  // 3.5e-2, then 1.8e-3, 4.7e-6, rounding
    return x * y;
  }

  // Settings, in units of the threshold's square where they are of heat.
  Pack<W> threshold_ = broadcast<W>(1.0f), threshold_square_{}, per_threshold_square_{};
  Pack<W> ceiling_set_ = broadcast<W>(kNever), peak_square_{};
  Pack<W> forget_ = broadcast<W>(kMostForget), per_forget_ = broadcast<W>(1.0f / kMostForget);
  Pack<W> heats_ = forget_, per_heats_ = per_forget_;  // F of the header, and its inverse
  Pack<W> stays_{};                                    // (1 - f)^J
  Pack<W> most_ = broadcast<W>(kMost), set_ = broadcast<W>(kSet), lasting_ = broadcast<W>(kLasting);
  Pack<W> slope_{}, rise_ = forget_;
  std::array<std::size_t, W> cells_{};  // J of each lane
  std::size_t delayed_ = 0;             // the greatest of them
  std::array<std::uint32_t, W> phase_of_{}, phase_{};
  std::array<Pack<W>, W> leaves_{};
  std::size_t phases_ = 0;

  std::span<Pack<W>> counted_, per_level_;  // of the cells that are delayed; the oldest at place_
  std::size_t place_ = 0;
  Pack<W> in_sum_{}, out_sum_{}, left_sum_{};
  Pack<W> heat_{}, carry_{}, level_{};  // true heat: heat_ + carry_
  Pack<W> budget_{}, ceiling_{};
  Pack<W> start_ = broadcast<W>(1.0f), goal_ = start_, step_{}, least_ = start_;
  std::uint32_t position_ = 0;  // frames into the cell, below kGridFrames between calls
};

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
