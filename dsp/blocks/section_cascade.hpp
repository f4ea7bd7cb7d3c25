#pragma once
/// A cascade of second-order sections, W channels side by side, each lane with sections of its own.
/// Theorem  lane l of the output is lane l of the input through its sections in order (dsp/design/section.hpp), within
///          -125 dBFS of exact arithmetic from 44.1 to 192 kHz; the same bits for every W, every cut into blocks and
///          whatever the other lanes hold. With no section a lane passes bit for bit. No input makes a state that is
///          not finite last past the next point of the grid, and none leaves a subnormal in it.
/// Method   the incremental form with compensated integrators: what rounding takes from an integrator's sum is kept
///          (Fast2Sum: T. J. Dekker, Numer. Math. 18, 1971) and added to the next increment.
///          A recurrence of 14 cycles and 16 operations leaves most of a wide machine idle, so the lanes are filled:
///          the first sections of all channels, the second sections, and so on lie one row after another in the lanes
///          of as few stages as hold them, and run as a wavefront, each row on an earlier frame than the row before it:
///          what a row gives is moved on by the length of a row to the next one, across the stages. Up to kTogether
///          stages go in one pass over the frames.
/// Cost     16 operations a stage and sample. Latency 0 samples: the wavefront fills and drains within each call, and
///          there a stage works only while one of its rows has a frame. Memory lent by the caller, one Stage a stage.
#include <algorithm>
#include <array>
#include <cstddef>
#include <cstdint>
#include <span>
#include <type_traits>
#include <utility>

#include "dsp/design/section.hpp"
#include "dsp/grid.hpp"
#include "dsp/pack.hpp"
namespace rackproof::dsp::inline RACKPROOF_LEVEL {

/// Sections in a row, W channels side by side: the theorem stands at the head of the file.
template <int W>
class SectionCascade {
 public:
  using Lanes = Pack<W>;                            ///< one frame of all channels
  static constexpr std::size_t kMaxSections = 256;  ///< of a channel

  /// A section in every lane: coefficients, the two integrators, and what rounding has kept from each.
  struct Stage {
    /// \cond
    Lanes mix_v, mix_1, mix_2, rate, damp, cross;
    Lanes s1, s2, kept_1, kept_2;
    /// \endcond
  };

  SectionCascade() = default;  ///< no sections: passes its input
  SectionCascade(const SectionCascade&) = delete;
  SectionCascade& operator=(const SectionCascade&) = delete;

  /// Stages needed for lanes with so many sections each.
  static constexpr std::size_t required_stages(std::span<const std::size_t> sections_of_lane) noexcept {
    return layout_for(sections_of_lane).stages();
  }
  /// `section(lane, k)` gives section k of a lane, for k < sections_of_lane[lane]; at most W lanes. Short lanes are
  /// padded with the identity. Refused, the block stays as it was.
  template <class SectionOf>
  [[nodiscard]] Setup configure(std::span<const std::size_t> sections_of_lane, SectionOf&& section,
                                std::span<Stage> memory) noexcept {
    if (sections_of_lane.size() > std::size_t{W}) return Setup::out_of_range;
    const Layout layout = layout_for(sections_of_lane);
    if (layout.rows() > kMaxSections) return Setup::out_of_range;
    if (memory.size() < layout.stages()) return Setup::memory_too_small;
    stages_ = memory.first(layout.stages()), layout_ = layout;
    door_ = Lanes{};
    for (std::size_t l = 0; l < sections_of_lane.size(); ++l)
      if (sections_of_lane[l] > 0) set_lane<W>(door_, static_cast<int>(l), kSilence);
    for (std::size_t k = 0; k < stages_.size(); ++k)
      for (std::size_t l = 0; l < W; ++l) {
        const auto [row, channel] = layout.place(k, l);
        const bool padding = channel >= sections_of_lane.size() || row >= sections_of_lane[channel];
        set_section(stages_[k], static_cast<int>(l), padding ? Section{} : section(channel, row));
      }
    reset();
    return Setup::ok;
  }
  /// One channel, the plain case.
  [[nodiscard]] Setup configure(std::span<const Section> sections, std::span<Stage> memory) noexcept {
    const std::size_t count = sections.size();
    return configure(
        {&count, 1}, [&](std::size_t, std::size_t k) { return sections[k]; }, memory);
  }
  /// After `configure`: as the rest of a cascade whose first part is elsewhere. What is so quiet that it counts as
  /// silence counts so at the first part's input alone: then the bits are those of the whole in one piece.
  void go_on_from_another() noexcept { door_ = Lanes{}; }
  /// Back to just configured: every state at rest. Touches all the memory.
  void reset() noexcept {
    for (Stage& s : stages_) s.s1 = s.s2 = s.kept_1 = s.kept_2 = Lanes{};
    to_grid_ = kGridFrames;
  }
  /// In use.
  std::size_t stages() const noexcept { return stages_.size(); }

