#include "harness/verbs/render_batch.hpp"

#include <algorithm>
#include <cstdint>
#include <memory>
#include <mutex>

#include "harness/workers.hpp"

namespace rackproof {

namespace fs = std::filesystem;

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
    promised += promised_frames(rig, compiled, job);
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
