#pragma once
/// Every block of the core at one width of lanes, behind plain function pointers: so that a bench built for any machine
/// can time what is built for wider ones, and no function of the standard library built for those gets into its way.
/// With them loops that do nothing but meet a limit of the machine, for the blocks to be held against.
#include <algorithm>
#include <array>
#include <cstddef>
#include <cstdint>
#include <span>
#include <utility>

#include "dsp/blocks/delay_line.hpp"
#include "dsp/blocks/peak_limiter.hpp"
#include "dsp/blocks/power_limiter.hpp"
#include "dsp/blocks/section_cascade.hpp"
#include "dsp/blocks/sliding_maximum.hpp"
#include "dsp/blocks/split.hpp"
#include "dsp/blocks/true_peak_detector.hpp"
#include "dsp/blocks/turn.hpp"
#include "dsp/chain/arena.hpp"

namespace rackproof::bench {

/// What a block is set up with; each reads what concerns it.
struct BlockArgs {
  std::size_t sections = 0, channels = 1;
  std::uint32_t window = 1;
  bool fine = false;  ///< the delay with a fraction, the limiter with a true peak
  std::span<const dsp::Section> eq = {};
  dsp::DelaySettings delay = {};
  std::span<const dsp::PointSettings> points = {};
};

struct BlockTable {
  const char* name = nullptr;
  std::size_t (*bytes)(const BlockArgs&) noexcept = nullptr;
  /// Null where the block is refused.
  void* (*set_up)(std::span<std::byte>, const BlockArgs&) noexcept = nullptr;
  /// In place: `frames` frames of `lanes` samples (aligned to 64 bytes), for those that work on one signal `frames` of
  /// it.
  void (*process)(void*, float* samples, std::size_t frames) noexcept = nullptr;
};
struct LevelTables {
  int lanes = 1, narrow_lanes = 1;
  /// narrow_peak_limiter: of as few lanes as a chain gives few outputs.
  BlockTable sections, cascade, split, delay, sliding_maximum, true_peak, power_limiter, peak_limiter,
      narrow_peak_limiter;
  /// A frame of `cascade` comes from one row and goes to `channels` others, `count` samples each: planar, as the peers
  /// have it.
  void (*through_rows)(void* cascade, const float* from, float* to, std::size_t count) noexcept = nullptr;
  /// `rounds` rounds: of an addition that waits for an fma that waits for it; of fma and additions that wait for
  /// nothing (kMixed of them); of reading `values` over and over. The result is to be used.
  float (*recurrence)(float, std::size_t rounds) noexcept = nullptr;
  float (*arithmetic)(float, std::size_t rounds) noexcept = nullptr;
  float (*reading)(const float* values, std::size_t count, std::size_t rounds) noexcept = nullptr;
};
inline constexpr std::size_t kMixed = 12;  // in the 16 registers that AVX2 has

const LevelTables& tables_of_8_lanes() noexcept;   // block_tables_x86_64_v3.cpp
const LevelTables& tables_of_16_lanes() noexcept;  // block_tables_x86_64_v4.cpp

}  // namespace rackproof::bench