  /// In place, channel c in lane c; what stands in lanes without a channel afterwards is nothing. Every value finite;
  /// the chain sees to that.
  void process(std::span<Lanes> frames) noexcept { in_cells(Frames{frames.data()}, frames.size()); }

  /// Whether the channels are so few that their rows need not be turned into frames.
  bool takes_rows() const noexcept { return layout_.stride < W && layout_.stride <= kMostRows; }
  /// Only where `takes_rows`: one row a channel, `count` samples each; `to` may be `from`.
  void process_rows(std::span<const float* const> from, std::span<float* const> to, std::size_t count) noexcept {
    Rows rows{};
    for (std::size_t c = 0; c < kMostRows; ++c) {  // a missing row is another one once more
      const std::size_t row = std::min(c, to.size() - 1);
      rows.from[c] = from[row], rows.to[c] = to[row];
    }
    if constexpr (W > 1) in_cells(rows, count);
  }

 private:
  /// -578 dBFS: an input below it counts as silence, so that no product gets subnormal.
  static constexpr float kSilence = 0x1p-96f;
  static constexpr float kRunaway = 1e30f;
  static constexpr std::size_t kTogether = W == 1 ? 2 : W == 16 ? 5 : 3, kMostRows = 2;

  /// Where a pass takes its frames from and puts them: packs ...
  struct Frames {
    Lanes* frames;
    template <std::size_t Stride>
    RACKPROOF_INLINE Lanes read(std::size_t n) const noexcept {
      return frames[n];
    }
    template <std::size_t Stride>
    RACKPROOF_INLINE void write(std::size_t n, Lanes y) const noexcept {
      frames[n] = y;
    }
    void advance(std::size_t count) noexcept { frames += count; }
    void go_on() noexcept {}
  };
  /// ... or the rows of a few channels: the first ones, as many as the stride says.
  struct Rows {
    const float* from[kMostRows];
    float* to[kMostRows];
    template <std::size_t Stride>
    RACKPROOF_INLINE Lanes read(std::size_t n) const noexcept {
      Lanes x{};
      for (std::size_t c = 0; c < Stride; ++c) set_lane<W>(x, static_cast<int>(c), from[c][n]);
      return x;
    }
    template <std::size_t Stride>
    RACKPROOF_INLINE void write(std::size_t n, Lanes y) const noexcept {
      for (std::size_t c = Stride; c-- > 0;) to[c][n] = lane<W>(y, static_cast<int>(c));
    }
    void advance(std::size_t count) noexcept {
      for (std::size_t c = 0; c < kMostRows; ++c) from[c] += count, to[c] += count;
    }
    void go_on() noexcept { std::copy_n(to, kMostRows, from); }  ///< the next pass
  };

  /// How rows of `stride` lanes, one a section of every channel, lie in stages, and these in passes: `full` passes of
  /// full_stages, and a last one of last_stages. No row of a pass stands in two passes, and the last one of each stands
  /// in one stage. A stride of W is a row a stage: no wavefront.
  struct Layout {
    std::size_t stride = W, full = 0, full_rows = 0, full_stages = 0, last_rows = 0, last_stages = 0;

