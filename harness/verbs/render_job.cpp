#include "harness/verbs/render_job.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstddef>
#include <deque>
#include <mutex>
#include <numeric>
#include <span>
#include <system_error>
#include <thread>

#include "dsp/chain/chain.hpp"
#include "harness/analysis/true_peak_meter.hpp"
#include "harness/audio/feed_stream.hpp"
#include "harness/verbs/pipeline.hpp"
#include "harness/verbs/render_meter.hpp"

namespace rackproof {
namespace {

namespace fs = std::filesystem;

constexpr std::size_t kChunkFrames = audio::kReadFrames;
constexpr std::size_t kSlots = 4;  // chunks under way: one read, one or two worked on, one written

/// A buffer a signal, side by side.
class Tracks {
 public:
  Tracks(std::size_t tracks, std::size_t frames) : samples_(tracks * frames), frames_(frames) {}
  std::span<float> operator[](std::size_t track) { return std::span(samples_).subspan(track * frames_, frames_); }

 private:
  std::vector<float> samples_;
  std::size_t frames_;
};

/// Between reading and writing.
struct Chunk {
  Tracks feeds, outputs;
  std::size_t frames = 0;
};

/// Some of the outputs, with a chain for them alone.
class Part {
 public:
  /// Heeds the feeds that its outputs take, in their order. The one that `counts` is told all feeds, so that it sees
  /// every bad sample; those that its outputs do not take pass no section.
  Part(const dsp::ChainSettings& whole, std::span<const std::size_t> outputs, bool counts)
      : outputs_(outputs.begin(), outputs.end()), settings_(whole) {
    std::vector<bool> heard(whole.feeds.size());
    for (const std::size_t o : outputs_)
      for (std::size_t f = 0; f < heard.size(); ++f)
        if (whole.outputs[o].source == dsp::kMeanOfFeeds || whole.outputs[o].source == static_cast<int>(f))
          heard[f] = true;
    std::vector<std::int16_t> place(whole.feeds.size());
    for (std::size_t f = 0; f < heard.size(); ++f) {
      if (!heard[f] && !counts) continue;
      place[f] = static_cast<std::int16_t>(feeds_.size());
      feeds_.push_back(f);
      feed_settings_.push_back(heard[f] ? whole.feeds[f] : dsp::FeedSettings{});
    }
    for (const std::size_t o : outputs_) {
      dsp::OutputSettings& own = output_settings_.emplace_back(whole.outputs[o]);
      if (own.source != dsp::kMeanOfFeeds) own.source = place[static_cast<std::size_t>(own.source)];
    }
    settings_.feeds = feed_settings_, settings_.outputs = output_settings_;
    memory_.resize(dsp::Chain::required_bytes(settings_));
    from_.resize(feeds_.size()), to_.resize(outputs_.size());
  }
  bool configure() { return !memory_.empty() && chain.configure(settings_, memory_) == dsp::Setup::ok; }
  void process(Chunk& chunk, std::size_t block) {
    for (std::size_t at = 0; at < chunk.frames; at += block) {
      for (std::size_t f = 0; f < feeds_.size(); ++f) from_[f] = chunk.feeds[feeds_[f]].data() + at;
      for (std::size_t o = 0; o < outputs_.size(); ++o) to_[o] = chunk.outputs[outputs_[o]].data() + at;
      chain.process(from_, to_, std::min(block, chunk.frames - at));
    }
  }
  std::span<const std::size_t> outputs() const { return outputs_; }

  dsp::Chain chain;

 private:
  std::vector<std::size_t> outputs_, feeds_;  ///< by their numbers in the whole
  std::vector<dsp::FeedSettings> feed_settings_;
  std::vector<dsp::OutputSettings> output_settings_;
  dsp::ChainSettings settings_;
  std::vector<std::byte> memory_;
  std::vector<const float*> from_;
  std::vector<float*> to_;
};

/// Outputs that share a feed come together: its part of the chain is then done once.
std::deque<Part> parts_of(const dsp::ChainSettings& whole, std::size_t wanted) {
  std::vector<std::size_t> order(whole.outputs.size());
  std::iota(order.begin(), order.end(), std::size_t{0});
  std::ranges::stable_sort(order, {}, [&](std::size_t o) { return whole.outputs[o].source; });
  const std::size_t count = std::clamp<std::size_t>(wanted, 1, std::max<std::size_t>(order.size(), 1));
  std::deque<Part> parts;
  for (std::size_t p = 0; p < count; ++p) {
    const std::size_t from = order.size() * p / count, to = order.size() * (p + 1) / count;
    parts.emplace_back(whole, std::span(order).subspan(from, to - from), p == 0);
  }
  return parts;
}

void refuse_to_overwrite(const fs::path& place, const std::vector<fs::path>& read_files) {
  for (const fs::path& file : read_files) {
    std::error_code ignored;
    if (fs::equivalent(place, file, ignored))
      throw InputError(
          fmt::format("{}: would be overwritten by the render, which reads it as {}; name another folder with -o",
                      place.string(), file.string()));
  }
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
    outputs.push_back({.file = job.folder / (plan.name + ".wav")});
    refuse_to_overwrite(outputs.back().file, job.read_files);
  }
  return outputs;
}

}  // namespace

std::uint64_t longest_delay_frames(const CompiledRig& compiled) {
  double longest = 0.0;
  for (const OutputPlan& output : compiled.outputs) longest = std::max(longest, output.delay_samples);
  // A whole number of samples, reckoned in seconds, may come back with dust on it.
  return static_cast<std::uint64_t>(std::ceil(longest - 1e-6));
}

