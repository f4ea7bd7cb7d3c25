#pragma once
/// A recording through the chain, from files to files, in constant memory.
/// Theorem  every output file holds input frames + latency + longest delay (rounded up) frames, and its bytes depend on
///          rig, venue, input and options alone: not on the block size, the time or the machine. They are all there in
///          the end, or none is.
/// Method   chunks of at least audio::kReadFrames frames, cut into the controller's blocks for the chain; after the
///          recording silence, until what is delayed is out.
#include <cstdint>
#include <filesystem>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "harness/audio/writer.hpp"
#include "harness/calibration/compile.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof {

struct RenderJob {
  std::filesystem::path input, folder;
  audio::Subtype subtype = audio::Subtype::float32;
  double start_s = 0;
  std::optional<double> seconds;
  bool resample = false;
  std::uint32_t block_frames = 64;
  std::vector<std::filesystem::path> read_files;  ///< rig and venue: never to be overwritten either
};

struct RenderedOutput {
  std::filesystem::path file;
  double peak = 0, true_peak = 0, rms = 0;  ///< 1.0 = full scale; rms plain, so a full-scale sine has 0.7071
  double least_peak_gain = 1, least_power_gain = 1;
  std::uint64_t limited_frames = 0, clipped_samples = 0;
};

struct Rendered {
  std::uint64_t input_frames = 0, frames = 0;  ///< `frames` in each output
  double elapsed_s = 0;
  std::uint64_t bad_samples = 0, bounded_samples = 0;
  std::optional<std::string> complaint;  ///< about the input file
  std::vector<RenderedOutput> outputs;   ///< in the order of CompiledRig::outputs
};

/// `progress` hears frames done and in all. Throws InputError, MachineError, or audio::Interrupted.
Rendered render(const rig::Rig& rig, const CompiledRig& compiled, const RenderJob& job,
                const std::function<void(std::uint64_t, std::uint64_t)>& progress = {});

/// Whole frames by which the last delayed sample comes after the latency.
std::uint64_t longest_delay_frames(const CompiledRig& compiled);

}  // namespace rackproof
