#include "harness/audio/reader.hpp"

#include <fcntl.h>
#include <fmt/format.h>
#include <sndfile.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <new>
#include <utility>

#include "harness/errors.hpp"
#include "harness/files/descriptor.hpp"

namespace rackproof::audio {
namespace {

constexpr std::uint64_t kUnknown = std::uint64_t{1} << 62;  // libsndfile says 2^63 - 1 where a stream says nothing

int open_plain_file(const std::filesystem::path& file) {
  // O_NONBLOCK: a pipe with nobody at its other end must not hang the program; on plain files it means nothing.
  const int descriptor = ::open(file.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK);
  if (descriptor >= 0) return descriptor;
  const int error = errno;
  if (error == ENOENT || error == ENOTDIR)
    throw InputError(fmt::format("{}: no such file; give the recording to be read", file.string()));
  throw MachineError(fmt::format("{}: cannot be read: {}", file.string(), files::reason(error)));
}

}  // namespace

/// Reads at a place of its own. The first read that fails is kept.
struct Reader::Source {
  files::Descriptor descriptor;
  std::uint64_t bytes = 0;  ///< of the whole file, when it was opened
  sf_count_t position = 0;
  int error = 0;

  std::size_t read(std::span<char> to, std::uint64_t at) {
    const ssize_t got = error != 0 ? -1 : files::read_at(descriptor.get(), to, at);
    if (got >= 0) return static_cast<std::size_t>(got);
    if (error == 0) error = errno;
    return 0;
  }