Rendered render(const rig::Rig& rig, const CompiledRig& compiled, const RenderJob& job,
                const audio::Interruption& interruption, const ProgressHeard& progress) {
  const auto start = std::chrono::steady_clock::now();
  audio::FeedStream stream = open(rig, job);
  std::uint64_t tail = tail_frames(compiled);
  const std::uint64_t promised = stream.frames() + tail;

  // Up to two workers are kept busy by one chain and what is around it.
  std::deque<Part> parts = parts_of(compiled.settings(), job.parts != 0 ? job.parts : job.workers / 2);
  if (!std::ranges::all_of(parts, [](Part& part) { return part.configure(); }))
    throw InputError(fmt::format("{}: is beyond what the core carries", rig.file.string()));

  Rendered rendered;
  rendered.outputs = outputs_of(compiled, job);
  audio::OutputFolder folder(job.folder);
  std::vector<audio::Writer> writers;
  for (const RenderedOutput& output : rendered.outputs)
    writers.emplace_back(output.file, audio::WriterSettings{.sample_rate_hz = rig.controller.sample_rate_hz,
                                                            .subtype = job.subtype,
                                                            .expected_frames = promised});

  const std::size_t block = job.block_frames, chunk_frames = (kChunkFrames + block - 1) / block * block;
  const std::size_t slots = job.workers > 1 ? kSlots : 1;
  std::vector<Chunk> chunks(slots, {Tracks(rig.feeds.size(), chunk_frames), Tracks(writers.size(), chunk_frames)});
  std::vector<RenderMeter> meters(writers.size());
  std::vector<analysis::TruePeakMeter> true_peaks(writers.size());
  std::vector<float*> tracks(rig.feeds.size());
  Pipeline pipeline(slots, [&](std::size_t slot) {
    interruption.check();
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
  std::vector<Pipeline::Stage> written;
  for (Part& part : parts) {
    const auto computed =
        pipeline.add({Pipeline::kFetch}, [&](std::size_t slot) { part.process(chunks[slot], block); });
    for (const std::size_t o : part.outputs())
      written.push_back(pipeline.add({computed}, [&, o](std::size_t slot) {
        const std::span<const float> samples = chunks[slot].outputs[o].first(chunks[slot].frames);
        writers[o].write(samples);
        meters[o].add(samples);
        true_peaks[o].process(samples);
      }));
  }
  pipeline.add(written, [&](std::size_t slot) {
    rendered.frames += chunks[slot].frames;
    if (progress) progress(rendered.frames, promised);
  });
  pipeline.run(job.workers);
  interruption.check();
  audio::keep_all(writers);
  folder.keep();

  for (Part& part : parts)
    for (std::size_t i = 0; i < part.outputs().size(); ++i) {
      const std::size_t o = part.outputs()[i];
      const dsp::Meter meter = part.chain.take_meter(i);
      RenderedOutput& output = rendered.outputs[o];
      output.peak = meters[o].peak();
      true_peaks[o].finish();
      output.true_peak = true_peaks[o].peak_linear();
      output.rms = meters[o].rms();
      output.least_peak_gain = static_cast<double>(meter.least_peak_gain);
      output.least_power_gain = static_cast<double>(meter.least_power_gain);
      output.limited_frames = meter.limited_frames;
      output.clipped_samples = meters[o].clipped_samples();
    }
  rendered.bad_samples = parts.front().chain.bad_samples();
  rendered.bounded_samples = parts.front().chain.bounded_samples();
  rendered.complaint = stream.reader().complaint();
  rendered.elapsed_s = std::chrono::duration<double>(std::chrono::steady_clock::now() - start).count();
  return rendered;
}

Batch render_all(const rig::Rig& rig, const CompiledRig& compiled, std::vector<RenderJob> jobs, std::size_t workers,
                 const audio::Interruption& interruption, const ProgressHeard& progress) {
  std::uint64_t promised = 0;
  for (const RenderJob& job : jobs) {
    promised += open(rig, job).frames() + tail_frames(compiled);
    static_cast<void>(outputs_of(compiled, job));
  }
  const std::size_t side_by_side = std::clamp<std::size_t>(workers, 1, std::max<std::size_t>(jobs.size(), 1));
  Batch batch;
  batch.rendered.resize(jobs.size());
  std::vector<std::uint64_t> done(jobs.size());
  std::mutex mutex;  // guards batch, done and next
  std::size_t next = 0;
  const auto take_jobs = [&](std::size_t own_workers) {
    for (std::unique_lock lock(mutex); next < jobs.size() && !batch.failure;) {
      const std::size_t number = next++;
      lock.unlock();
      std::optional<Rendered> rendered;
      std::exception_ptr failure;
      try {
        RenderJob& job = jobs[number];
        job.workers = own_workers;
        rendered = render(rig, compiled, job, interruption, [&](std::uint64_t frames, std::uint64_t) {
          const std::lock_guard heard(mutex);
          if (batch.failure) std::rethrow_exception(batch.failure);  // no use going on beside it
          done[number] = frames;
          if (progress) progress(std::accumulate(done.begin(), done.end(), std::uint64_t{0}), promised);
        });
      } catch (...) {
        failure = std::current_exception();
      }
      lock.lock();
      batch.rendered[number] = std::move(rendered);
      if (failure && !batch.failure) batch.failure = failure;
    }
  };
  std::vector<std::jthread> others;
  try {
    for (std::size_t i = 1; i < side_by_side; ++i)
      others.emplace_back(take_jobs, workers / side_by_side + (i < workers % side_by_side ? 1 : 0));
  } catch (const std::system_error&) {  // fewer side by side, then
  }
  take_jobs(std::max<std::size_t>(1, workers / side_by_side + (workers % side_by_side > 0 ? 1 : 0)));
  others.clear();
  return batch;
}

}  // namespace rackproof
