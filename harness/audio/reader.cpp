#include "harness/audio/reader.hpp"

#include <fcntl.h>
#include <fmt/format.h>
#include <sndfile.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <charconv>
#include <cstring>
#include <string_view>
#include <utility>

#include "harness/rig/rig.hpp"

namespace rackproof::audio {
namespace {

std::string reason(int error) { return std::error_code(error, std::generic_category()).message(); }

int open_plain_file(const std::filesystem::path& file) {
  // O_NONBLOCK: a pipe with nobody at its other end must not hang the program; on plain files it means nothing.
  const int descriptor = ::open(file.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK);
  if (descriptor >= 0) return descriptor;
  const int error = errno;
  if (error == ENOENT || error == ENOTDIR)
    throw InputError(fmt::format("{}: no such file; give the recording to be read", file.string()));
  throw MachineError(fmt::format("{}: cannot be read: {}", file.string(), reason(error)));
}

/// Whether `claim` means "not known yet", as writers to a pipe leave it in the header.
bool is_open_ended(std::uint64_t claim) { return claim >= 0xffffff00u || claim >> 12 == 0x7ffff; }

/// libsndfile mends sizes that do not fit the file and notes in its log what they ought to be: "data : 400 (should be
/// 164)". Containers whose size is written without its own eight bytes of head are common; those say nothing.
bool promises_more_than_it_holds(SNDFILE* file) {
  constexpr std::string_view kOught = " (should be ";
  std::array<char, 16384> log{};
  sf_command(file, SFC_GET_LOG_INFO, log.data(), static_cast<int>(log.size()) - 1);
  const std::string_view text = log.data();
  const auto number = [&](std::size_t at) {
    std::uint64_t value = 0;
    return std::from_chars(text.data() + at, text.data() + text.size(), value).ec == std::errc() ? value : 0;
  };
  for (std::size_t at = text.find(kOught); at != text.npos; at = text.find(kOught, at + 1)) {
    const std::size_t before = text.find_last_not_of("0123456789", at - 1);
    if (at == 0 || before == text.npos) continue;
    const std::uint64_t claim = number(before + 1), held = number(at + kOught.size());
    if (claim > held + 8 && !is_open_ended(claim)) return true;
  }
  return false;
}

}  // namespace

void Reader::Close::operator()(SNDFILE* file) const { sf_close(file); }
Reader::~Reader() = default;
Reader::Reader(Reader&&) noexcept = default;
Reader& Reader::operator=(Reader&&) noexcept = default;

Reader::Reader(const std::filesystem::path& file) : Reader(open_plain_file(file), file.string()) {}

Reader::Reader(int descriptor, std::string name) : name_(std::move(name)) {
  struct stat facts {};
  const bool known = ::fstat(descriptor, &facts) == 0;
  if (!known || !S_ISREG(facts.st_mode) || facts.st_size == 0) {
    const int error = errno;
    ::close(descriptor);
    if (!known) throw MachineError(fmt::format("{}: cannot be read: {}", name_, reason(error)));
    if (S_ISDIR(facts.st_mode)) throw InputError(fmt::format("{}: is a folder; give a file in it", name_));
    if (!S_ISREG(facts.st_mode))
      throw InputError(fmt::format("{}: is a pipe or a device; give a file, whose length is known ahead", name_));
    throw InputError(fmt::format("{}: is empty (0 bytes)", name_));
  }
  SF_INFO info{};
  file_.reset(sf_open_fd(descriptor, SFM_READ, &info, SF_TRUE));  // closes the descriptor also when it fails
  if (!file_)
    throw InputError(
        fmt::format("{}: holds no audio that can be read ({}); WAV, RF64, W64, FLAC, AIFF, CAF and Ogg can", name_,
                    sf_strerror(nullptr)));
  if (info.channels < 1 || info.samplerate < 1)
    throw InputError(fmt::format("{}: its header says {} channels at {} Hz; nothing can be made of that", name_,
                                 info.channels, info.samplerate));
  if (info.frames < 1) throw InputError(fmt::format("{}: holds no audio (0 frames)", name_));
  frames_ = static_cast<std::uint64_t>(info.frames);
  channels_ = static_cast<std::uint32_t>(info.channels);
  sample_rate_hz_ = static_cast<std::uint32_t>(info.samplerate);
  promises_more_ = promises_more_than_it_holds(file_.get());
  interleaved_.resize(std::min(kReadFrames, std::max<std::size_t>(1, kReadValues / channels_)) * channels_);
}

std::string Reader::length() const {
  return fmt::format("{:.2f} s", static_cast<double>(frames_) / static_cast<double>(sample_rate_hz_));
}

void Reader::seek(std::uint64_t frame) {
  frame = std::min(frame, frames_);
  if (frame == position_) return;
  if (sf_seek(file_.get(), static_cast<sf_count_t>(frame), SEEK_SET) == static_cast<sf_count_t>(frame)) {
    position_ = frame;
    return;
  }
  if (frame < position_) throw InputError(fmt::format("{}: cannot be read from frame {}", name_, frame));
  while (position_ < frame) {
    const std::uint64_t step = std::min<std::uint64_t>(frame - position_, kReadFrames);
    if (read({}, {}, static_cast<std::size_t>(step)) < step) return;
  }
}

std::size_t Reader::read(std::span<const std::uint32_t> picks, std::span<float* const> planar, std::size_t frames) {
  const std::size_t most = interleaved_.size() / channels_;
  std::size_t done = 0;
  while (done < frames && !ended_early_ && position_ < frames_) {
    const std::size_t wanted = std::min(frames - done, most);
    const sf_count_t got = sf_readf_float(file_.get(), interleaved_.data(), static_cast<sf_count_t>(wanted));
    const std::size_t here = got > 0 ? static_cast<std::size_t>(got) : 0;
    for (std::size_t i = 0; i < picks.size(); ++i) {
      const float* from = interleaved_.data() + picks[i];
      float* to = planar[i] + done;
      if (channels_ == 2)  // the usual recording, at a stride that the compiler knows
        for (std::size_t n = 0; n < here; ++n) to[n] = from[n * 2];
      else
        for (std::size_t n = 0; n < here; ++n) to[n] = from[n * channels_];
    }
    done += here;
    position_ += here;
    if (here < wanted) {
      if (sf_error(file_.get()) == SF_ERR_SYSTEM)
        throw MachineError(
            fmt::format("{}: cannot be read on after frame {}: {}", name_, position_, sf_strerror(file_.get())));
      ended_early_ = position_ < frames_;
      break;
    }
  }
  return done;
}

std::optional<std::string> Reader::complaint() const {
  if (!promises_more_ && !ended_early_) return std::nullopt;
  return fmt::format(
      "{}: promises more audio than it holds (cut short while it was copied or recorded?); what is there is used, {}",
      name_,
      ended_early_ ? fmt::format("up to frame {} of {}", position_, frames_) : fmt::format("{} frames", frames_));
}

}  // namespace rackproof::audio
