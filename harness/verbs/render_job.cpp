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
#include <mutex>
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
#include "harness/workers.hpp"

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

/// With the chain whole or cut; nothing where it is cut and a link did not take its input as it was.
std::optional<Rendered> render_by(ChainLinks links, const rig::Rig& rig, const CompiledRig& compiled,
                                  const RenderJob& job, const files::Interruption& interruption,
                                  const ProgressHeard& progress) {
  const auto start = std::chrono::steady_clock::now();
  audio::FeedStream stream = open(rig, job);
  std::uint64_t tail = tail_frames(compiled);
  const std::uint64_t promised = stream.frames() + tail;

  for (auto* const list : {&links.shape, &links.split, &links.limit})
    if (!std::ranges::all_of(*list, &ChainLink::configure))
      throw InputError(fmt::format("{}: is beyond what the core carries", rig.file.string()));

  Rendered rendered;
  rendered.outputs = outputs_of(compiled, job);
  std::vector<std::string> names;
  for (const RenderedOutput& output : rendered.outputs) names.push_back(output.file.string());
  const std::optional<std::string> heard_name = heard_in_set(job);
  if (heard_name) names.push_back(*heard_name);
  files::OutputFolder folder(job.folder);
  const EarlierSet earlier = earlier_set(job.folder, kRenderList, names, files::remove_leftovers(job.folder));
  rendered.of_the_folder = warnings_of(earlier, job.folder, kRenderList);
  std::vector<audio::Writer> writers;
  for (const RenderedOutput& output : rendered.outputs)
    writers.emplace_back(
        job.folder / output.file,
        audio::WriterSettings{
            .sample_rate_hz = rig.controller.sample_rate_hz, .subtype = job.subtype, .expected_frames = promised});
  std::optional<ListenFile> heard;
  if (job.listen)
    heard.emplace(*job.listen, audio::WriterSettings{.sample_rate_hz = rig.controller.sample_rate_hz,
                                                     .subtype = job.subtype,
                                                     .expected_frames = promised});

  const std::size_t block = job.block_frames;
  const std::size_t chunk_frames = (kChunkFrames + block - 1) / block * block;
  const std::size_t slots = job.workers > 1 ? std::min(kSlotsPerWorker * job.workers, kMostSlots) : 1;
  std::vector<Chunk> chunks;
  for (std::size_t slot = 0; slot < slots; ++slot)
    chunks.push_back(
        {.feeds = Tracks(rig.feeds.size(), chunk_frames), .outputs = Tracks(writers.size(), chunk_frames)});
  const std::size_t outputs = writers.size();
  std::vector<RenderMeter> meters(outputs);
  std::vector<analysis::TruePeakMeter> true_peaks(writers.size());
  std::vector<analysis::WavePeakMeter> wave_peaks(writers.size());
  std::vector<float*> tracks(rig.feeds.size());
  std::atomic<bool> as_if_whole{true};  // whether all that the links have made is what the whole chain would make
  Pipeline pipeline(slots, [&](std::size_t slot) {
    interruption.check();
    if (!as_if_whole) return false;
    Chunk& chunk = chunks[slot];
    for (std::size_t f = 0; f < tracks.size(); ++f) tracks[f] = chunk.feeds[f].data();
    const std::size_t got = stream.read(tracks, chunk_frames);
    const auto silent = static_cast<std::size_t>(std::min<std::uint64_t>(chunk_frames - got, tail));
    for (float* track : tracks) std::fill_n(track + got, silent, 0.0f);
    tail -= silent;
    chunk.frames = got + silent;
    rendered.input_frames += got;
    return chunk.frames > 0;
  });
  const auto stage_of = [&](ChainLink& link, Pipeline::Stage after) {
    const bool hears_the_recording = after == Pipeline::kFetch;
    return pipeline.add({after}, [&link, &chunks, &as_if_whole, block, hears_the_recording](std::size_t slot) {
      link.process(chunks[slot], block);
      if (!hears_the_recording && !link.took_all_as_it_was()) as_if_whole = false;
    });
  };
  const auto shaped = links.shape.empty() ? Pipeline::kFetch : stage_of(links.shape.front(), Pipeline::kFetch);
  std::vector<Pipeline::Stage> all_limited, written;
  for (std::size_t g = 0; g < links.limit.size(); ++g) {
    ChainLink& limit = links.limit[g];
    const auto limited = stage_of(limit, links.split.empty() ? shaped : stage_of(links.split[g], shaped));
    all_limited.push_back(limited);
    for (std::size_t i = 0; i < limit.outputs.size(); ++i)
      written.push_back(pipeline.add({limited}, [&, o = limit.first_output() + i](std::size_t slot) {
        const std::span<const float> samples = chunks[slot].outputs[o].first(chunks[slot].frames);
        writers[o].write(samples);
        meters[o].add(samples);
        true_peaks[o].process(samples);
        wave_peaks[o].process(samples);
      }));
  }
  std::vector<const float*> rows(outputs);
  if (heard)
    written.push_back(pipeline.add(all_limited, [&](std::size_t slot) {
      for (std::size_t o = 0; o < outputs; ++o) rows[o] = chunks[slot].outputs[o].data();
      heard->add(rows, chunks[slot].frames);
    }));
  pipeline.add(written, [&](std::size_t slot) {
    rendered.frames += chunks[slot].frames;
    if (progress) progress(rendered.frames, promised);
  });
  pipeline.run(job.workers);
  interruption.check();
  if (!as_if_whole) return std::nullopt;
  for (audio::Writer& writer : writers) writer.finish();
  if (heard) {
    heard->finish();
    rendered.listened = heard->listened();
    writers.push_back(heard->take_writer());
  }
  files::must_be_replaceable(job.folder / kRenderList, files::Kind::set_list);
  files::WholeFile list(job.folder / kRenderList);
  list.write(render_list(rig, compiled, job, rendered, std::span(writers).first(outputs), earlier,
                         heard_name ? &writers.back() : nullptr));
  audio::keep_all(writers, &list, job.workers);
  folder.keep();

  for (ChainLink& limit : links.limit)
    for (std::size_t i = 0; i < limit.outputs.size(); ++i) {
      const std::size_t o = limit.first_output() + i;
      Limiting& limiting = limit.limiting(i);
      limiting.held.finish();
      RenderedOutput& output = rendered.outputs[o];
      output.peak = meters[o].peak();
      true_peaks[o].finish();
      output.true_peak = true_peaks[o].peak_linear();
      wave_peaks[o].finish();
      output.wave_peak = wave_peaks[o].peak_linear();
      output.rms = meters[o].rms();
      output.least_peak_gain = limiting.least_peak_gain;
      output.least_power_gain = limiting.least_power_gain;
      output.limited_frames = limiting.limited_frames;
      output.peak_held = limiting.held.peak();
      output.power_held = limiting.held.power();
      output.held = limiting.held.together();
      output.clipped_samples = meters[o].clipped_samples();
    }
  rendered.bad_samples = links.first().bad_samples();
  rendered.bounded_samples = links.first().bounded_samples();
  rendered.complaint = stream.reader().complaint();
  rendered.elapsed_s = std::chrono::duration<double>(std::chrono::steady_clock::now() - start).count();
  return rendered;
}

}  // namespace

