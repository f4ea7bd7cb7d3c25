#pragma once
/// A cascade of second-order sections, W channels side by side, each lane with sections of its own.
/// Theorem  lane l of the output is lane l of the input through its sections in order (dsp/design/section.hpp), within
///          -125 dBFS of exact arithmetic from 44.1 to 192 kHz; the same bits for every W, every cut into blocks and
///          whatever the other lanes hold. With no section a lane passes bit for bit. No input makes a state that is
///          not finite last past the next point of the grid, and none leaves a subnormal in it.
/// Method   the incremental form with compensated integrators: what rounding takes from an integrator's sum is kept
///          (Fast2Sum: T. J. Dekker, Numer. Math. 18, 1971) and added to the next increment.
///          A recurrence of 14 cycles and 16 operations leaves most of a wide machine idle, so the lanes are filled:
///          with C channels in W lanes (C rounded up to a power of two) W / C sections of each run as a wavefront,
///          section k on the frame before section k - 1's, and up to kTogether such stages in one pass over the frames.
/// Cost     16 operations a stage and sample; a stage is W / C sections of every channel. Latency 0 samples: the
///          wavefront fills and drains within each call. Memory lent by the caller, one Stage a stage.
#include <algorithm>
#include <array>
#include <bit>
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

  /// A section in every lane: coefficients, the two integrators, and what rounding has kept from each. Lane j C + c
  /// holds section j of the stage for channel c.
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
    const std::size_t depth = depth_for(sections_of_lane.size());
    return (longest + depth - 1) / depth;
  }
  /// `section(lane, k)` gives section k of a lane, for k < sections_of_lane[lane]; at most W lanes. Short lanes are
  /// padded with the identity. Refused, the block stays as it was.
  template <class SectionOf>
  [[nodiscard]] Setup configure(std::span<const std::size_t> sections_of_lane, SectionOf&& section,
                                std::span<Stage> memory) noexcept {
    if (sections_of_lane.size() > std::size_t{W}) return Setup::out_of_range;
    const std::size_t stages = required_stages(sections_of_lane), depth = depth_for(sections_of_lane.size());
    if (stages * depth > kMaxSections) return Setup::out_of_range;
    if (memory.size() < stages) return Setup::memory_too_small;
    stages_ = memory.first(stages);
    depth_ = depth;
    door_ = Lanes{};
    for (std::size_t l = 0; l < sections_of_lane.size(); ++l)
      if (sections_of_lane[l] > 0) set_lane<W>(door_, static_cast<int>(l), kSilence);
    const std::size_t channels = W / depth;
    for (std::size_t k = 0; k < stages; ++k)
      for (std::size_t l = 0; l < W; ++l) {
        const std::size_t channel = l % channels, number = k * depth + l / channels;
        const bool padding = channel >= sections_of_lane.size() || number >= sections_of_lane[channel];
        set_section(stages_[k], static_cast<int>(l), padding ? Section{} : section(channel, number));
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

  /// In place, channel c in lane c; what stands in lanes without a channel afterwards is nothing. Every value finite;
  /// the chain sees to that.
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
  static constexpr std::size_t kTogether = W == 1 ? 2 : W == 16 ? 5 : 3;

  static constexpr std::size_t depth_for(std::size_t channels) noexcept {
    return channels == 0 ? 1 : W / std::bit_ceil(channels);
  }
  static void set_section(Stage& stage, int l, const Section& s) noexcept {
    set_lane<W>(stage.mix_v, l, s.mix_v), set_lane<W>(stage.mix_1, l, s.mix_1);
    set_lane<W>(stage.mix_2, l, s.mix_2), set_lane<W>(stage.rate, l, s.rate);
    set_lane<W>(stage.damp, l, s.damp), set_lane<W>(stage.cross, l, s.cross);
  }

  void run(std::span<Lanes> frames) noexcept {
    if constexpr (W > 1)  // in one lane the first pass does it on its way
      for (Lanes& x : frames) x = select(magnitude<W>(x) < door_, Lanes{}, x);
    with_depth<1>(frames);
  }
  template <std::size_t Depth>
  void with_depth(std::span<Lanes> frames) noexcept {
    if constexpr (Depth < W)
      if (depth_ != Depth) return with_depth<2 * Depth>(frames);
    Stage* stage = stages_.data();
    std::size_t left = stages_.size();
    if (left <= kTogether) return last_pass<Depth, kTogether, W == 1>(stage, left, frames);
    pass<Depth, kTogether, W == 1>(stage, frames);
    for (left -= kTogether, stage += kTogether; left > kTogether; left -= kTogether, stage += kTogether)
      pass<Depth, kTogether, false>(stage, frames);
    last_pass<Depth, kTogether, false>(stage, left, frames);
  }
  template <std::size_t Depth, std::size_t N, bool AtDoor>
  void last_pass(Stage* stages, std::size_t count, std::span<Lanes> frames) const noexcept {
    if constexpr (N > 1)
      if (count < N) return last_pass<Depth, N - 1, AtDoor>(stages, count, frames);
    pass<Depth, N, AtDoor>(stages, frames);
  }
  /// N stages over the frames. Section j of stage p is number p Depth + j of the wavefront: at step t it works on frame
  /// t - number, on what the section before it gave in step t - 1.
  template <std::size_t Depth, std::size_t N, bool AtDoor>
  void pass(Stage* stages, std::span<Lanes> frames) const noexcept {
    std::array<Stage, N> s;
    for (std::size_t k = 0; k < N; ++k) s[k] = stages[k];
    if constexpr (Depth == 1) {
      const Lanes door = door_;
      for (Lanes& frame : frames) {
        Lanes x = frame;
        if constexpr (AtDoor) x = select(magnitude<W>(x) < door, Lanes{}, x);
        [&]<std::size_t... K>(std::index_sequence<K...>) __attribute__((always_inline)) { ((x = step(s[K], x)), ...); }
        (std::make_index_sequence<N>{});
        frame = x;
      }
    } else {
      constexpr std::size_t kLag = N * Depth - 1;  // of the last section behind the first
      std::array<Lanes, N> y{};
      const auto advance = [&](Lanes x, auto&& run_stage) {
        [&]<std::size_t... K>(std::index_sequence<K...>) {
          // From the last stage to the first: each takes what the one before it gave in the step before.
          ((y[N - 1 - K] =
                run_stage(N - 1 - K, K == N - 1 ? carry_on<Depth, true>(x, y[0])
                                                : carry_on<Depth, false>(y[K == N - 1 ? 0 : N - 2 - K], y[N - 1 - K]))),
           ...);
        }
        (std::make_index_sequence<N>{});
        return carry_on<Depth, false>(y[N - 1], Lanes{});
      };
      const auto at_edge = [&](std::size_t t) {  // some sections have no frame at this step: their states stand still
        return [&s, t, &frames](std::size_t k, Lanes x) {
          const Stage before = s[k];
          const Lanes result = step(s[k], x);
          const PackInt<W> frame = broadcast_int<W>(static_cast<std::int32_t>(t - k * Depth)) - numbers<Depth>();
          const auto works =
              (frame >= broadcast_int<W>(0)) & (frame < broadcast_int<W>(static_cast<std::int32_t>(frames.size())));
          s[k].s1 = select(works, s[k].s1, before.s1), s[k].s2 = select(works, s[k].s2, before.s2);
          s[k].kept_1 = select(works, s[k].kept_1, before.kept_1);
          s[k].kept_2 = select(works, s[k].kept_2, before.kept_2);
          return select(works, result, Lanes{});
        };
      };
      const std::size_t count = frames.size();
      std::size_t t = 0;
      for (; t < kLag; ++t) {
        const Lanes out = advance(t < count ? frames[t] : Lanes{}, at_edge(t));
        static_cast<void>(out);
      }
      for (; t < count; ++t)
        frames[t - kLag] = advance(frames[t], [&s](std::size_t k, Lanes x) { return step(s[k], x); });
      for (; t < count + kLag; ++t) frames[t - kLag] = advance(Lanes{}, at_edge(t));
    }
    for (std::size_t k = 0; k < N; ++k) {
      stages[k].s1 = s[k].s1, stages[k].s2 = s[k].s2;
      stages[k].kept_1 = s[k].kept_1, stages[k].kept_2 = s[k].kept_2;
    }
  }
  /// Which section of its stage a lane holds.
  template <std::size_t Depth>
  static constexpr PackInt<W> numbers() noexcept {
    PackInt<W> result{};
    for (int l = 0; l < W; ++l) result[l] = l / static_cast<int>(W / Depth);
    return result;
  }
  /// The lanes of `y` moved on to the next section; into the first section's lanes come those of the first channels of
  /// `from` (where `low`), or of its last section.
  template <std::size_t Depth, bool low>
  RACKPROOF_INLINE static Lanes carry_on(Lanes from, Lanes y) noexcept {
    return [&]<std::size_t... L>(std::index_sequence<L...>) {
      constexpr std::size_t kChannels = W / Depth, kLast = W - kChannels;
      return __builtin_shufflevector(from, y, (L < kChannels ? (low ? L : kLast + L) : W + L - kChannels)...);
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
  std::size_t depth_ = 1;
  Lanes door_{};  ///< below this an input is silence: 0 in a lane without sections, which passes all
  std::uint32_t to_grid_ = kGridFrames;
};

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
