#pragma once
/// The chain at one width of lanes: blocks set side by side, and the planar buffers between them.
/// Theorem  the bits do not depend on W: every block's do not, and what joins them only moves samples.
/// Method   each stage is planar at its edges (one row of kGridFrames a signal); a block of W lanes takes its rows in,
///          turned into frames, and gives them back. Feeds, loudspeakers and outputs fill lanes in order, limiters with
///          those that they go together with. In one lane the split is a tree, in W each output walks its own path: the
///          same arithmetic. A loudspeaker that takes a feed or the mean as it is has no row of its own.
#include <algorithm>
#include <array>
#include <bit>
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
#include "dsp/chain/check.hpp"
#include "dsp/pack.hpp"
namespace rackproof::dsp::inline RACKPROOF_LEVEL {

inline EngineTable::Admitted admit(const float* in, std::span<float> out) noexcept {
  EngineTable::Admitted counts;
  for (std::size_t n = 0; n < out.size(); ++n) {
    const float x = in[n];
    const std::uint32_t size = std::bit_cast<std::uint32_t>(x) & 0x7fffffffu;
    const bool finite = size < 0x7f800000u, beyond = finite && size > std::bit_cast<std::uint32_t>(kMagnitudeBound);
    const float within = beyond ? (x < 0.0f ? -kMagnitudeBound : kMagnitudeBound) : x;
    out[n] = finite ? within : 0.0f;
    counts.bad += finite ? 0u : 1u, counts.bounded += beyond ? 1u : 0u;
  }
  return counts;
}

inline bool may_enter(std::span<const float> row) noexcept {
  std::uint32_t largest = 0;
  for (const float x : row) largest = std::max(largest, std::bit_cast<std::uint32_t>(x) & 0x7fffffffu);
  return largest <= std::bit_cast<std::uint32_t>(kMagnitudeBound);  // what is not finite has larger bits
}

template <int W>
class Engine {
 public:
  Engine() = default;
  Engine(const Engine&) = delete;
  Engine& operator=(const Engine&) = delete;

  /// Takes from `arena` all that the settings need and sets it up. With an arena that counts, only counts.
  [[nodiscard]] constexpr Setup configure(const ChainSettings& settings, Arena& arena) noexcept {
    if (shape_refusal_of(settings).setup != Setup::ok) return Setup::out_of_range;
    Builder build{*this, settings, arena};
    build.everything();
    return arena.overrun() ? Setup::memory_too_small : build.worst;
  }
  void reset() noexcept {
    for (Cascade& c : feed_cascades_) c.reset();
    for (Cascade& c : own_cascades_) c.reset();
    for (Cascade& c : output_cascades_) c.reset();
    for (SplitTree& t : trees_) t.reset();
    for (DelayLine& d : delays_) d.reset();
    for (LimiterGroup<W>& g : limiters_) g.power.reset(), g.peak.reset();
    for (LimiterGroup<kNarrow<W>>& g : narrow_limiters_) g.power.reset(), g.peak.reset();
    std::ranges::fill(meters_, Meter{});
    mutes_.reset();
  }
  /// At most kGridFrames frames, not across a point of the grid. The rows of the feeds are worked on in place, and what
  /// is on its way to an output is kept in that output's row. A feed that one output takes may lie in its row: what
  /// else is made of it, the mean and the loudspeakers' own rows, is taken first.
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
    for (LimiterGroup<W>& group : limiters_) limit(group, frames_, outputs, frames);
    for (LimiterGroup<kNarrow<W>>& group : narrow_limiters_) limit(group, narrow_frames_, outputs, frames);
    mutes_.process(outputs, frames);
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
  };
  struct Builder;

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
      const std::span<Pack<W>> turned = frames_.first(frames);
      frames_from_rows<W>(from, turned);
      cascade.process(turned);
      rows_from_frames<W>(turned, to);
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

/// One run over the settings, for counting and for carving alike.
template <int W>
struct Engine<W>::Builder {
  Engine& engine;
  const ChainSettings& settings;
  Arena& arena;
  Setup worst = Setup::ok;

