#pragma once
/// A recording through the chain, from files to files, in constant memory.
/// Theorem  every output file holds input frames + latency + longest delay (rounded up) frames, and its bytes depend on
///          rig, venue, input and options alone: not on the block size, the time, the machine or the number of workers.
///          All outputs are there in the end, or none is. A folder with `render.json` holds all that it lists
///          (set_list.hpp).
/// Method   chunks of at least kChunkFrames frames, handed to the chain kCallFrames at a time, whatever the controller's
///          block is; after the recording silence, until what is delayed is out. Reading, metering and writing are
///          stages of a pipeline; for more than one worker the chain is as well (harness/render/chain_links.hpp). A
///          recording of which the cut chain would not make what the whole one does is rendered again, the chain whole.
#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <functional>
#include <map>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <utility>
#include <vector>

#include "harness/analysis/held.hpp"
#include "harness/audio/reader.hpp"
#include "harness/audio/writer.hpp"
#include "harness/calibration/compile.hpp"
#include "harness/files/interruption.hpp"
#include "harness/rig/rig.hpp"
#include "harness/verbs/listen.hpp"

namespace rackproof {

inline constexpr std::size_t kChunkFrames = 32768;  ///< they go from worker to worker
inline constexpr std::uint32_t kCallFrames = 512;   ///< a call of the chain: its cost is least from there on

inline constexpr const char* kRenderList = "render.json";

/// Files that a run reads, by what they are and not by their names: never to be overwritten by it.
class FilesRead {
 public:
  void add(const std::filesystem::path& file);
  /// The one that would be overwritten, if any.
  std::optional<std::filesystem::path> same_as(const std::filesystem::path& place) const;

 private:
  std::map<std::pair<std::uint64_t, std::uint64_t>, std::filesystem::path> files_;  ///< by device and number on it
};

struct RenderJob {
  std::filesystem::path input, folder;
  audio::Subtype subtype = audio::Subtype::float32;
  double start_s = 0;
  std::optional<double> seconds;
  bool resample = false;
  std::uint32_t block_frames = kCallFrames;
  std::size_t workers = 1;
  std::size_t groups = 0;                        ///< of outputs, side by side; 0: as the workers want it
  std::vector<std::filesystem::path> also_read;  ///< beside rig and recordings: the venue
  std::shared_ptr<const FilesRead> read;         ///< all of them: of a batch, of every recording
  std::shared_ptr<const std::string> made_by;    ///< the list's head as JSON: rig, venue, options; null: an empty one
  std::optional<ListenJob> listen;               ///< what is heard goes there as well
};

struct RenderedOutput {
  std::filesystem::path file;               ///< in the job's folder
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
  std::optional<audio::Complaint> complaint;  ///< about the input file
  std::uint32_t input_channels = 0;
  std::vector<Warning> of_the_folder;   ///< what stood there before
  std::vector<RenderedOutput> outputs;  ///< in the order of CompiledRig::outputs
  std::optional<Listened> listened;
};

using ProgressHeard = std::function<void(std::uint64_t done, std::uint64_t of)>;

/// Throws InputError, MachineError, or files::Interrupted. `progress` hears frames, from any of the workers.
Rendered render(const rig::Rig& rig, const CompiledRig& compiled, const RenderJob& job,
                const files::Interruption& interruption, const ProgressHeard& progress = {});

/// Frames that each output will have. Throws what is wrong with the recording's name or header, or with the places of
/// what it is made into.
std::uint64_t promised_frames(const rig::Rig& rig, const CompiledRig& compiled, const RenderJob& job);

/// Whole frames by which the last delayed sample comes after the latency.
std::uint64_t longest_delay_frames(const CompiledRig& compiled);

}  // namespace rackproof
