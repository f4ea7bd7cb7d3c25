#include "harness/verbs/render_job.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstddef>
#include <span>

#include "dsp/chain/chain.hpp"
#include "harness/analysis/true_peak_meter.hpp"
#include "harness/audio/feed_stream.hpp"
#include "harness/audio/interruption.hpp"
#include "harness/verbs/render_meter.hpp"

namespace rackproof {
namespace {

namespace fs = std::filesystem;

/// A buffer a signal, side by side, and the pointers to where in them the work stands.
class Tracks {
 public:
  Tracks(std::size_t tracks, std::size_t frames) : samples_(tracks * frames), frames_(frames), at_(tracks) {}
  std::span<float> operator[](std::size_t track) { return std::span(samples_).subspan(track * frames_, frames_); }
  std::span<float* const> from(std::size_t frame) {
    for (std::size_t track = 0; track < at_.size(); ++track) at_[track] = samples_.data() + track * frames_ + frame;
    return at_;
  }
  std::size_t size() const { return at_.size(); }

 private:
  std::vector<float> samples_;
  std::size_t frames_;
  std::vector<float*> at_;
};

void refuse_to_overwrite(const fs::path& place, const std::vector<fs::path>& read_files) {
  for (const fs::path& file : read_files) {
    std::error_code ignored;
    if (fs::equivalent(place, file, ignored))
      throw InputError(
          fmt::format("{}: would be overwritten by the render, which reads it as {}; name another folder with -o",
                      place.string(), file.string()));
  }
}

}  // namespace

std::uint64_t longest_delay_frames(const CompiledRig& compiled) {
  double longest = 0.0;
  for (const OutputPlan& output : compiled.outputs) longest = std::max(longest, output.delay_samples);
  // A whole number of samples, reckoned in seconds, may come back with dust on it.
  return static_cast<std::uint64_t>(std::ceil(longest - 1e-6));
}

Rendered render(const rig::Rig& rig, const CompiledRig& compiled, const RenderJob& job,
                const std::function<void(std::uint64_t, std::uint64_t)>& progress) {
  const auto start = std::chrono::steady_clock::now();
  const audio::Interruption interruption;
  audio::FeedStream stream(job.input, {.feeds = rig.feeds,
                                       .sample_rate_hz = rig.controller.sample_rate_hz,
                                       .resample = job.resample,
                                       .start_s = job.start_s,
                                       .seconds = job.seconds});
  std::uint64_t tail = compiled.latency_samples + longest_delay_frames(compiled);
  const std::uint64_t promised = stream.frames() + tail;

  const dsp::ChainSettings& settings = compiled.settings();
  std::vector<std::byte> memory(dsp::Chain::required_bytes(settings));
  dsp::Chain chain;
  if (memory.empty() || chain.configure(settings, memory) != dsp::Setup::ok)
    throw InputError(fmt::format("{}: is beyond what the core carries", rig.file.string()));

  std::vector<fs::path> read_files = job.read_files;
  read_files.push_back(job.input);
  Rendered rendered;
  for (const OutputPlan& output : compiled.outputs) {
    rendered.outputs.push_back({.file = job.folder / (output.name + ".wav")});
    refuse_to_overwrite(rendered.outputs.back().file, read_files);
  }
  audio::OutputFolder folder(job.folder);
  std::vector<audio::Writer> writers;
  for (const RenderedOutput& output : rendered.outputs)
    writers.emplace_back(output.file, audio::WriterSettings{.sample_rate_hz = rig.controller.sample_rate_hz,
                                                            .subtype = job.subtype,
                                                            .expected_frames = promised});

  const std::size_t block = job.block_frames, chunk = (audio::kReadFrames + block - 1) / block * block;
  Tracks feeds(rig.feeds.size(), chunk), outputs(writers.size(), chunk);
  std::vector<RenderMeter> meters(writers.size());
  std::vector<analysis::TruePeakMeter> true_peaks(writers.size());
  for (;;) {
    interruption.check();
    const std::size_t got = stream.read(feeds.from(0), chunk);
    const auto silent = static_cast<std::size_t>(std::min<std::uint64_t>(chunk - got, tail));
    const std::size_t frames = got + silent;
    if (frames == 0) break;
    tail -= silent;
    for (std::size_t f = 0; f < feeds.size(); ++f)
      std::fill_n(feeds[f].begin() + static_cast<std::ptrdiff_t>(got), silent, 0.0f);
    for (std::size_t at = 0; at < frames; at += block)
      chain.process(feeds.from(at), outputs.from(at), std::min(block, frames - at));
    for (std::size_t o = 0; o < writers.size(); ++o) {
      const std::span<const float> samples = outputs[o].first(frames);
      writers[o].write(samples);
      meters[o].add(samples);
      true_peaks[o].process(samples);
    }
    rendered.input_frames += got;
    rendered.frames += frames;
    if (progress) progress(rendered.frames, promised);
  }
  interruption.check();
  audio::keep_all(writers);
  folder.keep();

  for (std::size_t o = 0; o < writers.size(); ++o) {
    const dsp::Meter meter = chain.take_meter(o);
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
  rendered.bad_samples = chain.bad_samples();
  rendered.bounded_samples = chain.bounded_samples();
  rendered.complaint = stream.reader().complaint();
  rendered.elapsed_s = std::chrono::duration<double>(std::chrono::steady_clock::now() - start).count();
  return rendered;
}

}  // namespace rackproof
