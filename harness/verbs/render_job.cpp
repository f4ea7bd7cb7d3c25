#include "harness/verbs/render_job.hpp"

#include <fmt/format.h>
#include <sys/stat.h>

#include <algorithm>
#include <atomic>
#include <cerrno>
#include <chrono>
#include <cmath>
#include <cstddef>
#include <memory>
#include <span>
#include <system_error>

#include "dsp/chain/chain.hpp"
#include "harness/analysis/true_peak_meter.hpp"
#include "harness/analysis/wave_peak_meter.hpp"
#include "harness/audio/feed_stream.hpp"
#include "harness/files/descriptor.hpp"
#include "harness/files/kind.hpp"
#include "harness/files/output_folder.hpp"
#include "harness/render/chain_links.hpp"
#include "harness/render/pipeline.hpp"
#include "harness/verbs/render_list.hpp"
#include "harness/verbs/render_meter.hpp"

namespace rackproof {
namespace {

namespace fs = std::filesystem;

constexpr std::size_t kSlotsPerWorker = 2, kMostSlots = 16;  // chunks under way: one seldom waits for another

/// What cannot be looked at could be anything.
void must_be_absent(const fs::path& file, int error) {
  if (error != ENOENT && error != ENOTDIR && error != ENAMETOOLONG && error != ELOOP)
    throw MachineError(fmt::format("{}: cannot be examined: {}", file.string(), files::reason(error)));
}

void refuse_to_overwrite(const fs::path& place, const RenderJob& job) {
  const std::optional<fs::path> read = job.read ? job.read->same_as(place) : std::nullopt;
  if (read)
    throw InputError(
        fmt::format("{}: would be overwritten by the render, which reads it as {}; name another folder with -o",
                    place.string(), read->string()));
}

audio::FeedStream open(const rig::Rig& rig, const RenderJob& job) {
  return audio::FeedStream(job.input, {.feeds = rig.feeds,
                                       .sample_rate_hz = rig.controller.sample_rate_hz,
                                       .resample = job.resample,
                                       .start_s = job.start_s,
                                       .seconds = job.seconds});
}
std::uint64_t tail_frames(const CompiledRig& compiled) {
  return compiled.latency_samples + longest_delay_frames(compiled);
}
std::vector<RenderedOutput> outputs_of(const CompiledRig& compiled, const RenderJob& job) {
  std::vector<RenderedOutput> outputs;
  for (const OutputPlan& plan : compiled.outputs) {
    outputs.push_back({.file = plan.name + ".wav"});
    refuse_to_overwrite(job.folder / outputs.back().file, job);
  }
  refuse_to_overwrite(job.folder / kRenderList, job);
  if (!job.listen) return outputs;
  refuse_to_overwrite(job.listen->place, job);
  const auto whole = [](const fs::path& name) { return fs::weakly_canonical(fs::absolute(name)); };
  const fs::path heard = whole(job.listen->place);
  for (const RenderedOutput& output : outputs)
    if (heard == whole(job.folder / output.file))
      throw InputError(fmt::format("--listen: read {}; that is the file of an output; right would be another name",
                                   job.listen->place.string()));
  if (heard == whole(job.folder / kRenderList))
    throw InputError(fmt::format("--listen: read {}; that is the list of the outputs; right would be another name",
                                 job.listen->place.string()));
  return outputs;
}
/// What is heard, where it goes into the folder of the outputs: then it is one of the set.
std::optional<std::string> heard_in_set(const RenderJob& job) {
  if (!job.listen) return std::nullopt;
  const auto whole = [](const fs::path& name) { return fs::weakly_canonical(fs::absolute(name)); };
  const fs::path& place = job.listen->place;
  if (whole(place).parent_path() != whole(job.folder / kRenderList).parent_path()) return std::nullopt;
  return place.filename().string();
}

}  // namespace

void FilesRead::add(const fs::path& file) {
  struct stat facts {};
  if (::stat(file.c_str(), &facts) == 0)
    files_.emplace(std::pair(facts.st_dev, facts.st_ino), file);
  else
    must_be_absent(file, errno);
}
std::optional<fs::path> FilesRead::same_as(const fs::path& place) const {
  struct stat facts {};
  if (::stat(place.c_str(), &facts) != 0) {
    must_be_absent(place, errno);
    return std::nullopt;
  }
  const auto found = files_.find(std::pair(facts.st_dev, facts.st_ino));
  return found == files_.end() ? std::nullopt : std::optional(found->second);
}

std::uint64_t longest_delay_frames(const CompiledRig& compiled) {
  double longest = 0.0;
  for (const OutputPlan& output : compiled.outputs) longest = std::max(longest, output.delay_samples);
  // A whole number of samples, computed in seconds, may come back a little off.
  return static_cast<std::uint64_t>(std::ceil(longest - 1e-6));
}

namespace {

/// One rendering by links of a chain, whole or cut.
class Rendering {
 public:
  /// Throws what `render` throws. The files are begun here.
  Rendering(ChainLinks links, const rig::Rig& rig, const CompiledRig& compiled, const RenderJob& job,
            const files::Interruption& interruption, const ProgressHeard& progress);
  /// Once. Nothing where the chain is cut and a link did not take its input as it was: then nothing is kept.
  std::optional<Rendered> run();

