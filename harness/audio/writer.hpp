#pragma once
/// Audio files that are there whole or not at all.
/// Theorem  until `keep` nothing under the final name changes; whatever ends a Writer before that (an error, a signal
///          seen by Interruption, a full disk) leaves no file of its own behind. The same samples make the same bytes:
///          no time stamp, no dither. Files of up to 4 GiB are plain WAV, longer ones RF64 (EBU Tech 3306).
/// Method   a temporary name in the same folder, renamed once it has been written, closed and measured. PCM is rounded
///          to the nearest step of 2^-(bits - 1), ties to even, and saturates: it never wraps.
#include <array>
#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <memory>
#include <optional>
#include <span>
#include <string_view>
#include <vector>

struct sf_private_tag;
namespace rackproof::audio {

enum class Subtype { float32, float64, pcm16, pcm24, pcm32 };
/// The names a person types, in the order of `Subtype`: float, double, pcm16, pcm24, pcm32.
inline constexpr std::array<std::string_view, 5> kSubtypeNames{"float", "double", "pcm16", "pcm24", "pcm32"};
std::optional<Subtype> subtype_of(std::string_view name);

struct WriterSettings {
  std::uint32_t sample_rate_hz = 48000;
  std::uint32_t channels = 1;
  Subtype subtype = Subtype::float32;
  std::uint64_t expected_frames = 0;  ///< an upper bound: what would not fit a plain WAV is written as RF64
  std::uint64_t plain_wav_bytes = 0xffffffffu - 4096u;  ///< the most that goes into a plain WAV, without its header
};

class Writer {
 public:
  /// Throws MachineError where the folder is missing, full or not to be written in; InputError if `place` is a folder.
  Writer(std::filesystem::path place, const WriterSettings& settings);
  ~Writer();
  Writer(Writer&&) noexcept;
  Writer& operator=(Writer&&) = delete;

  /// Whole frames, interleaved. Throws MachineError when they cannot all be written.
  void write(std::span<const float> interleaved);
  /// The header is right, the file closed and as long as it must be, still under its temporary name.
  void finish();
  /// Takes its place; calls `finish` if need be.
  void keep();

  const std::filesystem::path& place() const { return place_; }

 private:
  struct Close {
    void operator()(sf_private_tag* file) const;
  };
  [[noreturn]] void fail(int error) const;
  void drop_peak_chunk();

  std::filesystem::path place_, temporary_;
  WriterSettings settings_;
  int descriptor_ = -1;
  std::unique_ptr<sf_private_tag, Close> file_;
  std::uint64_t frames_ = 0;
  std::vector<std::int32_t> steps_;
};

/// All of them or none: each is finished before the first takes its place, and what they replace is given back to the
/// disk after the last has, by up to `workers` threads: for long recordings that takes a while.
void keep_all(std::span<Writer> writers, std::size_t workers = 1);

/// A folder for outputs, made if absent; what was made of it goes again, unless `keep` is called.
class OutputFolder {
 public:
  explicit OutputFolder(const std::filesystem::path& folder);
  ~OutputFolder();
  OutputFolder(const OutputFolder&) = delete;
  OutputFolder& operator=(const OutputFolder&) = delete;
  void keep() { made_.clear(); }

 private:
  std::vector<std::filesystem::path> made_;  ///< outermost first
};

}  // namespace rackproof::audio
