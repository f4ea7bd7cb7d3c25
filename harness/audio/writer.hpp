#pragma once
/// Audio files that are there whole or not at all.
/// Theorem  until `keep` nothing under the final name changes; whatever ends a Writer before that (an error, a signal
///          seen by Interruption, a full disk) leaves no file of its own behind. The same samples make the same bytes:
///          no time stamp, no dither. Files of up to 4 GiB are plain WAV, longer ones RF64 (EBU Tech 3306).
/// Method   a WholeFile (harness/files/whole_file.hpp). libsndfile writes through one place, where a write that fails is
///          kept: its own `sf_close` says nothing of a header that could not be completed. Then header and length are
///          read back from the file and must be what the frames written ask for. PCM is rounded to the nearest step of
///          2^-(bits - 1), ties to even, and saturates: it never wraps.
#include <array>
#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "harness/files/whole_file.hpp"

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
  /// Throws as WholeFile does.
  Writer(std::filesystem::path place, const WriterSettings& settings);
  ~Writer();
  Writer(Writer&&) noexcept;
  Writer& operator=(Writer&&) = delete;

  /// Whole frames, interleaved. Throws MachineError when they cannot all be written: also where so many fewer were
  /// expected that a plain WAV was begun, and they have no room in it.
  void write(std::span<const float> interleaved);
  /// On the disk, with a header that is right and as long as it must be, still beside its place.
  void finish();
  /// Takes its place; calls `finish` if need be.
  void keep();

  const std::filesystem::path& place() const;
  files::WholeFile& file() { return *file_; }
  std::uint64_t frames() const { return frames_; }
  std::uint64_t bytes() const;  ///< of the file
  /// Of the whole file, once finished; worked out while writing if as many frames came as were expected.
  const std::string& fingerprint() const { return fingerprint_; }

 private:
  struct Sink;  ///< the file, as libsndfile writes it
  struct Close {
    void operator()(sf_private_tag* file) const;
  };
  std::uint64_t frame_bytes() const;
  void must_have_written() const;
  std::string header_read_back() const;
  void fingerprint_anew();

  WriterSettings settings_;
  std::unique_ptr<files::WholeFile> file_;
  std::unique_ptr<Sink> sink_;                    // writes to file_
  std::unique_ptr<sf_private_tag, Close> sound_;  // writes to sink_
  std::uint64_t frames_ = 0;
  bool is_long_ = false;  ///< RF64
  std::string fingerprint_;
  std::vector<std::int32_t> steps_;
};

/// All of them or none, with the list of what they are if there is one: files::commit_all.
void keep_all(std::span<Writer> writers, files::WholeFile* list = nullptr, std::size_t workers = 1);

}  // namespace rackproof::audio
