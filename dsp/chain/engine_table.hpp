#pragma once
/// The functions through which a chain uses the engine of one level: each level is built for its own instruction set,
/// and which of them runs is known at run time.
#include <cstddef>
#include <cstdint>
#include <span>

#include "dsp/chain/chain.hpp"
#include "dsp/chain/chain_settings.hpp"
#include "dsp/grid.hpp"
namespace rackproof::dsp {

/// What the chain asks of one level.
struct EngineTable {
  /// Samples that were replaced.
  struct Admitted {
    std::uint32_t bad = 0;      ///< not finite
    std::uint32_t bounded = 0;  ///< beyond +36 dBFS
  };

  /// At most so many frames go into one call of `process`: kGridFrames, or several cells, which then begin at a point
  /// of the grid.
  std::uint32_t run_frames;
  /// Sanitises at the input: copies one feed's frames, with what may not enter replaced and counted.
  Admitted (*admit)(const float* in, std::span<float> out) noexcept;
  bool (*may_enter)(std::span<const float> row) noexcept;  ///< all of them, as they are
  std::size_t (*required_bytes)(const ChainSettings&) noexcept;
  /// Null where the settings are out of range or the memory is too small; then nothing has been kept.
  void* (*build)(const ChainSettings&, std::span<std::byte>) noexcept;
  void (*reset)(void*) noexcept;
  void (*process)(void*, std::span<float* const> feeds, std::span<float* const> outputs, std::size_t frames) noexcept;
  Meter (*take_meter)(void*, std::size_t) noexcept;
  CoilHeat (*heat)(void*, std::size_t) noexcept;
  void (*mute)(void*, std::size_t, bool) noexcept;
  void (*adopt_heat)(void*, std::size_t, const CoilHeat&) noexcept;
};

}  // namespace rackproof::dsp
