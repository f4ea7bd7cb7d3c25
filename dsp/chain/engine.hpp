#pragma once
/// The chain at one width of lanes: blocks set side by side, and the planar buffers between them.
/// Theorem  the bits do not depend on W: every block's do not, and what joins them only moves samples.
/// Method   each stage is planar at its edges (one row a signal); a block of W lanes takes its rows in, turned into
///          frames, and gives them back. Filters of a few channels, which work on rows, take several cells at once
///          where so many frames are handed over; what turns rows into frames goes cell by cell. Feeds, loudspeakers
///          and outputs fill lanes in order, limiters with those that they go together with. In one lane the split is a
///          tree, in W each output walks its own path: the same arithmetic. A loudspeaker that takes a feed or the mean
///          as it is has no row of its own.
#include <algorithm>
#include <array>
#include <cstddef>
#include <cstdint>
#include <span>

#include "dsp/blocks/delay_line.hpp"
#include "dsp/blocks/mutes.hpp"
#include "dsp/blocks/peak_limiter.hpp"
#include "dsp/blocks/power_limiter.hpp"
#include "dsp/blocks/section_cascade.hpp"
#include "dsp/blocks/split.hpp"
#include "dsp/blocks/turn.hpp"
#include "dsp/chain/arena.hpp"
#include "dsp/chain/chain.hpp"
#include "dsp/chain/chain_settings.hpp"
#include "dsp/grid.hpp"
#include "dsp/pack.hpp"
namespace rackproof::dsp::inline RACKPROOF_LEVEL {

template <int W>
class Engine {
 public:
  static constexpr std::uint32_t kMostFrames = run_frames(W);  ///< of one call of `process`

  Engine() = default;
  Engine(const Engine&) = delete;
  Engine& operator=(const Engine&) = delete;

  /// Takes from `arena` all that the settings need and sets it up. With an arena that counts, only counts.
  [[nodiscard]] constexpr Setup configure(const ChainSettings& settings, Arena& arena) noexcept;
  void reset() noexcept {
    for (Cascade& c : feed_cascades_) c.reset();
    for (Cascade& c : own_cascades_) c.reset();
    for (Cascade& c : output_cascades_) c.reset();
    for (SplitTree& t : trees_) t.reset();
    for (DelayLine& d : delays_) d.reset();
    for (LimiterGroup<W>& g : limiters_) g.reset();
    for (LimiterGroup<kNarrow<W>>& g : narrow_limiters_) g.reset();
    std::ranges::fill(meters_, Meter{});
    mutes_.reset();
  }
  /// At most kGridFrames frames, not across a point of the grid; or whole cells from one point of the grid on, at most
  /// kMostFrames frames. The rows of the feeds are worked on in place, and what is on its way to an output is kept in
  /// that output's row. A feed that one output takes may lie in its row: what else is made of it, the mean and the
  /// loudspeakers' own rows, is taken first.
  void process(std::span<float* const> feeds, std::span<float* const> outputs, std::size_t frames) noexcept {
    for (std::size_t f = 0; f < feeds.size(); ++f) scale({feeds[f], frames}, feed_gains_[f]);
    for (std::size_t g = 0; g < feed_cascades_.size(); ++g) {
      const auto rows = feeds.subspan(g * W, std::min<std::size_t>(W, feeds.size() - g * W));
      through(feed_cascades_[g], rows, rows, frames);
    }
    if (!mean_.empty()) take_mean(feeds, frames);
    if (!own_rows_.empty()) fill_own_rows(feeds, frames);
    if constexpr (W == 1) split_as_tree(feeds, outputs, frames);
    for (std::size_t g = 0; g < output_cascades_.size(); ++g) {
      const auto to = outputs.subspan(g * W, std::min<std::size_t>(W, routes_.size() - g * W));
      std::array<const float*, W> from{};
      for (std::size_t l = 0; l < to.size(); ++l)
        from[l] = W == 1 ? to[l] : row_of(feeds, loudspeakers_[routes_[g * W + l].loudspeaker], frames).data();
      through(output_cascades_[g], std::span(from).first(to.size()), to, frames);
    }
    for (std::size_t o = 0; o < routes_.size(); ++o) {
      const std::span<float> row(outputs[o], frames);
      scale(row, routes_[o].gain);
      delays_[o].process(row, row);
    }
    cell_by_cell(frames, [&](std::size_t from, std::size_t count) {
      std::array<float*, kMaxOutputs> cells;
      for (std::size_t o = 0; o < outputs.size(); ++o) cells[o] = outputs[o] + from;
      const auto rows = std::span<float* const>(cells).first(outputs.size());
      for (LimiterGroup<W>& group : limiters_) limit(group, frames_, rows, count);
      for (LimiterGroup<kNarrow<W>>& group : narrow_limiters_) limit(group, narrow_frames_, rows, count);
      mutes_.process(rows, count);
    });
  }
  void mute(std::size_t output, bool muted) noexcept { mutes_.want(output, muted); }
  Meter take_meter(std::size_t output) noexcept {
    const Meter taken = meters_[output];
    meters_[output] = Meter{.heat_mean_square = taken.heat_mean_square};
    return taken;
  }
  CoilHeat heat(std::size_t output) noexcept {
    CoilHeat heat;
    at_limiters_of(output, [&](auto& group, int l) { heat = group.power.heat(l); });
    return heat;
  }
  void adopt_heat(std::size_t output, const CoilHeat& from) noexcept {
    at_limiters_of(output, [&](auto& group, int l) {
      group.power.adopt(l, from);
      meters_[output].heat_mean_square = group.power.heat(l).mean_square;
    });
  }

