#pragma once
/// A recording through the chain, from files to files, in constant memory.
/// Theorem  every output file holds input frames + latency + longest delay (rounded up) frames, and its bytes depend on
///          rig, venue, input and options alone: not on the block size, the time, the machine or the number of workers.
///          Of one recording all outputs are there in the end, or none is.
/// Method   chunks of at least kChunkFrames frames, cut into the controller's blocks for the chain; after the recording
///          silence, until what is delayed is out. Reading, metering and writing are stages of a pipeline; for more
///          than one worker the chain is as well: feeds, split, limiters, in chains of their own. Samples pass from one
///          to the next bit for bit, but for those beyond +36 dBFS, which a chain does not let in and its inside may
///          hold: a recording that makes such a sample is rendered again, the chain whole.
#include <cstddef>
#include <cstdint>
#include <exception>
#include <filesystem>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "harness/analysis/held.hpp"
#include "harness/audio/interruption.hpp"
#include "harness/audio/writer.hpp"
#include "harness/calibration/compile.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof {

inline constexpr std::size_t kChunkFrames = 32768;  ///< they go from worker to worker

struct RenderJob {
  std::filesystem::path input, folder;
  audio::Subtype subtype = audio::Subtype::float32;
  double start_s = 0;
  std::optional<double> seconds;
  bool resample = false;
  std::uint32_t block_frames = 64;
  std::size_t workers = 1;
  std::size_t groups = 0;                         ///< of outputs, side by side; 0: as the workers want it
  std::vector<std::filesystem::path> read_files;  ///< rig and venue: never to be overwritten either
};

struct RenderedOutput {
  std::filesystem::path file;
  double peak = 0, true_peak = 0, rms = 0;  ///< 1.0 = full scale; rms plain, so a full-scale sine has 0.7071
  double wave_peak = 0;                     ///< of the wave that a converter makes: for volts, never below `peak`
  double least_peak_gain = 1, least_power_gain = 1;
  analysis::Held peak_held = {}, power_held = {}, held = {};  ///< by each limiter, and by both together
  std::uint64_t limited_frames = 0, clipped_samples = 0;
};

struct Rendered {
  std::uint64_t input_frames = 0, frames = 0;  ///< `frames` in each output
  double elapsed_s = 0;
  std::uint64_t bad_samples = 0, bounded_samples = 0;
  std::optional<std::string> complaint;  ///< about the input file
  std::vector<RenderedOutput> outputs;   ///< in the order of CompiledRig::outputs
};

using ProgressHeard = std::function<void(std::uint64_t done, std::uint64_t of)>;

/// Throws InputError, MachineError, or audio::Interrupted. `progress` hears frames, from any of the workers.
Rendered render(const rig::Rig& rig, const CompiledRig& compiled, const RenderJob& job,
                const audio::Interruption& interruption, const ProgressHeard& progress = {});

/// What became of many recordings: `rendered` in the order of the jobs, empty where `failure` came first.
struct Batch {
  std::vector<std::optional<Rendered>> rendered;
  std::exception_ptr failure;
};
/// Many recordings, side by side as far as the workers go; each takes its places when it is whole. What is wrong with
/// any recording's name or header is thrown before the first is begun.
Batch render_all(const rig::Rig& rig, const CompiledRig& compiled, std::vector<RenderJob> jobs, std::size_t workers,
                 const audio::Interruption& interruption, const ProgressHeard& progress = {});

/// Whole frames by which the last delayed sample comes after the latency.
std::uint64_t longest_delay_frames(const CompiledRig& compiled);

}  // namespace rackproof