  static Source& of(void* data) { return *static_cast<Source*>(data); }
  static SF_VIRTUAL_IO calls() {
    SF_VIRTUAL_IO io{};
    io.get_filelen = [](void* data) { return static_cast<sf_count_t>(of(data).bytes); };
    io.tell = [](void* data) { return of(data).position; };
    io.write = [](const void*, sf_count_t, void*) { return sf_count_t{0}; };
    io.seek = [](sf_count_t offset, int whence, void* data) {
      Source& source = of(data);
      const sf_count_t from = whence == SEEK_SET   ? 0
                              : whence == SEEK_CUR ? source.position
                                                   : static_cast<sf_count_t>(source.bytes);
      sf_count_t to = 0;
      if (__builtin_add_overflow(from, offset, &to) || to < 0) return sf_count_t{-1};
      return source.position = to;
    };
    io.read = [](void* to, sf_count_t count, void* data) {
      Source& source = of(data);
      if (count <= 0) return sf_count_t{0};
      const std::size_t got = source.read({static_cast<char*>(to), static_cast<std::size_t>(count)},
                                          static_cast<std::uint64_t>(source.position));
      source.position += static_cast<sf_count_t>(got);
      return static_cast<sf_count_t>(got);
    };
    return io;
  }
};

void Reader::Close::operator()(SNDFILE* file) const { sf_close(file); }
Reader::~Reader() = default;
Reader::Reader(Reader&&) noexcept = default;
Reader& Reader::operator=(Reader&& other) noexcept {
  file_ = std::move(other.file_);  // before the source that it reads from
  source_ = std::move(other.source_);
  name_ = std::move(other.name_);
  frames_ = other.frames_;
  position_ = other.position_;
  channels_ = other.channels_;
  sample_rate_hz_ = other.sample_rate_hz_;
  claim_ = other.claim_;
  ended_early_ = other.ended_early_;
  read_since_seek_ = other.read_since_seek_;
  interleaved_ = std::move(other.interleaved_);
  return *this;
}

Reader::Reader(const std::filesystem::path& file) : Reader(open_plain_file(file), file.string()) {}

Reader::Reader(int descriptor, std::string name) : name_(std::move(name)), source_(std::make_unique<Source>()) {
  source_->descriptor = files::Descriptor(descriptor);
  struct stat facts {};
  if (::fstat(descriptor, &facts) != 0)
    throw MachineError(fmt::format("{}: cannot be read: {}", name_, files::reason(errno)));
  if (S_ISDIR(facts.st_mode)) throw InputError(fmt::format("{}: is a folder; give a file in it", name_));
  if (!S_ISREG(facts.st_mode))
    throw InputError(fmt::format("{}: is a pipe or a device; give a file, whose length is known ahead", name_));
  if (facts.st_size == 0) throw InputError(fmt::format("{}: is empty (0 bytes)", name_));
  source_->bytes = static_cast<std::uint64_t>(facts.st_size);
  claim_ = data_claim(source_->bytes, [this](std::span<char> to, std::uint64_t at) { return source_->read(to, at); });
  open();
  interleaved_.resize(std::min(kReadFrames, std::max<std::size_t>(1, kReadValues / channels_)) * channels_);
  if (frames_ < kUnknown) return;
  // A stream that was written before its length was known.
  std::uint64_t counted = 0;
  for (std::size_t got = 1; got > 0; counted += got) got = read({}, {}, kReadFrames);
  open();
  frames_ = counted;
}

void Reader::open() {
  file_.reset();
  SF_INFO info{};
  SF_VIRTUAL_IO calls = Source::calls();
  source_->position = 0;
  errno = 0;
  file_.reset(sf_open_virtual(&calls, SFM_READ, &info, source_.get()));
  const bool out_of_memory = !file_ && errno == ENOMEM;
  must_have_read();
  if (out_of_memory) throw std::bad_alloc();
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
  position_ = 0;
  ended_early_ = false;
  read_since_seek_ = false;
}

void Reader::must_have_read() const {
  if (source_->error != 0)
    throw MachineError(fmt::format("{}: cannot be read: {}", name_, files::reason(source_->error)));
}

std::string Reader::length() const {
  return fmt::format("{:.2f} s", static_cast<double>(frames_) / static_cast<double>(sample_rate_hz_));
}

void Reader::seek(std::uint64_t frame) {
  frame = std::min(frame, frames_);
  if (frame == position_) return;
  const bool sought = sf_seek(file_.get(), static_cast<sf_count_t>(frame), SEEK_SET) == static_cast<sf_count_t>(frame);
  must_have_read();
  if (sought) {
    position_ = frame;
    read_since_seek_ = false;
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
    if (source_->error != 0)
      throw MachineError(
          fmt::format("{}: cannot be read on after frame {}: {}", name_, position_, files::reason(source_->error)));
    if (here < wanted) {
      ended_early_ = position_ < frames_;
      break;
    }
  }
  if (done > 0) {
    read_since_seek_ = true;
  } else if (ended_early_ && !read_since_seek_ && frames > 0) {
    throw InputError(position_ == 0 ? fmt::format("{}: holds no audio (0 frames{})", name_,
                                                  frames_ < kUnknown ? fmt::format("; it promises {}", frames_) : "")
                                    : fmt::format("{}: promises {} frames, but holds none from frame {} on", name_,
                                                  frames_, position_));
  }
  return done;
}

std::optional<Complaint> Reader::complaint() const {
  if (ended_early_ || (claim_ && !claim_->open_ended && claim_->claimed_bytes > claim_->held_bytes))
    return Complaint{
        "input-cut-short",
        fmt::format(
            "{}: promises more audio than it holds (cut short while it was copied or recorded?); what is there is "
            "used, {}",
            name_,
            ended_early_ ? fmt::format("up to frame {} of {}", position_, frames_)
                         : fmt::format("{} frames", frames_))};
  if (claim_ && claim_->claimed_bytes == 0)
    return Complaint{
        "input-header-wrong",
        fmt::format("{}: its header counts no audio (never completed by the recorder?); what lies behind it "
                    "is taken as audio, {} frames",
                    name_, frames_)};
  if (claim_ && claim_->stray_bytes > 0)
    return Complaint{"input-header-wrong",
                     fmt::format("{}: holds {} bytes behind the audio that its header counts (never completed by the "
                                 "recorder?); {} frames are used",
                                 name_, claim_->stray_bytes, frames_)};
  return std::nullopt;
}

}  // namespace rackproof::audio
