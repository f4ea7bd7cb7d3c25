#include "harness/live/recorder.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <chrono>

#include "harness/audio/writer.hpp"
#include "harness/errors.hpp"
#include "harness/files/output_folder.hpp"

namespace rackproof::live {

struct Recorder::Files {
  std::vector<audio::Writer> writers;

  Files(const RecorderSettings& settings, std::uint32_t part) {
    for (const std::string& name : settings.names) {
      const std::string file = part == 1 ? name + ".wav" : fmt::format("{}.{}.wav", name, part);
      writers.emplace_back(settings.folder / file,
                           audio::WriterSettings{.sample_rate_hz = settings.sample_rate_hz, .channels = 1});
    }
  }
};

Recorder::Recorder(const RecorderSettings& settings)
    : settings_(settings),
      ring_frames_(static_cast<std::size_t>(settings.ring_s * settings.sample_rate_hz)),
      ring_(settings.names.size(), std::vector<float>(ring_frames_)),
      zeros_(4096) {
  files::OutputFolder folder(settings_.folder);
  files_ = std::make_unique<Files>(settings_, part_);
  folder.keep();
  thread_ = std::thread([this] { work(); });
}

Recorder::~Recorder() {
  stop_ = true;
  if (thread_.joinable()) thread_.join();
}

void Recorder::push(std::span<const float* const> feeds, std::span<float* const> outputs, std::size_t frames) noexcept {
  const std::uint64_t pushed = pushed_.load(std::memory_order_relaxed);
  const std::size_t room = ring_frames_ - static_cast<std::size_t>(pushed - taken_.load(std::memory_order_acquire));
  // Once something is lost, all is until a half is free again: one long gap in place of many short ones.
  if (room < frames || (losing_ > 0 && room < ring_frames_ / 2)) {
    losing_ += frames;
    return;
  }
  if (losing_ > 0) {
    const std::uint64_t in = gaps_in_.load(std::memory_order_relaxed);
    if (in - gaps_out_.load(std::memory_order_acquire) == kMostLosses) {
      losing_ += frames;
      return;
    }
    gaps_[in % kMostLosses] = {pushed, losing_};
    gaps_in_.store(in + 1, std::memory_order_release);
    losing_ = 0;
  }
  const auto at = static_cast<std::size_t>(pushed % ring_frames_);
  const std::size_t first = std::min(frames, ring_frames_ - at);
  for (std::size_t row = 0; row < ring_.size(); ++row) {
    const float* const from = row < feeds.size() ? feeds[row] : outputs[row - feeds.size()];
    std::copy_n(from, first, ring_[row].begin() + static_cast<std::ptrdiff_t>(at));
    std::copy_n(from + first, frames - first, ring_[row].begin());
  }
  pushed_.store(pushed + frames, std::memory_order_release);
}

void Recorder::work() {
  try {
    while (!stop_) {
      if (!empty_ring()) std::this_thread::sleep_for(std::chrono::milliseconds(20));
    }
    while (empty_ring()) {}
  } catch (...) {
    failure_ = std::current_exception();
    failed_.store(true, std::memory_order_release);
  }
}

/// What there is up to the next gap, or the gap itself. False: nothing.
bool Recorder::empty_ring() {
  const std::uint64_t pushed = pushed_.load(std::memory_order_acquire), taken = taken_.load(std::memory_order_relaxed);
  std::uint64_t end = pushed;
  const std::uint64_t out = gaps_out_.load(std::memory_order_relaxed);
  if (out < gaps_in_.load(std::memory_order_acquire)) {
    const Gap gap = gaps_[out % kMostLosses];
    if (gap.at == taken) {
      gaps_out_.store(out + 1, std::memory_order_release);
      lost_at_.store(written_, std::memory_order_relaxed);
      lost_frames_.fetch_add(gap.frames, std::memory_order_release);
      write(gap.frames, true);
      return true;
    }
    end = std::min(end, gap.at);
  }
  if (end == taken) return false;
  write(end - taken, false);
  return true;
}

void Recorder::write(std::uint64_t frames, bool zeros) {
  const auto part_frames = static_cast<std::uint64_t>(settings_.part_s * settings_.sample_rate_hz);
  while (frames > 0) {
    const std::uint64_t taken = taken_.load(std::memory_order_relaxed);
    const auto at = static_cast<std::size_t>(taken % ring_frames_);
    const std::uint64_t most = zeros ? zeros_.size() : ring_frames_ - at;
    const auto count = static_cast<std::size_t>(std::min({frames, most, part_frames - in_part_}));
    for (std::size_t row = 0; row < ring_.size(); ++row)
      files_->writers[row].write(zeros ? std::span<const float>(zeros_).first(count)
                                       : std::span<const float>(ring_[row]).subspan(at, count));
    if (!zeros) taken_.store(taken + count, std::memory_order_release);
    written_.fetch_add(count, std::memory_order_relaxed);
    in_part_ += count;
    frames -= count;
    if (in_part_ < part_frames) continue;
    audio::keep_all(files_->writers);
    files_ = std::make_unique<Files>(settings_, ++part_);
    in_part_ = 0;
  }
}

void Recorder::finish() {
  stop_ = true;
  if (thread_.joinable()) thread_.join();
  if (failure_) std::rethrow_exception(failure_);
  if (losing_ > 0) {
    lost_at_.store(written_, std::memory_order_relaxed);
    lost_frames_.fetch_add(losing_, std::memory_order_release);
    write(losing_, true);
    losing_ = 0;
  }
  if (in_part_ > 0 || part_ == 1) audio::keep_all(files_->writers);
  files_.reset();
}

std::string Recorder::news() {
  if (failed_.load(std::memory_order_acquire)) {
    if (told_failure_) return {};
    told_failure_ = true;
    try {
      std::rethrow_exception(failure_);
    } catch (const std::exception& error) {
      return fmt::format("the recording has ended, the audio goes on: {}", error.what());
    }
  }
  const std::uint64_t lost = lost_frames_.load(std::memory_order_acquire);
  if (lost == told_frames_) return {};
  const double seconds = static_cast<double>(lost - told_frames_) / settings_.sample_rate_hz;
  told_frames_ = lost;
  return fmt::format("the recording lost {:.3f} s at {:.3f} s, where the files have zeros: the disk is too slow",
                     seconds, static_cast<double>(lost_at_.load(std::memory_order_relaxed)) / settings_.sample_rate_hz);
}

}  // namespace rackproof::live