 private:
  /// Of one output, on its way to its file.
  struct Track {
    audio::Writer writer;
    RenderMeter meter = {};
    analysis::TruePeakMeter true_peak = {};
    analysis::WavePeakMeter wave_peak = {};

    void write(std::span<const float> samples);
  };
  void begin_files();
  bool fetch(std::size_t slot);
  void add_stages(Pipeline& pipeline);
  Pipeline::Stage add_link(Pipeline& pipeline, ChainLink& link, Pipeline::Stage after);
  Pipeline::Stage add_listening(Pipeline& pipeline, std::vector<Pipeline::Stage> after);
  void keep();
  void measure();

  const rig::Rig& rig_;
  const CompiledRig& compiled_;
  const RenderJob& job_;
  const files::Interruption& interruption_;
  const ProgressHeard& progress_;
  const std::chrono::steady_clock::time_point began_ = std::chrono::steady_clock::now();

  ChainLinks links_;
  audio::FeedStream stream_;
  std::uint64_t tail_;      ///< frames of silence that are still to come behind the recording
  std::uint64_t promised_;  ///< frames of each output
  Rendered rendered_;
  std::optional<files::OutputFolder> folder_;  ///< goes after the files begun in it
  EarlierSet earlier_;
  std::vector<Track> tracks_;
  std::optional<ListenFile> heard_;
  std::size_t chunk_frames_;
  std::vector<Chunk> chunks_;
  std::vector<float*> feeds_;
  std::atomic<bool> as_if_whole_{true};  ///< whether all that the links have made is what the whole chain would make
};

std::size_t whole_blocks(std::size_t frames, std::size_t block) { return (frames + block - 1) / block * block; }

Rendering::Rendering(ChainLinks links, const rig::Rig& rig, const CompiledRig& compiled, const RenderJob& job,
                     const files::Interruption& interruption, const ProgressHeard& progress)
    : rig_(rig),
      compiled_(compiled),
      job_(job),
      interruption_(interruption),
      progress_(progress),
      links_(std::move(links)),
      stream_(open(rig, job)),
      tail_(tail_frames(compiled)),
      promised_(stream_.frames() + tail_),
      chunk_frames_(whole_blocks(kChunkFrames, job.block_frames)),
      feeds_(rig.feeds.size()) {
  for (auto* const list : {&links_.shape, &links_.split, &links_.limit})
    if (!std::ranges::all_of(*list, &ChainLink::configure))
      throw InputError(fmt::format("{}: is beyond what the core carries", rig.file.string()));
  rendered_.outputs = outputs_of(compiled, job);
  begin_files();
  const std::size_t slots = job.workers > 1 ? std::min(kSlotsPerWorker * job.workers, kMostSlots) : 1;
  for (std::size_t slot = 0; slot < slots; ++slot)
    chunks_.emplace_back(rig.feeds.size(), tracks_.size(), chunk_frames_);
}

void Rendering::begin_files() {
  std::vector<std::string> names;
  for (const RenderedOutput& output : rendered_.outputs) names.push_back(output.file.string());
  if (const std::optional<std::string> heard_name = heard_in_set(job_)) names.push_back(*heard_name);
  folder_.emplace(job_.folder);
  earlier_ = earlier_set(job_.folder, kRenderList, names, files::remove_leftovers(job_.folder));
  rendered_.of_the_folder = warnings_of(earlier_, job_.folder, kRenderList);
  const audio::WriterSettings settings{
      .sample_rate_hz = rig_.controller.sample_rate_hz, .subtype = job_.subtype, .expected_frames = promised_};
  for (const RenderedOutput& output : rendered_.outputs)
    tracks_.push_back({.writer = audio::Writer(job_.folder / output.file, settings)});
  if (job_.listen) heard_.emplace(*job_.listen, settings);
}

bool Rendering::fetch(std::size_t slot) {
  interruption_.check();
  if (!as_if_whole_) return false;
  Chunk& chunk = chunks_[slot];
  for (std::size_t f = 0; f < feeds_.size(); ++f) feeds_[f] = chunk.feeds[f].data();
  const std::size_t got = stream_.read(feeds_, chunk_frames_);
  const auto silent = static_cast<std::size_t>(std::min<std::uint64_t>(chunk_frames_ - got, tail_));
  for (float* feed : feeds_) std::fill_n(feed + got, silent, 0.0f);
  tail_ -= silent;
  chunk.frames = got + silent;
  rendered_.input_frames += got;
  return chunk.frames > 0;
}

void Rendering::Track::write(std::span<const float> samples) {
  writer.write(samples);
  meter.add(samples);
  true_peak.process(samples);
  wave_peak.process(samples);
}

Pipeline::Stage Rendering::add_link(Pipeline& pipeline, ChainLink& link, Pipeline::Stage after) {
  const bool hears_the_recording = after == Pipeline::kFetch;
  return pipeline.add({after}, [this, &link, hears_the_recording](std::size_t slot) {
    link.process(chunks_[slot], job_.block_frames);
    if (!hears_the_recording && !link.took_all_as_it_was()) as_if_whole_ = false;
  });
}

Pipeline::Stage Rendering::add_listening(Pipeline& pipeline, std::vector<Pipeline::Stage> after) {
  return pipeline.add(std::move(after),
                      [this, rows = std::vector<const float*>(tracks_.size())](std::size_t slot) mutable {
                        for (std::size_t o = 0; o < rows.size(); ++o) rows[o] = chunks_[slot].outputs[o].data();
                        heard_->add(rows, chunks_[slot].frames);
                      });
}

void Rendering::add_stages(Pipeline& pipeline) {
  const auto shaped =
      links_.shape.empty() ? Pipeline::kFetch : add_link(pipeline, links_.shape.front(), Pipeline::kFetch);
  std::vector<Pipeline::Stage> all_limited, written;
  for (std::size_t g = 0; g < links_.limit.size(); ++g) {
    const auto split = links_.split.empty() ? shaped : add_link(pipeline, links_.split[g], shaped);
    ChainLink& limit = links_.limit[g];
    const auto limited = add_link(pipeline, limit, split);
    all_limited.push_back(limited);
    for (std::size_t i = 0; i < limit.outputs.size(); ++i)
      written.push_back(pipeline.add({limited}, [this, o = limit.first_output() + i](std::size_t slot) {
        tracks_[o].write(chunks_[slot].outputs[o].first(chunks_[slot].frames));
      }));
  }
  if (heard_) written.push_back(add_listening(pipeline, all_limited));
  pipeline.add(written, [this](std::size_t slot) {
    rendered_.frames += chunks_[slot].frames;
    if (progress_) progress_(rendered_.frames, promised_);
  });
}

std::optional<Rendered> Rendering::run() {
  Pipeline pipeline(chunks_.size(), [this](std::size_t slot) { return fetch(slot); });
  add_stages(pipeline);
  pipeline.run(job_.workers);
  interruption_.check();
  if (!as_if_whole_) return std::nullopt;
  keep();
  measure();
  rendered_.elapsed_s = std::chrono::duration<double>(std::chrono::steady_clock::now() - began_).count();
  return std::move(rendered_);
}

/// All files to their places, the list last.
void Rendering::keep() {
  std::vector<audio::Writer> writers;
  for (Track& track : tracks_) {
    track.writer.finish();
    writers.push_back(std::move(track.writer));
  }
  if (heard_) {
    heard_->finish();
    rendered_.listened = heard_->listened();
    writers.push_back(heard_->take_writer());
  }
  files::must_be_replaceable(job_.folder / kRenderList, files::Kind::set_list);
  files::WholeFile list(job_.folder / kRenderList);
  list.write(render_list(rig_, compiled_, job_, rendered_, std::span(writers).first(tracks_.size()), earlier_,
                         heard_in_set(job_) ? &writers.back() : nullptr));
  audio::keep_all(writers, &list, job_.workers);
  folder_->keep();
}

/// What is told of each output.
void Rendering::measure() {
  for (ChainLink& limit : links_.limit)
    for (std::size_t i = 0; i < limit.outputs.size(); ++i) {
      const std::size_t o = limit.first_output() + i;
      Limiting& limiting = limit.limiting(i);
      limiting.held.finish();
      RenderedOutput& output = rendered_.outputs[o];
      output.least_peak_gain = limiting.least_peak_gain;
      output.least_power_gain = limiting.least_power_gain;
      output.limited_frames = limiting.limited_frames;
      output.peak_held = limiting.held.peak();
      output.power_held = limiting.held.power();
      output.held = limiting.held.together();
      Track& track = tracks_[o];
      track.true_peak.finish();
      track.wave_peak.finish();
      output.peak = track.meter.peak();
      output.true_peak = track.true_peak.peak_linear();
      output.wave_peak = track.wave_peak.peak_linear();
      output.rms = track.meter.rms();
      output.clipped_samples = track.meter.clipped_samples();
    }
  rendered_.bad_samples = links_.first().bad_samples();
  rendered_.bounded_samples = links_.first().bounded_samples();
  rendered_.complaint = stream_.reader().complaint();
  rendered_.input_channels = stream_.reader().channels();
}

}  // namespace

std::uint64_t promised_frames(const rig::Rig& rig, const CompiledRig& compiled, const RenderJob& job) {
  const std::uint64_t frames = open(rig, job).frames() + tail_frames(compiled);
  static_cast<void>(outputs_of(compiled, job));
  return frames;
}

Rendered render(const rig::Rig& rig, const CompiledRig& compiled, const RenderJob& job,
                const files::Interruption& interruption, const ProgressHeard& progress) {
  const dsp::ChainSettings& settings = compiled.settings();
  if (job.workers > 1 && !settings.outputs.empty()) {
    const std::size_t groups = groups_for(settings.outputs.size(), job.workers, job.groups);
    std::optional<Rendered> rendered =
        Rendering(cut_chain(settings, groups, job.workers), rig, compiled, job, interruption, progress).run();
    if (rendered) return std::move(*rendered);
    // Rare: filters have made more than +36 dBFS of what came in.
  }
  return Rendering(whole_chain(settings), rig, compiled, job, interruption, progress).run().value();
}

}  // namespace rackproof
