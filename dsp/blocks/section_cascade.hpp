#pragma once
/// A cascade of second-order sections, W channels side by side, each lane with sections of its own.
/// Theorem  lane l of the output is lane l of the input through its sections in order (dsp/design/section.hpp), within
///          -125 dBFS of exact arithmetic from 44.1 to 192 kHz; the same bits for every W, every cut into blocks and
///          whatever the other lanes hold. With no section a lane passes bit for bit. Whatever comes in, behind a
///          point of the grid every number of a state is finite, and 0 or at least 2^-120; all are 0 where none is at
///          least -400 dBFS.
/// Method   the incremental form with compensated integrators: each is held as its last sum and the increment that is
///          due; what rounding takes from their sum (Fast2Sum: T. J. Dekker, Numer. Math. 18, 1971) is part of the next
///          increment. The output takes the sums without it: it is half a step of single precision at most.
///          A recurrence of 10 to 16 cycles and 14 operations leaves most of a wide machine idle, so the lanes are
///          filled: the first sections of all channels, the second sections, and so on lie one row after another in the
///          lanes of as few stages as hold them (cascade/section_layout.hpp), and run as a wavefront, each row on an
///          earlier frame than the row before it (cascade/wavefront.hpp). A few stages go in one pass over the frames.
/// Cost     14 operations a stage and sample. Latency 0 samples: the wavefront fills and drains within each run, and
///          there a stage works only while one of its rows has a frame. A run ends at a point of the grid; that of one
///          or two channels goes over several. Memory lent by the caller, one Stage a stage.
#include <algorithm>
#include <array>
#include <cstddef>
#include <cstdint>
#include <span>
#include <type_traits>
#include <utility>

#include "dsp/blocks/cascade/section_layout.hpp"
#include "dsp/blocks/cascade/signals.hpp"
#include "dsp/blocks/cascade/wavefront.hpp"
#include "dsp/design/section.hpp"
#include "dsp/grid.hpp"
#include "dsp/pack.hpp"
namespace rackproof::dsp::inline RACKPROOF_LEVEL {

/// A section in every lane: coefficients, and of each of the two integrators its sum and the increment that is due.
template <int W>
struct SectionStage {
  /// \cond
  using Lanes = Pack<W>;
  static constexpr float kRunaway = 1e30f;
  /// Less than 2^-53 of -400 dBFS, so of no use to a state that is in use; 64 times the least normal number.
  static constexpr float kFaint = 0x1p-120f;

  Lanes mix_v, mix_1, mix_2, rate, damp, cross;
  Lanes s1, s2, up_1, up_2;

  RACKPROOF_INLINE Lanes step(Lanes x) noexcept {
    const Lanes sum_1 = s1 + up_1;
    const Lanes sum_2 = s2 + up_2;
    const Lanes v = x - sum_2;
    const Lanes y = fma(mix_v, v, fma(mix_1, sum_1, mix_2 * sum_2));
    // up - (sum - s) is what rounding has taken. In this order an integrator waits for four operations, not five.
    up_1 = fma(rate, v, fma(-damp, sum_1, up_1) - (sum_1 - s1));
    up_2 = fma(cross, v, fma(rate, sum_1, up_2) - (sum_2 - s2));
    s1 = sum_1;
    s2 = sum_2;
    return y;
  }
  /// On the grid: a state below -400 dBFS is silence; one that is not finite, or on its way there, starts anew. What is
  /// faint goes by itself: under a constant input one integrator holds it and the other falls for ever.
  RACKPROOF_INLINE void settle() noexcept { settle_but(decltype(s1 < s1){}); }
  /// In these lanes alone.
  template <class M>
  RACKPROOF_INLINE void settle(M lanes) noexcept {
    settle_but(~lanes);
  }
  template <class M>
  RACKPROOF_INLINE void settle_but(M others) noexcept {  // by the bits: that is decided sooner
    const PackInt<W> largest =
        greater(greater(size_bits<W>(s1), size_bits<W>(s2)), greater(size_bits<W>(up_1), size_bits<W>(up_2)));
    const PackInt<W> quiet = size_bits<W>(broadcast<W>(kQuiet));
    const PackInt<W> runaway = size_bits<W>(broadcast<W>(kRunaway));
    const PackInt<W> faint = size_bits<W>(broadcast<W>(kFaint));
    const auto in_use = (largest >= quiet) & (largest < runaway);
    const auto settled = [&](Lanes x) __attribute__((always_inline)) {
      return select((in_use & (size_bits<W>(x) >= faint)) | others, x, Lanes{});
    };
    s1 = settled(s1);
    s2 = settled(s2);
    up_1 = settled(up_1);
    up_2 = settled(up_2);
  }
  /// The state of `from` in these lanes.
  template <class M>
  RACKPROOF_INLINE void set_state(M lanes, const SectionStage& from) noexcept {
    s1 = select(lanes, from.s1, s1);
    s2 = select(lanes, from.s2, s2);
    up_1 = select(lanes, from.up_1, up_1);
    up_2 = select(lanes, from.up_2, up_2);
  }
  RACKPROOF_INLINE void set_state(const SectionStage& from) noexcept {
    s1 = from.s1;
    s2 = from.s2;
    up_1 = from.up_1;
    up_2 = from.up_2;
  }
  void rest() noexcept { s1 = s2 = up_1 = up_2 = Lanes{}; }
  void set_section(int l, const Section& s) noexcept {
    set_lane<W>(mix_v, l, s.mix_v);
    set_lane<W>(mix_1, l, s.mix_1);
    set_lane<W>(mix_2, l, s.mix_2);
    set_lane<W>(rate, l, s.rate);
    set_lane<W>(damp, l, s.damp);
    set_lane<W>(cross, l, s.cross);
  }
  /// \endcond
};

/// Sections in a row, W channels side by side: the theorem stands at the head of the file.
template <int W>
class SectionCascade {
 public:
  using Lanes = Pack<W>;                            ///< one frame of all channels
  using Stage = SectionStage<W>;                    ///< what is lent to `configure`
  static constexpr std::size_t kMaxSections = 256;  ///< of a channel