namespace rackproof::dsp::inline RACKPROOF_LEVEL {
namespace bench_tables {

using bench::BlockArgs;
using bench::BlockTable;

/// `Subject` has `Setup set_up(const BlockArgs&, Arena&)` and `void process(float*, std::size_t)`.
template <class Subject>
constexpr BlockTable table_of(const char* name) noexcept {
  return {.name = name,
          .bytes = [](const BlockArgs& args) noexcept -> std::size_t {
            Arena arena;
            Subject subject;
            static_cast<void>(arena.take<Subject>(1));
            static_cast<void>(subject.set_up(args, arena));
            return arena.required();
          },
          .set_up = [](std::span<std::byte> memory, const BlockArgs& args) noexcept -> void* {
            Arena arena(memory);
            const auto subject = arena.take<Subject>(1);
            if (subject.empty() || subject[0].set_up(args, arena) != Setup::ok) return nullptr;
            return subject.data();
          },
          .process = [](void* subject, float* samples,
                        std::size_t frames) noexcept { static_cast<Subject*>(subject)->process(samples, frames); }};
}
template <int W>
std::span<Pack<W>> packs(float* samples, std::size_t frames) noexcept {
  return {reinterpret_cast<Pack<W>*>(samples), frames};
}

template <int W>
struct Sections {
  SectionCascade<W> cascade;
  Setup set_up(const BlockArgs& args, Arena& arena) noexcept {
    std::array<std::size_t, W> counts{};
    const auto used = std::span<std::size_t>(counts).first(args.channels);
    std::ranges::fill(used, args.sections);
    const auto memory = arena.take<typename SectionCascade<W>::Stage>(SectionCascade<W>::required_stages(used));
    if (arena.counts()) return Setup::ok;
    return cascade.configure(
        used, [&](std::size_t, std::size_t k) { return args.eq[k]; }, memory);
  }
  void process(float* samples, std::size_t frames) noexcept { cascade.process(packs<W>(samples, frames)); }
};
/// All channels hear one row.
template <int W>
struct Cascade : Sections<W> {
  static constexpr std::size_t kMostFrames = run_frames(W);  // as a chain hands over
  std::span<Pack<W>> frames;
  std::size_t channels = 0;
  Setup set_up(const BlockArgs& args, Arena& arena) noexcept {
    frames = arena.take<Pack<W>>(kMostFrames);
    channels = args.channels;
    return Sections<W>::set_up(args, arena);
  }
  void through_rows(const float* from, float* to, std::size_t count) noexcept {
    for (std::size_t done = 0; done < count; done += kMostFrames) {
      const std::size_t part = std::min<std::size_t>(kMostFrames, count - done);
      std::array<const float*, W> in{};
      std::array<float*, W> out{};
      for (std::size_t c = 0; c < channels; ++c) {
        in[c] = from + done;
        out[c] = to + c * count + done;
      }
      const auto heard = std::span(in).first(channels);
      const auto given = std::span(out).first(channels);
      if constexpr (W == 1) {
        std::copy_n(in[0], part, out[0]);
        this->cascade.process({out[0], part});
      } else if (this->cascade.takes_rows()) {
        this->cascade.process_rows(heard, given, part);
      } else {
        frames_from_rows<W>(heard, frames.first(part));
        this->cascade.process(frames.first(part));
        rows_from_frames<W>(frames.first(part), given);
      }
    }
  }
};
/// One signal to all ways; at every level as it is in one lane.
struct Split {
  SplitTree tree;
  std::array<float, kMaxWays * 1024> memory;
  std::array<float*, kMaxWays> ways{};
  Setup set_up(const BlockArgs& args, Arena& arena) noexcept {
    SplitTree::Wanted wanted{};
    std::fill_n(wanted.begin(), args.points.size() + 1, true);
    for (std::size_t w = 0; w < kMaxWays; ++w) ways[w] = &memory[w * 1024];
    const auto cascades = arena.take<SplitTree::Cascade>(SplitTree::required_cascades(args.points.size()));
    const auto stages = arena.take<SplitTree::Stage>(SplitTree::required_stages(args.points, wanted));
    return arena.counts() ? Setup::ok : tree.configure(args.points, wanted, cascades, stages);
  }
  void process(float* samples, std::size_t frames) noexcept { tree.process({samples, frames}, ways); }
};
/// One signal.
struct Delay {
  DelayLine line;
  Setup set_up(const BlockArgs& args, Arena& arena) noexcept {
    const auto memory = arena.take<float>(DelayLine::required_values(args.delay));
    return arena.counts() ? Setup::ok : line.configure(args.delay, memory);
  }
  void process(float* samples, std::size_t frames) noexcept { line.process({samples, frames}, {samples, frames}); }
};
template <int W>
struct Maximum {
  SlidingMaximum<W> maximum;
  Setup set_up(const BlockArgs& args, Arena& arena) noexcept {
    const auto memory = arena.take<Pack<W>>(SlidingMaximum<W>::required_values({args.window}));
    return arena.counts() ? Setup::ok : maximum.configure({args.window}, memory);
  }
  void process(float* samples, std::size_t frames) noexcept {
    maximum.process(packs<W>(samples, frames), packs<W>(samples, frames));
  }
};
template <int W>
struct Detector {
  TruePeakDetector<W> detector;
  Setup set_up(const BlockArgs&, Arena&) noexcept { return detector.reset(), Setup::ok; }
  void process(float* samples, std::size_t frames) noexcept {
    detector.process(packs<W>(samples, frames), packs<W>(samples, frames));
  }
};
/// By itself: what it asks of the peak limiter behind it is asked of nothing.
template <int W>
struct Power {
  struct Nothing {
    void bound_ceiling(Pack<W>) noexcept {}
    void process(std::span<const Pack<W>>, std::span<Pack<W>>) noexcept {}
  };
  PowerLimiter<W> limiter;
  Setup set_up(const BlockArgs& args, Arena& arena) noexcept {
    std::array<typename PowerLimiter<W>::LaneSettings, W> lanes;
    lanes.fill({true, 0.2f, 6e-4f, 0.3f, 249});
    const auto used = std::span(lanes).first(args.channels);
    const auto values = arena.take<Pack<W>>(PowerLimiter<W>::required_values(used));
    if (arena.counts()) return Setup::ok;
    return limiter.configure(used, values);
  }
  void process(float* samples, std::size_t frames) noexcept {
    Nothing nothing;
    limiter.process(packs<W>(samples, frames), packs<W>(samples, frames), nothing);
  }
};
template <int W>
struct Peak {
  PeakLimiter<W> limiter;
  Setup set_up(const BlockArgs& args, Arena& arena) noexcept {
    const typename PeakLimiter<W>::Shape shape{args.window, 0, args.fine};
    const auto needed = PeakLimiter<W>::required(shape);
    const auto values = arena.take<Pack<W>>(needed.values);
    const auto integers = arena.take<PackInt<W>>(needed.integers);
    if (arena.counts()) return Setup::ok;
    std::array<typename PeakLimiter<W>::LaneSettings, W> lanes;
    lanes.fill({true, 0.3f, 0.9998f});
    return limiter.configure(shape, std::span(lanes).first(args.channels), values, integers);
  }
  void process(float* samples, std::size_t frames) noexcept {
    limiter.process(packs<W>(samples, frames), packs<W>(samples, frames));
  }
};

/// The compiler may not see through it.
template <class V>
RACKPROOF_INLINE void hide(V& value) noexcept {
#if defined(__x86_64__)
  asm volatile("" : "+x"(value));
#else
  asm volatile("" : "+w"(value));
#endif
}
template <int W>
float recurrence(float x, std::size_t rounds) noexcept {
  Pack<W> a = broadcast<W>(x), factor = broadcast<W>(0.5f), addend = broadcast<W>(0.25f);
  hide(factor);
  hide(addend);
  for (std::size_t i = 0; i < rounds; ++i) {
    a = fma(a, factor, addend);
    hide(a);
    a = a + addend;
    hide(a);
  }
  return lane<W>(a, 0);
}
template <int W>
float arithmetic(float x, std::size_t rounds) noexcept {
  return [&]<std::size_t... K>(std::index_sequence<K...>) {
    Pack<W> products[] = {broadcast<W>(x * static_cast<float>(K))...},
            sums[] = {broadcast<W>(x + static_cast<float>(K))...};
    Pack<W> factor = broadcast<W>(0.5f), addend = broadcast<W>(0.25f);
    hide(factor);
    hide(addend);
    for (std::size_t i = 0; i < rounds; ++i)
      ((products[K] = fma(products[K], factor, addend), hide(products[K]), sums[K] = sums[K] + addend, hide(sums[K])),
       ...);
    return lane<W>(((products[K] + sums[K]) + ...), 0);
  }
  (std::make_index_sequence<bench::kMixed / 2>{});
}
template <int W>
float reading(const float* values, std::size_t count, std::size_t rounds) noexcept {
  return [&]<std::size_t... K>(std::index_sequence<K...>) {
    const auto* const from = reinterpret_cast<const Pack<W>*>(values);
    Pack<W> sums[] = {broadcast<W>(static_cast<float>(K))...};
    for (std::size_t i = 0; i < rounds; ++i)
      for (std::size_t n = 0; n + sizeof...(K) <= count / W; n += sizeof...(K)) {
        ((sums[K] = sums[K] + from[n + K]), ...);
        (hide(sums[K]), ...);
      }
    return lane<W>((sums[K] + ...), 0);
  }
  (std::make_index_sequence<8>{});
}

template <int W>
inline constexpr bench::LevelTables kTables{
    .lanes = W,
    .narrow_lanes = kNarrow<W>,
    .sections = table_of<Sections<W>>("sections"),
    .cascade = table_of<Cascade<W>>("cascade"),
    .split = table_of<Split>("split"),
    .delay = table_of<Delay>("delay"),
    .sliding_maximum = table_of<Maximum<W>>("sliding_maximum"),
    .true_peak = table_of<Detector<W>>("true_peak"),
    .power_limiter = table_of<Power<W>>("power_limiter"),
    .peak_limiter = table_of<Peak<W>>("peak_limiter"),
    .narrow_peak_limiter = table_of<Peak<kNarrow<W>>>("narrow_peak_limiter"),
    .through_rows =
        [](void* cascade, const float* from, float* to, std::size_t count) noexcept {
          static_cast<Cascade<W>*>(cascade)->through_rows(from, to, count);
        },
    .recurrence = recurrence<W>,
    .arithmetic = arithmetic<W>,
    .reading = reading<W>};

}  // namespace bench_tables
}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