Rendered render(const rig::Rig& rig, const CompiledRig& compiled, const RenderJob& job,
                const files::Interruption& interruption, const ProgressHeard& progress) {
  const dsp::ChainSettings& settings = compiled.settings();
  if (job.workers > 1 && !settings.outputs.empty()) {
    const std::size_t groups = groups_for(settings.outputs.size(), job.workers, job.groups);
    std::optional<Rendered> rendered =
        render_by(cut_chain(settings, groups, job.workers), rig, compiled, job, interruption, progress);
    if (rendered) return std::move(*rendered);
    // Rare: filters have made more than +36 dBFS of what came in.
  }
  return render_by(whole_chain(settings), rig, compiled, job, interruption, progress).value();
}

RenderJob job_of(const RenderJob& common, std::span<const fs::path> inputs, std::size_t number) {
  RenderJob job = common;
  job.input = inputs[number];
  if (inputs.size() == 1) return job;
  job.folder /= job.input.stem();
  if (job.listen) job.listen->place = job.folder / job.listen->place;
  return job;
}

Batch render_all(const rig::Rig& rig, const CompiledRig& compiled, RenderJob common, std::span<const fs::path> inputs,
                 std::size_t workers, const files::Interruption& interruption, const ProgressHeard& progress) {
  const auto read = std::make_shared<FilesRead>();
  read->add(rig.file);
  for (const fs::path& file : common.also_read) read->add(file);
  for (const fs::path& input : inputs) read->add(input);
  common.read = read;
  std::uint64_t promised = 0, done = 0;
  for (std::size_t number = 0; number < inputs.size(); ++number) {
    interruption.check();
    const RenderJob job = job_of(common, inputs, number);
    promised += open(rig, job).frames() + tail_frames(compiled);
    static_cast<void>(outputs_of(compiled, job));
  }
  const std::size_t at_once = std::clamp<std::size_t>(workers, 1, std::max<std::size_t>(inputs.size(), 1));
  Batch batch;
  batch.rendered.resize(inputs.size());
  std::mutex mutex;  // guards batch, done and next
  std::size_t next = 0;
  const auto take_jobs = [&](std::size_t worker) {
    for (std::unique_lock lock(mutex); next < inputs.size() && !batch.failure;) {
      const std::size_t number = next++;
      lock.unlock();
      std::optional<Rendered> rendered;
      std::exception_ptr failure;
      try {
        RenderJob job = job_of(common, inputs, number);
        job.workers = std::max<std::size_t>(1, workers / at_once + (worker < workers % at_once ? 1 : 0));
        std::uint64_t heard = 0;
        rendered = render(rig, compiled, job, interruption, [&](std::uint64_t frames, std::uint64_t) {
          const std::lock_guard hearing(mutex);
          if (batch.failure) std::rethrow_exception(batch.failure);  // no use going on beside it
          done += frames - heard;                                    // fewer than before where it was begun anew
          heard = frames;
          if (progress) progress(done, promised);
        });
      } catch (...) {
        failure = std::current_exception();
      }
      lock.lock();
      batch.rendered[number] = std::move(rendered);
      if (failure && !batch.failure) batch.failure = failure;
    }
  };
  side_by_side(at_once, take_jobs);
  return batch;
}

}  // namespace rackproof