  constexpr void everything() noexcept {
    const std::size_t outputs = settings.outputs.size();
    engine.feed_gains_ = arena.take<float>(settings.feeds.size());
    engine.routes_ = arena.take<Route>(outputs);
    engine.meters_ = arena.take<Meter>(outputs);
    if constexpr (W > 1) engine.frames_ = arena.take<Pack<W>>(kGridFrames);
    const auto of_mean = [](const LoudspeakerSettings& l) { return l.source == kMeanOfFeeds; };
    if (std::ranges::any_of(settings.loudspeakers, of_mean)) engine.mean_ = arena.take<float>(kGridFrames);
    if (ready())
      for (std::size_t f = 0; f < settings.feeds.size(); ++f) engine.feed_gains_[f] = settings.feeds[f].gain;
    routes();
    engine.feed_cascades_ = cascades(
        settings.feeds.size(), [this](std::size_t f) { return settings.feeds[f].sections.size(); },
        [this](std::size_t f, std::size_t k) { return settings.feeds[f].sections[k]; });
    loudspeakers();
    if constexpr (W == 1) trees();
    output_cascades();
    delays();
    limiters();
    mutes();
  }
  /// Carving, and with memory left: what has been taken is there.
  constexpr bool ready() const noexcept { return !arena.counts() && !arena.overrun(); }
  constexpr void note(Setup setup) noexcept {
    if (setup != Setup::ok) worst = setup;
  }