    constexpr std::size_t rows() const noexcept { return full * full_rows + last_rows; }
    constexpr std::size_t stages() const noexcept { return full * full_stages + last_stages; }
    /// Where a lane of a stage belongs; a row of kMaxSections: nowhere.
    struct Place {
      std::size_t row;      ///< which section
      std::size_t channel;  ///< of which channel
    };
    constexpr Place place(std::size_t stage, std::size_t l) const noexcept {
      const std::size_t pass = full_stages == 0 ? 0 : std::min(stage / full_stages, full);
      const std::size_t number = (stage - pass * full_stages) * W + l, row = number / stride;
      const bool beyond = row >= (pass < full ? full_rows : last_rows);
      return {beyond ? kMaxSections : pass * full_rows + row, number % stride};
    }
  };
  static constexpr bool in_one_stage(std::size_t stride, std::size_t row) noexcept {
    return row * stride % W + stride <= W;
  }
  static constexpr std::size_t stages_of(std::size_t stride, std::size_t rows) noexcept {
    return (rows * stride + W - 1) / W;
  }
  static constexpr std::size_t most_rows(std::size_t stride) noexcept {
    std::size_t rows = kTogether * W / stride;
    while (!in_one_stage(stride, rows - 1)) --rows;
    return rows;
  }
  static constexpr std::size_t next_stride(std::size_t stride) noexcept {
    if (W < 16) return 2 * stride;        // there moving on by three or six lanes takes more than it saves
    return stride < 12 ? stride + 1 : W;  // longer rows save too few stages
  }
  /// The fewest stages; of as many, no wavefront, or the shortest rows.
  static constexpr Layout layout_for(std::span<const std::size_t> sections_of_lane) noexcept {
    std::size_t longest = 0;
    for (const std::size_t count : sections_of_lane) longest = std::max(longest, count);
    Layout best = layout_with(W, longest);
    for (std::size_t stride = 1; stride < W; stride = next_stride(stride)) {
      const Layout layout = layout_with(stride, longest);
      if (stride >= sections_of_lane.size() && layout.stages() < best.stages()) best = layout;
    }
    return best;
  }
  static constexpr Layout layout_with(std::size_t stride, std::size_t longest) noexcept {
    const std::size_t full_rows = most_rows(stride), full = longest / full_rows;
    std::size_t last = longest % full_rows;
    while (last > 0 && !in_one_stage(stride, last - 1)) ++last;
    return {stride, full, full_rows, stages_of(stride, full_rows), last, stages_of(stride, last)};
  }
  static void set_section(Stage& stage, int l, const Section& s) noexcept {
    set_lane<W>(stage.mix_v, l, s.mix_v), set_lane<W>(stage.mix_1, l, s.mix_1);
    set_lane<W>(stage.mix_2, l, s.mix_2), set_lane<W>(stage.rate, l, s.rate);
    set_lane<W>(stage.damp, l, s.damp), set_lane<W>(stage.cross, l, s.cross);
  }

