#pragma once
/// Sets up an engine: one run over the settings, which counts the memory that it takes or carves it and configures the
/// blocks in it.
#include <algorithm>
#include <array>
#include <cstddef>
#include <cstdint>
#include <span>

#include "dsp/chain/arena.hpp"
#include "dsp/chain/chain_settings.hpp"
#include "dsp/chain/check.hpp"
#include "dsp/chain/engine.hpp"
#include "dsp/chain/limiter_latency.hpp"
#include "dsp/pack.hpp"
namespace rackproof::dsp::inline RACKPROOF_LEVEL {

/// For counting and for carving alike.
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
    if (std::ranges::any_of(settings.loudspeakers, of_mean)) engine.mean_ = arena.take<float>(kMostFrames);
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
      const std::span<float> row = arena.take<float>(has_own_row(s) ? kMostFrames : 0);
      if (has_own_row(s)) with_row[rows++] = static_cast<std::uint8_t>(l);
      if (!ready()) continue;
      std::ranges::copy(s.mix, mix.begin());
      Loudspeaker& made = engine.loudspeakers_[l];
      made.source = s.source;
      made.gain = s.gain;
      made.mix = mix;
      made.row = row;
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
      const LimiterShape shape = limiter_shape(s.peak);
      const bool idle = !has_limiters(s);
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
  /// ceiling is what the core carries anyway, and it lets go in a twentieth of a second. It has no look-ahead.
  constexpr PeakLimiterSettings for_heat_alone() const noexcept {
    const float release_samples = 0.05f * static_cast<float>(settings.sample_rate_hz);
    return {.enabled = true, .ceiling = kMagnitudeBound, .release_keep = 1.0f - 1.0f / std::max(release_samples, 1.0f)};
  }
};

template <int W>
constexpr Setup Engine<W>::configure(const ChainSettings& settings, Arena& arena) noexcept {
  if (shape_refusal_of(settings).setup != Setup::ok) return Setup::out_of_range;
  Builder build{*this, settings, arena};
  build.everything();
  return arena.overrun() ? Setup::memory_too_small : build.worst;
}

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