  constexpr void routes() noexcept {
    if (!ready()) return;
    for (std::size_t o = 0; o < settings.outputs.size(); ++o) {
      const OutputSettings& s = settings.outputs[o];
      const auto alike = std::ranges::find_if(settings.outputs, [&](const OutputSettings& other) {
        return other.loudspeaker == s.loudspeaker && other.way == s.way;
      });
      engine.routes_[o] = {s.loudspeaker, s.way, static_cast<std::uint8_t>(alike - settings.outputs.begin()), s.gain};
    }
  }
  /// A pack of lanes for every W channels.
  template <class Count, class SectionOf>
  constexpr std::span<Cascade> cascades(std::size_t channels, Count&& sections_of, SectionOf&& section) noexcept {
    const std::span<Cascade> made = arena.take<Cascade>((channels + W - 1) / W);
    for (std::size_t first = 0; first < channels; first += W) {
      std::array<std::size_t, W> counts{};
      const std::size_t lanes = std::min<std::size_t>(W, channels - first);
      for (std::size_t l = 0; l < lanes; ++l) counts[l] = sections_of(first + l);
      const auto used = std::span<const std::size_t>(counts).first(lanes);
      const auto memory = arena.take<typename Cascade::Stage>(Cascade::required_stages(used));
      if (ready())
        note(made[first / W].configure(
            used, [&](std::size_t l, std::size_t k) { return section(first + l, k); }, memory));
    }
    return made;
  }
  static constexpr bool has_own_row(const LoudspeakerSettings& s) noexcept {
    return s.source == kMixOfFeeds || s.gain != 1.0f || !s.sections.empty();
  }
  constexpr void loudspeakers() noexcept {
    std::array<std::uint8_t, kMaxLoudspeakers> with_row;
    std::size_t rows = 0;
    engine.loudspeakers_ = arena.take<Loudspeaker>(settings.loudspeakers.size());
    for (std::size_t l = 0; l < settings.loudspeakers.size(); ++l) {
      const LoudspeakerSettings& s = settings.loudspeakers[l];
      const std::span<float> mix = arena.take<float>(s.mix.size());
      const std::span<float> row = arena.take<float>(has_own_row(s) ? kGridFrames : 0);
      if (has_own_row(s)) with_row[rows++] = static_cast<std::uint8_t>(l);
      if (!ready()) continue;
      std::ranges::copy(s.mix, mix.begin());
      Loudspeaker& made = engine.loudspeakers_[l];
      made.source = s.source, made.gain = s.gain, made.mix = mix, made.row = row;
      made.ways = static_cast<std::uint8_t>(s.points.size() + 1);
      made.output_of_way.fill(kMaxOutputs);
      for (std::size_t o = settings.outputs.size(); o-- > 0;)
        if (settings.outputs[o].loudspeaker == l)
          made.output_of_way[settings.outputs[o].way] = static_cast<std::uint8_t>(o);
    }
    engine.own_rows_ = arena.take<float*>(rows);
    if (ready())
      for (std::size_t r = 0; r < rows; ++r) engine.own_rows_[r] = engine.loudspeakers_[with_row[r]].row.data();
    const auto sections_of = [&](std::size_t r) { return settings.loudspeakers[with_row[r]].sections; };
    engine.own_cascades_ = cascades(
        rows, [&](std::size_t r) { return sections_of(r).size(); },
        [&](std::size_t r, std::size_t k) { return sections_of(r)[k]; });
  }
  constexpr std::span<const PointSettings> points_of(std::size_t output) const noexcept {
    return settings.loudspeakers[settings.outputs[output].loudspeaker].points;
  }
  constexpr void output_cascades() noexcept {
    const auto own = [this](std::size_t o) { return settings.outputs[o].sections; };
    if constexpr (W == 1) {
      engine.output_cascades_ = cascades(
          settings.outputs.size(), [&](std::size_t o) { return own(o).size(); },
          [&](std::size_t o, std::size_t k) { return own(o)[k]; });
      if (ready())
        for (std::size_t o = 0; o < settings.outputs.size(); ++o)
          if (sections_of_path(points_of(o), settings.outputs[o].way) > 0)
            engine.output_cascades_[o].go_on_from_another();
    } else {
      engine.output_cascades_ = cascades(
          settings.outputs.size(),
          [&](std::size_t o) { return sections_of_path(points_of(o), settings.outputs[o].way) + own(o).size(); },
          [&](std::size_t o, std::size_t k) {
            Section found;
            std::size_t at = 0;
            const auto look_in = [&](std::span<const Section> part) {
              if (k >= at && k < at + part.size()) found = part[k - at];
              at += part.size();
            };
            for_each_part_of_path(points_of(o), settings.outputs[o].way, look_in);
            look_in(own(o));
            return found;
          });
    }
  }
  constexpr void trees() noexcept {
    engine.trees_ = arena.take<SplitTree>(settings.loudspeakers.size());
    for (std::size_t t = 0; t < settings.loudspeakers.size(); ++t) {
      const std::span<const PointSettings> points = settings.loudspeakers[t].points;
      SplitTree::Wanted wanted{};
      for (const OutputSettings& o : settings.outputs)
        if (o.loudspeaker == t) wanted[o.way] = true;
      const auto cascades = arena.take<SplitTree::Cascade>(SplitTree::required_cascades(points.size()));
      const auto stages = arena.take<SplitTree::Stage>(SplitTree::required_stages(points, wanted));
      if (ready()) note(engine.trees_[t].configure(points, wanted, cascades, stages));
    }
  }
  constexpr void delays() noexcept {
    engine.delays_ = arena.take<DelayLine>(settings.outputs.size());
    for (std::size_t o = 0; o < settings.outputs.size(); ++o) {
      const DelaySettings& delay = settings.outputs[o].delay;
      const auto memory = arena.take<float>(DelayLine::required_values(delay));
      if (ready()) note(engine.delays_[o].configure(delay, memory));
    }
  }
  constexpr void mutes() noexcept {
    const auto memory = arena.take<Mutes::Output>(settings.outputs.size());
    if (!ready()) return;
    for (std::size_t o = 0; o < settings.outputs.size(); ++o) memory[o].begins_muted = settings.outputs[o].muted;
    engine.mutes_.configure(memory);
  }
  struct Group {
    std::array<LimiterShape, W> shapes;
    std::array<std::uint8_t, W> outputs;
    std::size_t count;
    bool idle;
    constexpr bool takes(const LimiterShape& shape, bool is_idle) const noexcept {
      if (count == W || idle != is_idle) return false;
      std::array<LimiterShape, W> all = shapes;
      all[count] = shape;
      return PeakLimiter<W>::go_together(std::span<const LimiterShape>(all).first(count + 1));
    }
    constexpr bool narrow() const noexcept { return kNarrow<W> < W && count <= kNarrow<W>; }
  };
  constexpr void limiters() noexcept {
    std::array<Group, kMaxOutputs> groups;
    std::size_t count = 0, narrow = 0;
    for (std::size_t o = 0; o < settings.outputs.size(); ++o) {
      const OutputSettings& s = settings.outputs[o];
      const LimiterShape shape{s.peak.look_ahead_samples, s.peak.hold_samples, s.peak.true_peak};
      const bool idle = !s.peak.enabled && !s.power.enabled && PeakLimiter<W>::latency_samples(shape) == 0;
      std::size_t g = 0;
      while (g < count && !groups[g].takes(shape, idle)) ++g;
      if (g == count) groups[count++] = {{}, {}, 0, idle};
      groups[g].shapes[groups[g].count] = shape;
      groups[g].outputs[groups[g].count++] = static_cast<std::uint8_t>(o);
    }
    for (std::size_t g = 0; g < count; ++g) narrow += groups[g].narrow() ? 1 : 0;
    engine.limiters_ = arena.take<LimiterGroup<W>>(count - narrow);
    engine.narrow_limiters_ = arena.take<LimiterGroup<kNarrow<W>>>(narrow);
    if (narrow > 0) engine.narrow_frames_ = arena.take<Pack<kNarrow<W>>>(kGridFrames);
    std::size_t next = 0, next_narrow = 0;
    for (std::size_t g = 0; g < count; ++g)
      if (groups[g].narrow())
        limiter(groups[g], engine.narrow_limiters_, next_narrow++);
      else
        limiter(groups[g], engine.limiters_, next++);
  }
  template <int V>
  constexpr void limiter(const Group& group, std::span<LimiterGroup<V>> groups, std::size_t number) noexcept {
    using Peak = PeakLimiter<V>;
    using Power = PowerLimiter<V>;
    const auto shapes = std::span<const LimiterShape>(group.shapes).first(group.count);
    const auto needed = group.idle ? typename Peak::Memory{} : Peak::required(shapes);
    const auto values = arena.take<Pack<V>>(needed.values);
    const auto integers = arena.take<PackInt<V>>(needed.integers);
    std::array<typename Peak::LaneSettings, V> peak_lanes;
    std::array<typename Power::LaneSettings, V> power_lanes;
    bool heats = false;
    for (std::size_t l = 0; l < group.count; ++l) {
      const OutputSettings& s = settings.outputs[group.outputs[l]];
      const PeakLimiterSettings peak = s.power.enabled && !s.peak.enabled ? for_heat_alone() : s.peak;
      peak_lanes[l] = {peak.enabled, peak.ceiling, peak.release_keep};
      power_lanes[l] = {s.power.enabled, s.power.threshold_rms, s.power.forget, peak.ceiling,
                        Peak::latency_samples(shapes[l])};
      heats = heats || s.power.enabled;
    }
    const auto peak = std::span(peak_lanes).first(group.count);
    const auto power = std::span(power_lanes).first(group.count);
    const auto delayed = arena.take<Pack<V>>(Power::required_values(power));
    if (!ready()) return;
    LimiterGroup<V>& made = groups[number];
    std::copy_n(group.outputs.begin(), group.count, made.outputs.begin());
    made.count = group.count;
    made.idle = group.idle;
    made.heats = heats;
    if (group.idle) return;
    note(made.peak.configure(shapes, peak, values, integers));
    note(made.power.configure(power, delayed));
  }
  /// An output with a power limiter alone has a peak limiter that does nothing but keep a cell from too much heat: its
  /// ceiling is what the core carries anyway, and it lets go in a twentieth of a second. It has no look-ahead, so that
  /// it delays nothing.
  constexpr PeakLimiterSettings for_heat_alone() const noexcept {
    const float release_samples = 0.05f * static_cast<float>(settings.sample_rate_hz);
    return {.enabled = true, .ceiling = kMagnitudeBound, .release_keep = 1.0f - 1.0f / std::max(release_samples, 1.0f)};
  }
};

/// What the chain calls.
template <int W>
inline constexpr EngineTable kEngineTable{
    .admit = [](const float* in, std::span<float> out) noexcept { return admit(in, out); },
    .may_enter = [](std::span<const float> row) noexcept { return may_enter(row); },
    .required_bytes = [](const ChainSettings& settings) noexcept -> std::size_t {
      Arena arena;
      Engine<W> engine;
      static_cast<void>(arena.take<Engine<W>>(1));
      return engine.configure(settings, arena) == Setup::ok ? arena.required() : 0;
    },
    .build = [](const ChainSettings& settings, std::span<std::byte> memory) noexcept -> void* {
      Arena arena(memory);
      const std::span<Engine<W>> engine = arena.take<Engine<W>>(1);
      return !engine.empty() && engine[0].configure(settings, arena) == Setup::ok ? engine.data() : nullptr;
    },
    .reset = [](void* engine) noexcept { static_cast<Engine<W>*>(engine)->reset(); },
    .process = [](void* engine, std::span<float* const> feeds, std::span<float* const> outputs,
                  std::size_t frames) noexcept { static_cast<Engine<W>*>(engine)->process(feeds, outputs, frames); },
    .take_meter = [](void* engine,
                     std::size_t output) noexcept { return static_cast<Engine<W>*>(engine)->take_meter(output); },
    .heat = [](void* engine, std::size_t output) noexcept { return static_cast<Engine<W>*>(engine)->heat(output); },
    .mute = [](void* engine, std::size_t output,
               bool muted) noexcept { static_cast<Engine<W>*>(engine)->mute(output, muted); },
    .adopt_heat = [](void* engine, std::size_t output,
                     const CoilHeat& from) noexcept { static_cast<Engine<W>*>(engine)->adopt_heat(output, from); }};

/// Of the whole chain at one level: its door, then its engine. 0 where the settings are out of range.
constexpr std::size_t required_bytes_of(const EngineTable& table, const ChainSettings& settings) noexcept {
  const std::size_t engine = table.required_bytes(settings);
  if (engine == 0) return 0;
  Arena arena;
  static_cast<void>(arena.take<float>(settings.feeds.size() * kGridFrames));
  return arena.required() + engine;
}

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
