#pragma once
/// Feeds and outputs to files, as they are, while the audio goes on.
/// Theorem  `push` never waits: where the disk is too slow a stretch is lost, the files have zeros there, and `losses`
///          says when and how long; every other frame is in the files as it was, in its place. Files are there whole or
///          not at all (harness/audio/writer.hpp).
/// Method   a ring of kRing_s seconds, written by the audio thread, emptied by a thread of its own into one file of
///          float samples a row, NAME.wav. Each kPart_s seconds the files are put in their place, and NAME.2.wav and so
///          on go on where they end: what a power cut or the guard takes is at most that long.
#include <array>
#include <atomic>
#include <cstddef>
#include <cstdint>
#include <exception>
#include <filesystem>
#include <memory>
#include <span>
#include <string>
#include <thread>
#include <vector>

namespace rackproof::live {

struct RecorderSettings {
  std::filesystem::path folder;
  std::vector<std::string> names;  ///< of the rows, feeds first
  std::uint32_t sample_rate_hz = 48000;
  double ring_s = 4;
  double part_s = 1800;
};

class Recorder {
 public:
  struct Loss {
    std::uint64_t from = 0, frames = 0;  ///< counted from the first frame
  };

  /// Makes the folder. Throws InputError or MachineError where files cannot be written there.
  explicit Recorder(const RecorderSettings& settings);
  ~Recorder();  ///< without `finish` the files under way are dropped
  Recorder(const Recorder&) = delete;
  Recorder& operator=(const Recorder&) = delete;

  /// For the audio thread. One row a name.
  void push(std::span<const float* const> feeds, std::span<float* const> outputs, std::size_t frames) noexcept;

  /// Once nothing is pushed any more: writes what there is, and puts the files in their place. Throws MachineError
  /// where something could not be written, now or before.
  void finish();
  /// In words, what was lost, or why nothing more is written, since the last call; empty: nothing.
  std::string news();
  /// In the files, with zeros for losses.
  std::uint64_t frames() const { return written_.load(std::memory_order_relaxed); }

 private:
  struct Files;
  void work();
  bool empty_ring();
  void write(std::uint64_t frames, bool zeros);

  RecorderSettings settings_;
  std::size_t ring_frames_;
  std::vector<std::vector<float>> ring_;             // a row each
  std::atomic<std::uint64_t> pushed_{0}, taken_{0};  // frames in and out of the ring
  // Losses on their way to the thread that writes: at which frame of the ring's own count.
  static constexpr std::size_t kMostLosses = 64;
  struct Gap {
    std::uint64_t at = 0, frames = 0;
  };
  std::array<Gap, kMostLosses> gaps_{};
  std::atomic<std::uint64_t> gaps_in_{0}, gaps_out_{0};
  std::uint64_t losing_ = 0;  // of the audio thread: frames that were not taken since the last that was

  std::unique_ptr<Files> files_;
  std::atomic<std::uint64_t> written_{0};
  std::uint64_t in_part_ = 0;
  std::uint32_t part_ = 1;
  std::vector<float> zeros_;
  std::atomic<std::uint64_t> lost_frames_{0}, told_frames_{0}, lost_at_{0};
  std::exception_ptr failure_;
  std::atomic<bool> failed_{false}, stop_{false};
  bool told_failure_ = false;
  std::thread thread_;
};

}  // namespace rackproof::live