  template <class Signals>
  void in_cells(Signals signals, std::size_t frames) noexcept {
    if (stages_.empty()) return;
    while (frames > 0) {
      const std::size_t count = std::min<std::size_t>(frames, to_grid_);
      with_stride<1>(signals, count);
      signals.advance(count), frames -= count;
      to_grid_ -= static_cast<std::uint32_t>(count);
      if (to_grid_ == 0) to_grid_ = kGridFrames, settle();
    }
  }
  template <std::size_t Stride, class Signals>
  void with_stride(Signals signals, std::size_t count) noexcept {
    constexpr std::size_t kMost = std::is_same_v<Signals, Rows> ? kMostRows : W;
    if constexpr (next_stride(Stride) <= kMost)
      if (layout_.stride != Stride) return with_stride<next_stride(Stride)>(signals, count);
    constexpr std::size_t kRows = most_rows(Stride), kStages = stages_of(Stride, kRows);
    Stage* stage = stages_.data();
    Lanes door = door_;
    for (std::size_t k = 0; k < layout_.full; ++k, stage += kStages, door = Lanes{}, signals.go_on())
      pass<Stride, kStages>(stage, kRows, door, signals, count);
    if (layout_.last_stages > 0) last_pass<Stride, kStages>(stage, door, signals, count);
  }
  template <std::size_t Stride, std::size_t N, class Signals>
  void last_pass(Stage* stages, Lanes door, const Signals& signals, std::size_t count) const noexcept {
    if constexpr (N > 1)
      if (layout_.last_stages < N) return last_pass<Stride, N - 1>(stages, door, signals, count);
    pass<Stride, N>(stages, layout_.last_rows, door, signals, count);
  }
  /// N stages over the frames.
  template <std::size_t Stride, std::size_t N, class Signals>
  static void pass(Stage* stages, std::size_t rows, Lanes door, const Signals& signals, std::size_t count) noexcept {
    std::array<Stage, N> s;
    for (std::size_t k = 0; k < N; ++k) s[k] = stages[k];
    if constexpr (Stride < W) {
      constexpr std::size_t kPace = N <= 2 ? 2 : 1;  // of few stages each waits for the step before, not for its turn
      return wavefront<Stride, N, kPace>(stages, s, rows, door, signals, count);
    } else {
      for (std::size_t n = 0; n < count; ++n) {
        Lanes x = silenced(signals.template read<Stride>(n), door);
        unrolled<N>([&](std::size_t k) __attribute__((always_inline)) { x = step(s[k], x); });
        signals.template write<Stride>(n, x);
      }
      for (std::size_t k = 0; k < N; ++k) {
        stages[k].s1 = s[k].s1, stages[k].s2 = s[k].s2;
        stages[k].kept_1 = s[k].kept_1, stages[k].kept_2 = s[k].kept_2;
      }
    }
  }
  /// Row r is kPace r steps behind row 0: in step t it works on frame t - kPace r, on what row r - 1 gave kPace steps
  /// before. What a row without a frame does then is of no consequence: its state is taken from `stages` before its
  /// first frame, and put there after its last one.
  template <std::size_t Stride, std::size_t N, std::size_t kPace, class Signals>
  RACKPROOF_INLINE static void wavefront(Stage* stages, std::array<Stage, N>& s, std::size_t rows, Lanes door,
                                         const Signals& signals, std::size_t count) noexcept {
    const std::size_t lag = kPace * (rows - 1);
    const PackInt<W> exit = exit_of<Stride>(rows);
    std::array<Lanes, N> y{}, earlier{};  // what the stages gave, in the last step and in the one before
    std::size_t t = 0;
    const auto steps = [&]<bool kFirst, bool kLast>(std::size_t stop) __attribute__((always_inline)) {
      for (; t < stop; ++t) {
        if constexpr (kFirst)
          unrolled<N>([&](std::size_t k) __attribute__((always_inline)) {
            if (has_row<Stride, kPace>(k, t))
              set_state(s[k], behind<Stride, kPace>(k) == broadcast_int<W>(static_cast<std::int32_t>(t)), stages[k]);
          });
        const Lanes x = !kLast || t < count ? silenced(signals.template read<Stride>(t), door) : Lanes{};
        unrolled<N>([&](std::size_t i) __attribute__((always_inline)) {
          const std::size_t k = N - 1 - i;  // from the last to the first: each takes what was there before this step
          const std::array<Lanes, N>& from = kPace == 1 ? y : earlier;
          const Lanes in = k == 0 ? carry_on<Stride, true>(x, from[0]) : carry_on<Stride, false>(from[k - 1], from[k]);
          earlier[k] = y[k];
          if constexpr ((kFirst || kLast) && N > 2)  // none of its rows has a frame; of two stages none waits for that
            if (t < kPace * (k * W / Stride) || t >= count + kPace * ((k * W + W - 1) / Stride)) return;
          y[k] = step(s[k], in);
        });
        if (!kFirst || t >= lag) signals.template write<Stride>(t - lag, permuted<W>(y[N - 1], exit));
        if constexpr (kLast)
          unrolled<N>([&](std::size_t k) __attribute__((always_inline)) {
            if (has_row<Stride, kPace>(k, t + 1 - count))
              set_state(stages[k],
                        behind<Stride, kPace>(k) == broadcast_int<W>(static_cast<std::int32_t>(t + 1 - count)), s[k]);
          });
      }
    };
    const std::size_t begun = lag + 1, ending = count - 1;
    steps.template operator()<true, false>(std::min(begun, ending));
    if (begun < ending)
      steps.template operator()<false, false>(ending);
    else
      steps.template operator()<true, true>(begun);
    steps.template operator()<false, true>(count + lag);
  }
  /// The state of `to` is that of `from` in the lanes where `mask` holds.
  template <class M>
  RACKPROOF_INLINE static void set_state(Stage& to, M mask, const Stage& from) noexcept {
    to.s1 = select(mask, from.s1, to.s1), to.s2 = select(mask, from.s2, to.s2);
    to.kept_1 = select(mask, from.kept_1, to.kept_1), to.kept_2 = select(mask, from.kept_2, to.kept_2);
  }
  RACKPROOF_INLINE static Lanes silenced(Lanes x, Lanes door) noexcept {
    return select(magnitude<W>(x) < door, Lanes{}, x);
  }
  template <std::size_t Stride, std::size_t kPace>
  static constexpr bool has_row(std::size_t k, std::size_t steps_behind) noexcept {
    return steps_behind % kPace == 0 && steps_behind >= kPace * (k * W / Stride) &&
           steps_behind <= kPace * ((k * W + W - 1) / Stride);
  }
  /// How many steps the lanes of stage k are behind row 0.
  template <std::size_t Stride, std::size_t kPace>
  static constexpr PackInt<W> behind(std::size_t k) noexcept {
    PackInt<W> result{};
    for (std::size_t l = 0; l < W; ++l) result[l] = static_cast<std::int32_t>(kPace * ((k * W + l) / Stride));
    return result;
  }
  /// Which lane of the last stage gives each channel.
  template <std::size_t Stride>
  static PackInt<W> exit_of(std::size_t rows) noexcept {
    PackInt<W> result{};
    for (std::size_t l = 0; l < Stride; ++l) result[l] = static_cast<std::int32_t>((rows - 1) * Stride % W + l);
    return result;
  }
  /// `y` moved on to the next row: by `Stride` lanes. Into the first ones come those of the first channels of `from`
  /// (where `low`), or its last ones.
  template <std::size_t Stride, bool low>
  RACKPROOF_INLINE static Lanes carry_on(Lanes from, Lanes y) noexcept {
    return [&]<std::size_t... L>(std::index_sequence<L...>) {
      return shuffled<(L < Stride ? (low ? L : W - Stride + L) : W + L - Stride)...>(from, y);
    }
    (std::make_index_sequence<W>{});
  }
  RACKPROOF_INLINE static Lanes step(Stage& s, Lanes x) noexcept {
    const Lanes v = (x - s.s2) - s.kept_2;
    const Lanes y = fma(s.mix_v, v, fma(s.mix_1, s.s1, fma(s.mix_2, s.s2, s.mix_2 * s.kept_2)));
    const Lanes up_1 = fma(s.rate, v, fma(-s.damp, s.s1, s.kept_1));
    const Lanes up_2 = fma(s.cross, v, fma(s.rate, s.s1, s.kept_2));
    const Lanes s1 = s.s1 + up_1, s2 = s.s2 + up_2;
    s.kept_1 = up_1 - (s1 - s.s1), s.kept_2 = up_2 - (s2 - s.s2);
    s.s1 = s1, s.s2 = s2;
    return y;
  }
  /// On the grid: a state below -400 dBFS is silence; one that is not finite, or on its way there, starts anew.
  void settle() noexcept {
    const Lanes quiet = broadcast<W>(kQuiet), runaway = broadcast<W>(kRunaway);
    for (Stage& s : stages_) {
      const Lanes m1 = magnitude<W>(s.s1), m2 = magnitude<W>(s.s2);
      const auto keep = ((m1 >= quiet) | (m2 >= quiet)) & (m1 < runaway) & (m2 < runaway);
      s.s1 = select(keep, s.s1, Lanes{}), s.s2 = select(keep, s.s2, Lanes{});
      s.kept_1 = select(keep, s.kept_1, Lanes{}), s.kept_2 = select(keep, s.kept_2, Lanes{});
    }
  }

  std::span<Stage> stages_;
  Layout layout_{};
  Lanes door_{};  ///< below this an input is silence: 0 in a lane without sections, which passes all
  std::uint32_t to_grid_ = kGridFrames;
};

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
