#include "harness/audio/writer.hpp"

#include <fcntl.h>
#include <fmt/format.h>
#include <sndfile.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <atomic>
#include <cerrno>
#include <cmath>
#include <cstring>
#include <string>
#include <utility>

#include "harness/rig/rig.hpp"
#include "harness/workers.hpp"

namespace rackproof::audio {
namespace {

struct Coding {
  int sndfile_format;
  unsigned bytes;
};
constexpr std::array<Coding, 5> kCodings{
    {{SF_FORMAT_FLOAT, 4}, {SF_FORMAT_DOUBLE, 8}, {SF_FORMAT_PCM_16, 2}, {SF_FORMAT_PCM_24, 3}, {SF_FORMAT_PCM_32, 4}}};
const Coding& coding_of(Subtype subtype) { return kCodings[static_cast<std::size_t>(subtype)]; }

/// A file, held open or -1.
class Held {
 public:
  explicit Held(int descriptor) : descriptor_(descriptor) {}
  Held(Held&& other) noexcept : descriptor_(std::exchange(other.descriptor_, -1)) {}
  Held& operator=(Held&&) = delete;
  ~Held() { reset(); }
  void reset() {
    if (descriptor_ >= 0) ::close(std::exchange(descriptor_, -1));
  }

 private:
  int descriptor_;
};

std::string system_reason(int error) { return std::error_code(error, std::generic_category()).message(); }

}  // namespace

std::optional<Subtype> subtype_of(std::string_view name) {
  const auto found = std::find(kSubtypeNames.begin(), kSubtypeNames.end(), name);
  if (found == kSubtypeNames.end()) return std::nullopt;
  return static_cast<Subtype>(found - kSubtypeNames.begin());
}

void Writer::Close::operator()(SNDFILE* file) const { sf_close(file); }

void Writer::fail(int error) const {
  throw MachineError(fmt::format("{}: cannot be written: {}", place_.string(),
                                 error == 0 ? "the disk took only part of it" : system_reason(error)));
}

Writer::Writer(std::filesystem::path place, const WriterSettings& settings)
    : place_(std::move(place)), settings_(settings) {
  std::error_code ignored;
  if (std::filesystem::is_directory(place_, ignored))
    throw InputError(
        fmt::format("{}: is a folder, where a file is to be written; remove it or write elsewhere", place_.string()));
  const std::uint64_t bytes = settings_.expected_frames * settings_.channels * coding_of(settings_.subtype).bytes;
  const int container = bytes > settings_.plain_wav_bytes ? SF_FORMAT_RF64 : SF_FORMAT_WAV;
  SF_INFO info{};
  info.samplerate = static_cast<int>(settings_.sample_rate_hz);
  info.channels = static_cast<int>(settings_.channels);
  info.format = container | coding_of(settings_.subtype).sndfile_format;

  std::filesystem::path temporary;
  for (unsigned attempt = 0; descriptor_ < 0; ++attempt) {
    temporary = place_.parent_path() / fmt::format(".{}.part-{}-{}", place_.filename().string(), ::getpid(), attempt);
    descriptor_ = ::open(temporary.c_str(), O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC, 0666);
    if (descriptor_ < 0 && (errno != EEXIST || attempt == 99)) fail(errno);
  }
  temporary_ = std::move(temporary);
  file_.reset(sf_open_fd(descriptor_, SFM_WRITE, &info, SF_FALSE));
  if (!file_) {
    const std::string why = sf_strerror(nullptr);
    ::close(descriptor_);
    ::unlink(temporary_.c_str());
    throw MachineError(fmt::format("{}: cannot be written: {}", place_.string(), why));
  }
  sf_command(file_.get(), SFC_SET_ADD_PEAK_CHUNK, nullptr, SF_FALSE);  // it carries the time of day
  if (container == SF_FORMAT_RF64)
    sf_command(file_.get(), SFC_RF64_AUTO_DOWNGRADE, nullptr, bytes > 0xffffffffu ? SF_TRUE : SF_FALSE);
}

Writer::Writer(Writer&& other) noexcept
    : place_(std::move(other.place_)),
      temporary_(std::exchange(other.temporary_, {})),
      settings_(other.settings_),
      descriptor_(std::exchange(other.descriptor_, -1)),
      file_(std::move(other.file_)),
      frames_(other.frames_),
      steps_(std::move(other.steps_)) {}

Writer::~Writer() {
  file_.reset();
  if (descriptor_ >= 0) ::close(descriptor_);
  if (!temporary_.empty()) ::unlink(temporary_.c_str());
}

void Writer::write(std::span<const float> interleaved) {
  const sf_count_t items = static_cast<sf_count_t>(interleaved.size());
  errno = 0;
  sf_count_t written = 0;
  if (settings_.subtype == Subtype::float32 || settings_.subtype == Subtype::float64) {
    written = sf_write_float(file_.get(), interleaved.data(), items);
  } else {
    // Rounded here: libsndfile's own float to 24 bits cuts towards minus infinity.
    const unsigned bits = 8 * coding_of(settings_.subtype).bytes;
    const double scale = std::ldexp(1.0, static_cast<int>(bits) - 1);
    steps_.resize(interleaved.size());
    std::transform(interleaved.begin(), interleaved.end(), steps_.begin(), [&](float x) {
      const double step = std::clamp(std::nearbyint(static_cast<double>(x) * scale), -scale, scale - 1.0);
      return static_cast<std::int32_t>(static_cast<std::int64_t>(step)
                                       << (32 - bits));  // libsndfile takes the upper bits
    });
    written = sf_write_int(file_.get(), steps_.data(), items);
  }
  if (written != items) fail(errno);
  frames_ += interleaved.size() / settings_.channels;
}

/// RF64 gets its PEAK chunk, with the time of day, even where it was declined: it is blotted out.
void Writer::drop_peak_chunk() {
  std::array<char, 4096> head{};
  const ssize_t size = ::pread(descriptor_, head.data(), head.size(), 0);
  for (std::size_t at = 12; size > 0 && at + 8 <= static_cast<std::size_t>(size);) {
    std::uint32_t length = 0;
    for (std::size_t byte = 4; byte-- > 0;) length = length << 8 | static_cast<unsigned char>(head[at + 4 + byte]);
    const std::string_view id(head.data() + at, 4);
    if (id == "data") return;
    if (id == "PEAK" && at + 8 + length <= head.size()) {
      std::memcpy(head.data() + at, "JUNK", 4);
      std::fill_n(head.data() + at + 8, length, '\0');
      const std::size_t bytes = 8 + std::size_t{length};
      if (::pwrite(descriptor_, head.data() + at, bytes, static_cast<off_t>(at)) != static_cast<ssize_t>(bytes))
        fail(errno);
      return;
    }
    at += 8 + std::size_t{length} + length % 2;
  }
}

void Writer::finish() {
  if (!file_) return;
  errno = 0;
  if (sf_close(file_.release()) != 0) fail(errno);
  drop_peak_chunk();
  struct stat facts {};
  if (::fstat(descriptor_, &facts) != 0) fail(errno);
  const std::uint64_t bytes = frames_ * settings_.channels * coding_of(settings_.subtype).bytes;
  if (static_cast<std::uint64_t>(facts.st_size) < bytes + 44) fail(0);
  if (::close(std::exchange(descriptor_, -1)) != 0) fail(errno);  // where a network disk tells that it is full
}

void Writer::keep() {
  finish();
  if (std::rename(temporary_.c_str(), place_.c_str()) != 0) fail(errno);
  temporary_.clear();
}

void keep_all(std::span<Writer> writers, std::size_t workers) {
  for (Writer& writer : writers) writer.finish();
  // A file that somebody holds open outlives its name: renaming over it is over at once. One that could not be opened
  // is given back there and then.
  std::vector<Held> replaced;
  replaced.reserve(writers.size());
  for (Writer& writer : writers) {
    replaced.emplace_back(::open(writer.place().c_str(), O_PATH | O_NOFOLLOW | O_CLOEXEC));
    writer.keep();
  }
  std::atomic<std::size_t> next = 0;
  side_by_side(std::min(workers, replaced.size()), [&](std::size_t) {
    for (std::size_t i = next++; i < replaced.size(); i = next++) replaced[i].reset();
  });
}

OutputFolder::OutputFolder(const std::filesystem::path& folder) {
  namespace fs = std::filesystem;
  std::error_code error;
  if (fs::exists(folder, error)) {
    if (fs::is_directory(folder, error)) return;
    throw InputError(fmt::format("{}: is a file; -o wants a folder, made if there is none", folder.string()));
  }
  fs::path so_far;
  for (const fs::path& part : fs::absolute(folder).lexically_normal()) {
    so_far /= part;
    if (part.empty() || fs::is_directory(so_far, error)) continue;
    if (fs::create_directory(so_far, error)) {
      made_.push_back(so_far);
      continue;
    }
    std::error_code ignored;
    if (fs::is_directory(so_far, ignored)) continue;  // somebody else made it just now
    for (auto made = made_.rbegin(); made != made_.rend(); ++made) ::rmdir(made->c_str());
    throw MachineError(fmt::format("{}: cannot be made: {}", folder.string(),
                                   error ? error.message() : "something else is in the way"));
  }
}

OutputFolder::~OutputFolder() {
  for (auto made = made_.rbegin(); made != made_.rend(); ++made) ::rmdir(made->c_str());  // leaves what is not empty
}

}  // namespace rackproof::audio
