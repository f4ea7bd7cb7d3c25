#pragma once
/// The engine of W lanes as the chain calls it: a table of functions, each built for the instruction set of whoever
/// includes this.
#include <algorithm>
#include <cstddef>
#include <cstdint>
#include <span>

#include "dsp/blocks/admission.hpp"
#include "dsp/chain/arena.hpp"
#include "dsp/chain/chain_settings.hpp"
#include "dsp/chain/engine.hpp"
#include "dsp/chain/engine_builder.hpp"
#include "dsp/chain/engine_table.hpp"
#include "dsp/grid.hpp"
#include "dsp/level.hpp"
namespace rackproof::dsp::inline RACKPROOF_LEVEL {

/// What the chain calls.
template <int W>
inline constexpr EngineTable kEngineTable{
    .run_frames = Engine<W>::kMostFrames,
    .admit = [](const float* in, std::span<float> out) noexcept -> EngineTable::Admitted {
      const Admitted<1> admitted = admit<1>({in, out.size()}, out.data());
      return {static_cast<std::uint32_t>(admitted.not_finite), static_cast<std::uint32_t>(admitted.bounded)};
    },
    .may_enter = [](std::span<const float> row) noexcept { return may_go_on(row); },
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

/// Floats of the feeds as they were let in, a run of each.
constexpr std::size_t admitted_values(const EngineTable& table, const ChainSettings& settings) noexcept {
  return settings.feeds.size() * table.run_frames;
}
/// Bytes of the whole chain at one level: the feeds as they were let in, then the engine. 0 where the settings are out
/// of range.
constexpr std::size_t required_bytes_of(const EngineTable& table, const ChainSettings& settings) noexcept {
  const std::size_t engine = table.required_bytes(settings);
  if (engine == 0) return 0;
  Arena arena;
  static_cast<void>(arena.take<float>(admitted_values(table, settings)));
  return arena.required() + engine;
}

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