  SectionCascade() = default;  ///< no sections: passes its input
  SectionCascade(const SectionCascade&) = delete;
  SectionCascade& operator=(const SectionCascade&) = delete;

  /// Stages needed for lanes with so many sections each.
  static constexpr std::size_t required_stages(std::span<const std::size_t> sections_of_lane) noexcept {
    return Layout::of(sections_of_lane).stages();
  }
  /// `section(lane, k)` gives section k of a lane, for k < sections_of_lane[lane]. Short lanes are padded with the
  /// identity. Refuses more than W lanes and more than kMaxSections sections as out_of_range, less memory than
  /// `required_stages` as memory_too_small; then the block stays as it was. Coefficients are not looked at: see
  /// is_stable of dsp/design/section.hpp. Touches all the memory: not between two audio blocks.
  template <class SectionOf>
  [[nodiscard]] Setup configure(std::span<const std::size_t> sections_of_lane, SectionOf&& section,
                                std::span<Stage> memory) noexcept {
    if (sections_of_lane.size() > std::size_t{W}) return Setup::out_of_range;
    const Layout layout = Layout::of(sections_of_lane);
    if (layout.rows() > kMaxSections) return Setup::out_of_range;
    if (memory.size() < layout.stages()) return Setup::memory_too_small;
    stages_ = memory.first(layout.stages());
    layout_ = layout;
    silence_ = Lanes{};
    for (std::size_t l = 0; l < sections_of_lane.size(); ++l)
      if (sections_of_lane[l] > 0) set_lane<W>(silence_, static_cast<int>(l), kSilence);
    for (std::size_t k = 0; k < stages_.size(); ++k)
      for (std::size_t l = 0; l < W; ++l) {
        const auto [row, channel] = layout.place(k, l);
        const bool padding = channel >= sections_of_lane.size() || row >= sections_of_lane[channel];
        stages_[k].set_section(static_cast<int>(l), padding ? Section{} : section(channel, row));
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
  void go_on_from_another() noexcept { silence_ = Lanes{}; }
  /// Back to just configured: every state at rest. Touches all the memory.
  void reset() noexcept {
    for (Stage& stage : stages_) stage.rest();
    to_grid_ = kGridFrames;
  }
  /// In use.
  std::size_t stages() const noexcept { return stages_.size(); }

  /// In place, channel c in lane c; what stands in lanes without a channel afterwards is unspecified. Every value must
  /// be finite and at most kMagnitudeBound in magnitude, as the chain sees to; one that is not may make the output not
  /// finite up to the next point of the grid.
  void process(std::span<Lanes> frames) noexcept { process_all(PackedSignals<W>{frames.data()}, frames.size()); }

  /// Whether the channels are so few that their rows need not be turned into frames.
  bool takes_rows() const noexcept { return layout_.stride < W && layout_.stride <= RowSignals<W>::kMostRows; }
  /// Only where `takes_rows`: one row a channel, `count` samples each. `to` may be `from`; but for that, rows may not
  /// overlap. Values as for `process`.
  void process_rows(std::span<const float* const> from, std::span<float* const> to, std::size_t count) noexcept {
    if constexpr (W > 1) process_all(RowSignals<W>(from, to), count);
  }

 private:
  using Layout = SectionLayout<W>;
  static_assert(kMaxSections <= Layout::kNowhere);

  /// -578 dBFS: an input below it counts as silence, so that no product gets subnormal.
  static constexpr float kSilence = 0x1p-96f;

  template <class Signals>
  void process_all(Signals signals, std::size_t frames) noexcept {
    using Strides =
        std::conditional_t<std::is_same_v<Signals, RowSignals<W>>, std::index_sequence<1, 2>, typename Layout::Strides>;
    if (stages_.empty()) return;
    while (frames > 0) {
      const std::size_t count = next_run<Signals>(frames);
      dispatch(Strides{}, layout_.stride, [&](auto stride) { pass_all<stride>(signals, count); });
      signals.advance(count);
      frames -= count;
      if (count < to_grid_) {
        to_grid_ -= static_cast<std::uint32_t>(count);
      } else {
        for (Stage& stage : stages_) stage.settle();
        to_grid_ = kGridFrames;
      }
    }
  }
  /// To the next point of the grid at most. A wavefront of rows that is at one goes over several cells, so that it
  /// seldom fills and drains, and settles its rows on the way.
  template <class Signals>
  std::size_t next_run(std::size_t frames) const noexcept {
    if constexpr (Signals::kOverCells) {
      const std::size_t cells = std::min<std::size_t>(frames, kRunFrames) / kGridFrames;
      if (cells > 1 && to_grid_ == kGridFrames && layout_.settles_on_its_way()) return cells * kGridFrames;
    }
    return std::min<std::size_t>(frames, to_grid_);
  }
  template <std::size_t Stride, class Signals>
  void pass_all(Signals signals, std::size_t count) noexcept {
    constexpr std::size_t kRows = Layout::most_rows(Stride);
    constexpr std::size_t kStages = Layout::stages_of(Stride, kRows);
    Stage* stage = stages_.data();
    Lanes silence = silence_;
    for (std::size_t k = 0; k < layout_.full; ++k) {
      pass<Stride, kStages>(stage, kRows, silence, signals, count);
      stage += kStages;
      silence = Lanes{};
      signals.read_own_output();
    }
    dispatch(std::make_index_sequence<kStages + 1>{}, layout_.last_stages, [&](auto stages) {
      if constexpr (stages > 0) pass<Stride, stages>(stage, layout_.last_rows, silence, signals, count);
    });
  }
  /// N stages over the frames.
  template <std::size_t Stride, std::size_t N, class Signals>
  static void pass(Stage* stages, std::size_t rows, Lanes silence, const Signals& signals, std::size_t count) noexcept {
    if constexpr (Stride < W) {
      Wavefront<Stage, W, Stride, N>::run(stages, rows, silence, signals, count);
    } else {
      if constexpr (W == 1)  // to ask a sample in vain would be a seventh of the work or more
        if (silence == 0) return row_a_stage<N>(stages, signals, count, [](float x) { return x; });
      row_a_stage<N>(stages, signals, count, [silence](Lanes x) { return silenced<W>(x, silence); });
    }
  }
  /// N stages of a row each.
  template <std::size_t N, class Signals, class Enter>
  static void row_a_stage(Stage* stages, const Signals& signals, std::size_t count, Enter&& enter) noexcept {
    std::array<Stage, N> s;
    for (std::size_t k = 0; k < N; ++k) s[k] = stages[k];
    const auto pass_one = [&](std::size_t n) __attribute__((always_inline)) {
      Lanes x = enter(signals.template read<W>(n));
      unrolled<N>([&](std::size_t k) __attribute__((always_inline)) { x = s[k].step(x); });
      signals.template write<W>(n, x);
    };
    constexpr std::size_t kAtOnce = W == 1 ? 2 : 1;  // of two, no state need be moved to where the next frame looks
    for (std::size_t n = 0; n + kAtOnce <= count; n += kAtOnce)
      unrolled<kAtOnce>([&](std::size_t i) __attribute__((always_inline)) { pass_one(n + i); });
    if (count % kAtOnce > 0) pass_one(count - 1);
    for (std::size_t k = 0; k < N; ++k) stages[k].set_state(s[k]);
  }

  std::span<Stage> stages_;
  Layout layout_{};
  Lanes silence_{};  ///< below this an input is silence: 0 in a lane without sections, which passes all
  std::uint32_t to_grid_ = kGridFrames;
};

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
