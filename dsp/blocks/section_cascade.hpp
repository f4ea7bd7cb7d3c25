#pragma once
/// A cascade of second-order sections, W channels side by side, each lane with sections of its own.
/// Theorem  lane l of the output is lane l of the input through its sections in order (dsp/design/section.hpp), within
///          -125 dBFS of exact arithmetic from 44.1 to 192 kHz; the same bits for every W, every cut into blocks and
///          whatever the other lanes hold. With no section a lane passes bit for bit. No input makes a state that is
///          not finite last past the next point of the grid, and none leaves a subnormal in it.
/// Method   the incremental form with compensated integrators: what rounding takes from an integrator's sum is kept
///          (Fast2Sum: T. J. Dekker, Numer. Math. 18, 1971) and added to the next increment.
/// Cost     16 operations a section and sample in 12 cycles of latency, so kTogether sections run in one pass over the
///          frames with their states in registers. Latency 0 samples. Memory lent by the caller, one Stage a section.
#include <algorithm>
#include <array>
#include <cstddef>
#include <cstdint>
#include <span>
#include <utility>

#include "dsp/design/section.hpp"
#include "dsp/grid.hpp"
#include "dsp/pack.hpp"
namespace rackproof::dsp::inline RACKPROOF_LEVEL {

template <int W>
class SectionCascade {
 public:
  using Lanes = Pack<W>;
  static constexpr std::size_t kMaxSections = 256;

  /// One section in every lane: coefficients, the two integrators, and what rounding has kept from each.
  struct Stage {
    Lanes mix_v, mix_1, mix_2, rate, damp, cross;
    Lanes s1, s2, kept_1, kept_2;
  };

  SectionCascade() = default;  ///< no sections: passes its input
  SectionCascade(const SectionCascade&) = delete;
  SectionCascade& operator=(const SectionCascade&) = delete;

  /// Stages needed: those of the longest lane.
  static constexpr std::size_t required_stages(std::span<const std::size_t> sections_of_lane) noexcept {
    std::size_t longest = 0;
    for (const std::size_t count : sections_of_lane) longest = std::max(longest, count);
    return longest;
  }
  /// `section(lane, k)` gives section k of a lane, for k < sections_of_lane[lane]; at most W lanes. Short lanes are
  /// padded with the identity. Refused, the block stays as it was.
  template <class SectionOf>
  [[nodiscard]] Setup configure(std::span<const std::size_t> sections_of_lane, SectionOf&& section,
                                std::span<Stage> memory) noexcept {
    const std::size_t stages = required_stages(sections_of_lane);
    if (sections_of_lane.size() > std::size_t{W} || stages > kMaxSections) return Setup::out_of_range;
    if (memory.size() < stages) return Setup::memory_too_small;
    stages_ = memory.first(stages);
    door_ = Lanes{};
    for (std::size_t l = 0; l < sections_of_lane.size(); ++l)
      if (sections_of_lane[l] > 0) set_lane<W>(door_, static_cast<int>(l), kSilence);
    for (std::size_t k = 0; k < stages; ++k)
      for (int l = 0; l < W; ++l) {
        const auto in_use = static_cast<std::size_t>(l) < sections_of_lane.size();
        const bool padding = !in_use || k >= sections_of_lane[static_cast<std::size_t>(l)];
        const Section s = padding ? Section{} : section(static_cast<std::size_t>(l), k);
        Stage& stage = stages_[k];
        set_lane<W>(stage.mix_v, l, s.mix_v), set_lane<W>(stage.mix_1, l, s.mix_1);
        set_lane<W>(stage.mix_2, l, s.mix_2), set_lane<W>(stage.rate, l, s.rate);
        set_lane<W>(stage.damp, l, s.damp), set_lane<W>(stage.cross, l, s.cross);
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
  void reset() noexcept {
    for (Stage& s : stages_) s.s1 = s.s2 = s.kept_1 = s.kept_2 = Lanes{};
    to_grid_ = kGridFrames;
  }
  std::size_t stages() const noexcept { return stages_.size(); }

  /// In place. Every value finite; the chain sees to that.
  void process(std::span<Lanes> frames) noexcept {
    if (stages_.empty()) return;
    while (!frames.empty()) {
      const std::size_t count = std::min<std::size_t>(frames.size(), to_grid_);
      run(frames.first(count));
      frames = frames.subspan(count);
      to_grid_ -= static_cast<std::uint32_t>(count);
      if (to_grid_ == 0) to_grid_ = kGridFrames, settle();
    }
  }

 private:
  /// -578 dBFS: an input below it counts as silence, so that no product gets subnormal.
  static constexpr float kSilence = 0x1p-96f;
  static constexpr float kRunaway = 1e30f;
  static constexpr std::size_t kTogether = W == 16 ? 4 : 2;

  void run(std::span<Lanes> frames) noexcept {
    for (Lanes& x : frames) x = select(magnitude<W>(x) < door_, Lanes{}, x);
    std::size_t k = 0;
    for (; k + kTogether <= stages_.size(); k += kTogether) pass<kTogether>(&stages_[k], frames);
    for (; k < stages_.size(); ++k) pass<1>(&stages_[k], frames);
  }
  template <std::size_t N>
  static void pass(Stage* stages, std::span<Lanes> frames) noexcept {
    std::array<Stage, N> s;
    for (std::size_t k = 0; k < N; ++k) s[k] = stages[k];
    for (Lanes& frame : frames) {
      Lanes x = frame;
      [&]<std::size_t... K>(std::index_sequence<K...>) { ((x = step(s[K], x)), ...); }
      (std::make_index_sequence<N>{});
      frame = x;
    }
    for (std::size_t k = 0; k < N; ++k) {
      stages[k].s1 = s[k].s1, stages[k].s2 = s[k].s2;
      stages[k].kept_1 = s[k].kept_1, stages[k].kept_2 = s[k].kept_2;
    }
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
  Lanes door_{};  ///< below this an input is silence: 0 in a lane without sections, which passes all
  std::uint32_t to_grid_ = kGridFrames;
};

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
