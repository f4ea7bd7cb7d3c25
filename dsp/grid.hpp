#pragma once
/// The grid of frames on which everything slower than the sample is decided, counted from the start of the stream and
/// never from the host's block; and the bounds of the samples that the core carries.
#include <cstdint>

#include "dsp/compiler.hpp"
namespace rackproof::dsp {
/// Frames from one point of the grid to the next.
inline constexpr std::uint32_t kGridFrames = 64;
/// The most frames that are worked on at once where more are handed over: whole cells, so a multiple of kGridFrames.
inline constexpr std::uint32_t kRunFrames = 256;
/// The same in so many lanes. In one there is no wavefront, which alone gains from more than a cell.
constexpr std::uint32_t run_frames(int lanes) noexcept { return lanes == 1 ? kGridFrames : kRunFrames; }
/// +36 dBFS: the greatest magnitude that the core carries.
inline constexpr float kMagnitudeBound = 63.095734f;
/// -400 dBFS: what is quieter than this in a filter's state is silence.
inline constexpr float kQuiet = 1e-20f;

/// The tests' own, and nowhere else defined: puts counters where years would bring them.
struct CounterProbe;

/// What a power limiter knows of its coil, in squares of samples: what the limiter that takes over goes on from.
struct CoilHeat {
  float mean_square = 0.0f;  ///< of what left, as slowly as the coil warms; 1.0 = a lasting square wave at full scale
  float level = 0.0f;        ///< of what came, as slowly, as far as the peak limiter would let it leave
};

/// What `configure` says. Anything but `ok` leaves the block as it was.
enum class Setup : std::uint8_t { ok, out_of_range, memory_too_small };
}  // namespace rackproof::dsp