 private:
  friend struct rackproof::dsp::CounterProbe;
  using Cascade = SectionCascade<W>;

  struct Loudspeaker {
    std::int16_t source = 0;
    float gain = 1.0f;
    std::span<float> mix;  ///< a factor a feed, where it takes a mix
    std::span<float> row;  ///< its own; none where what it takes goes to the split as it is
    /// Of each way the output that takes the split's signal, for W == 1; kMaxOutputs where there is none.
    std::array<std::uint8_t, kMaxWays> output_of_way{};
    std::uint8_t ways = 0;
  };
  struct Route {
    std::uint8_t loudspeaker = 0, way = 0;
    std::uint8_t first_alike = 0;  ///< the first output of the same way and loudspeaker, which takes the split's signal
    float gain = 1.0f;
  };
  /// Outputs whose peak limiters go together; with nothing to do where none of them limits or delays.
  template <int V>
  struct LimiterGroup {
    PowerLimiter<V> power;
    PeakLimiter<V> peak;
    std::array<std::uint8_t, V> outputs{};
    std::size_t count = 0;
    bool idle = false, heats = false;  ///< heats: a power limiter of the group is enabled

    void reset() noexcept {
      power.reset();
      peak.reset();
    }
  };
  struct Builder;

  /// work(from, count) for the frames of each cell.
  template <class Work>
  static void cell_by_cell(std::size_t frames, Work&& work) noexcept {
    for (std::size_t from = 0; from < frames; from += kGridFrames)
      work(from, std::min<std::size_t>(frames - from, kGridFrames));
  }
  static void scale(std::span<float> row, float gain) noexcept {
    if (gain == 1.0f) return;
    for (float& x : row) x *= gain;
  }
  std::span<const float> source_row(std::span<float* const> feeds, std::int16_t source,
                                    std::size_t frames) const noexcept {
    if (source == kMeanOfFeeds) return mean_.first(frames);
    return {feeds[static_cast<std::size_t>(source)], frames};
  }
  std::span<const float> row_of(std::span<float* const> feeds, const Loudspeaker& loudspeaker,
                                std::size_t frames) const noexcept {
    if (!loudspeaker.row.empty()) return loudspeaker.row.first(frames);
    return source_row(feeds, loudspeaker.source, frames);
  }
  void take_mean(std::span<float* const> feeds, std::size_t frames) noexcept {
    const auto count = static_cast<float>(feeds.size());
    for (std::size_t n = 0; n < frames; ++n) {
      float sum = feeds[0][n];
      for (std::size_t f = 1; f < feeds.size(); ++f) sum += feeds[f][n];
      mean_[n] = sum / count;
    }
  }
  void fill_own_rows(std::span<float* const> feeds, std::size_t frames) noexcept {
    for (const Loudspeaker& one : loudspeakers_) {
      if (one.row.empty()) continue;
      const std::span<float> row = one.row.first(frames);
      if (one.source == kMixOfFeeds)
        take_mix(feeds, one.mix, row);
      else
        std::ranges::copy(source_row(feeds, one.source, frames), row.begin());
      scale(row, one.gain);
    }
    for (std::size_t g = 0; g < own_cascades_.size(); ++g) {
      const auto rows = own_rows_.subspan(g * W, std::min<std::size_t>(W, own_rows_.size() - g * W));
      through(own_cascades_[g], rows, rows, frames);
    }
  }
  static void take_mix(std::span<float* const> feeds, std::span<const float> mix, std::span<float> row) noexcept {
    std::ranges::fill(row, 0.0f);
    for (std::size_t f = 0; f < feeds.size(); ++f) {
      if (mix[f] == 0.0f) continue;
      for (std::size_t n = 0; n < row.size(); ++n) row[n] += mix[f] * feeds[f][n];
    }
  }
  /// One lane needs no turning: the row is its own frames. `to` may be `from`.
  void through(Cascade& cascade, std::span<const float* const> from, std::span<float* const> to,
               std::size_t frames) noexcept {
    if (W == 1 || cascade.stages() == 0)
      for (std::size_t l = 0; l < to.size(); ++l)
        if (from[l] != to[l]) std::copy_n(from[l], frames, to[l]);
    if (cascade.stages() == 0) return;
    if constexpr (W == 1) {
      cascade.process({to[0], frames});
    } else if (cascade.takes_rows()) {
      cascade.process_rows(from, to, frames);
    } else {
      std::array<const float*, W> in;
      std::array<float*, W> out;
      std::ranges::copy(from, in.begin());
      std::ranges::copy(to, out.begin());
      cell_by_cell(frames, [&](std::size_t, std::size_t count) {
        const std::span<Pack<W>> turned = frames_.first(count);
        frames_from_rows<W>(std::span(in).first(from.size()), turned);
        cascade.process(turned);
        rows_from_frames<W>(turned, std::span(out).first(to.size()));
        for (std::size_t l = 0; l < to.size(); ++l) {
          in[l] += count;
          out[l] += count;
        }
      });
    }
  }
  void split_as_tree(std::span<float* const> feeds, std::span<float* const> outputs, std::size_t frames) noexcept {
    for (std::size_t t = 0; t < trees_.size(); ++t) {
      std::array<float*, kMaxWays> ways{};
      const Loudspeaker& loudspeaker = loudspeakers_[t];
      for (std::size_t w = 0; w < loudspeaker.ways; ++w)
        if (const std::uint8_t o = loudspeaker.output_of_way[w]; o != kMaxOutputs) ways[w] = outputs[o];
      trees_[t].process(row_of(feeds, loudspeaker, frames), ways);
    }
    for (std::size_t o = 0; o < routes_.size(); ++o)
      if (routes_[o].first_alike != o) std::copy_n(outputs[routes_[o].first_alike], frames, outputs[o]);
  }
  template <int V>
  static void through(LimiterGroup<V>& group, std::span<Pack<V>> frames) noexcept {
    if (group.heats)
      group.power.process(frames, frames, group.peak);
    else
      group.peak.process(frames, frames);
  }
  /// Calls `use(group, lane)` with where the limiters of `output` are.
  template <class Use>
  void at_limiters_of(std::size_t output, Use&& use) noexcept {
    const auto look_in = [&](auto& groups) {
      for (auto& group : groups)
        for (std::size_t l = 0; l < group.count; ++l)
          if (group.outputs[l] == output) use(group, static_cast<int>(l));
    };
    look_in(limiters_);
    look_in(narrow_limiters_);
  }
  template <int V>
  void limit(LimiterGroup<V>& group, std::span<Pack<V>> memory, std::span<float* const> outputs,
             std::size_t frames) noexcept {
    if (group.idle) return;
    if constexpr (V == 1) {
      const std::span<float> row(outputs[group.outputs[0]], frames);
      through(group, row);
    } else {
      std::array<float*, V> all{};
      for (std::size_t l = 0; l < group.count; ++l) all[l] = outputs[group.outputs[l]];
      const auto rows = std::span(all).first(group.count);
      const std::span<Pack<V>> turned = memory.first(frames);
      frames_from_rows<V>(rows, turned);
      through(group, turned);
      rows_from_frames<V>(turned, rows);
    }
    for (std::size_t l = 0; l < group.count; ++l) {
      Meter& meter = meters_[group.outputs[l]];
      const auto peak = group.peak.take_meter(static_cast<int>(l));
      meter.least_peak_gain = std::min(meter.least_peak_gain, peak.least_gain);
      meter.least_power_gain = std::min(meter.least_power_gain, group.power.take_least_gain(static_cast<int>(l)));
      meter.heat_mean_square = group.power.heat(static_cast<int>(l)).mean_square;
      meter.limited_frames += static_cast<std::uint64_t>(peak.limited_frames);
    }
  }

  std::span<float> feed_gains_, mean_;
  std::span<Pack<W>> frames_;                  ///< kGridFrames, for W > 1
  std::span<Pack<kNarrow<W>>> narrow_frames_;  ///< kGridFrames, where there are narrow limiters
  std::span<Cascade> feed_cascades_, own_cascades_, output_cascades_;
  std::span<Loudspeaker> loudspeakers_;
  std::span<float*> own_rows_;  ///< of the loudspeakers that have one, in their order
  std::span<SplitTree> trees_;  ///< for W == 1, one a loudspeaker
  std::span<Route> routes_;
  std::span<DelayLine> delays_;
  std::span<LimiterGroup<W>> limiters_;
  std::span<LimiterGroup<kNarrow<W>>> narrow_limiters_;
  std::span<Meter> meters_;
  Mutes mutes_;
};

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
