#pragma once
/// An audio file, read forwards in pieces.
/// Theorem  whatever bytes the file holds, opening and reading it ends: with an error that names the file, or with no
///          more frames than its bytes can hold; and the memory taken depends on the channels alone (1024 at most),
///          never on a size that a header claims.
/// Method   libsndfile does the reading (WAV, RF64, W64, FLAC, AIFF, CAF, Ogg and what else it knows); at most
///          kReadFrames frames and kReadValues values a call. Integers arrive divided by 2^(bits - 1), floats as they
///          are. Its reads go through one place, where one that fails is kept: a header or a sample that the machine
///          could not read is an error of the machine, whatever libsndfile made of it. What the file says of its own
///          length is held against how long it is (data_claim.hpp).
#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "harness/audio/data_claim.hpp"

struct sf_private_tag;
namespace rackproof::audio {

/// Frames a call at which libsndfile's own cost no longer shows.
inline constexpr std::size_t kReadFrames = 16384;
inline constexpr std::size_t kReadValues = std::size_t{1} << 20;

/// What is wrong with a file although it can be read.
struct Complaint {
  std::string code;  ///< input-cut-short: it promises more than it holds; input-header-wrong: it counts less
  std::string text;
  friend bool operator==(const Complaint&, const Complaint&) = default;
};

class Reader {
 public:
  /// Throws InputError (no such file, not a plain file, no audio in it) or MachineError (there, but it cannot be read).
  explicit Reader(const std::filesystem::path& file);
  /// The same on an open descriptor, which is closed in the end; `name` is only named in errors.
  Reader(int descriptor, std::string name);
  ~Reader();
  Reader(Reader&&) noexcept;
  Reader& operator=(Reader&&) noexcept;

  const std::string& name() const { return name_; }
  /// That the file promises; it may hold fewer, never more. Where it promises no number they are counted ahead.
  std::uint64_t frames() const { return frames_; }
  std::uint32_t channels() const { return channels_; }
  std::uint32_t sample_rate_hz() const { return sample_rate_hz_; }
  std::string length() const;  ///< for a person: "2.50 s"

  /// The next frame to be read, from 0, at most frames(). Where the format cannot seek, what lies between is read.
  void seek(std::uint64_t frame);
  /// The next `frames` frames: `planar[i]` receives channel `picks[i]` (from 0). Returns how many there were; fewer
  /// only at the end. Throws MachineError if the machine, not the file, is at fault; InputError where frames are
  /// promised from here on and there is none.
  std::size_t read(std::span<const std::uint32_t> picks, std::span<float* const> planar, std::size_t frames);

  /// Known for sure once the end is reached.
  std::optional<Complaint> complaint() const;

 private:
  struct Source;  ///< the bytes, as libsndfile asks for them
  struct Close {
    void operator()(sf_private_tag* file) const;
  };
  void open();
  void must_have_read() const;  ///< throws MachineError where the source could not

  std::string name_;
  std::unique_ptr<Source> source_;  // outlives file_
  std::unique_ptr<sf_private_tag, Close> file_;
  std::uint64_t frames_ = 0, position_ = 0;
  std::uint32_t channels_ = 0, sample_rate_hz_ = 0;
  std::optional<DataClaim> claim_;
  bool ended_early_ = false, read_since_seek_ = false;
  std::vector<float> interleaved_;
};

}  // namespace rackproof::audio
