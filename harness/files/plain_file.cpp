#include "harness/files/plain_file.hpp"

#include <fcntl.h>
#include <fmt/core.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <system_error>
#include <utility>

#include "harness/errors.hpp"
#include "harness/files/shown.hpp"

namespace rackproof::files {
namespace {

[[noreturn]] void cannot_read(const std::filesystem::path& file, int error) {
  throw MachineError(fmt::format("{}: cannot be read: {}", shown(file), std::generic_category().message(error)));
}

/// A plain file, open for reading.
class PlainFile {
 public:
  /// `made_by` as in FileWanted. Where there is no such file: not `open`, or InputError.
  PlainFile(const std::filesystem::path& file, const FileWanted& wanted, bool may_be_absent,
            const std::filesystem::path& known_as)
      : file_(known_as) {
    // O_NONBLOCK: a pipe with nobody at its other end opens at once, and is then seen to be one.
    descriptor_ = ::open(file.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK | O_NOCTTY);
    if (descriptor_ < 0) {
      const int error = errno;
      const bool absent = error == ENOENT || error == ENOTDIR;
      if (absent && may_be_absent) return;
      if (absent || error == ENAMETOOLONG || error == ELOOP)
        refuse(fmt::format("there is no such file{}{}", wanted.made_by.empty() ? "" : "; ", wanted.made_by));
      if (error == ENXIO || error == ENODEV) refuse_special(wanted.what);
      cannot_read(file_, error);
    }
    struct stat facts {};
    if (::fstat(descriptor_, &facts) != 0) fail();
    if (S_ISREG(facts.st_mode)) return;
    close();
    if (S_ISDIR(facts.st_mode)) refuse(fmt::format("this is a folder; the name of {} is wanted", wanted.what));
    refuse_special(wanted.what);
  }
  ~PlainFile() { close(); }
  PlainFile(const PlainFile&) = delete;
  PlainFile& operator=(const PlainFile&) = delete;

  bool open() const { return descriptor_ >= 0; }
  /// Up to `most` bytes from here on.
  std::string read(std::size_t most) {
    constexpr std::size_t kPiece = std::size_t{1} << 16;
    std::string text;
    while (text.size() < most) {
      const std::size_t before = text.size();
      text.resize(std::min(most, before + kPiece));
      const ssize_t count = ::read(descriptor_, text.data() + before, text.size() - before);
      const int error = errno;
      text.resize(before + static_cast<std::size_t>(std::max<ssize_t>(count, 0)));
      if (count == 0) break;
      if (count < 0 && error != EINTR) {
        close();
        cannot_read(file_, error);
      }
    }
    return text;
  }

 private:
  [[noreturn]] void refuse(const std::string& why) const { throw InputError(fmt::format("{}: {}", shown(file_), why)); }
  [[noreturn]] void refuse_special(std::string_view what) const {
    refuse(fmt::format("this is a pipe, a socket or a device; {} in a plain file is wanted", what));
  }
  [[noreturn]] void fail() {
    const int error = errno;
    close();
    cannot_read(file_, error);
  }
  void close() {
    if (descriptor_ >= 0) ::close(std::exchange(descriptor_, -1));
  }

  const std::filesystem::path& file_;
  int descriptor_ = -1;
};

std::string size_in_words(std::size_t bytes) {
  return bytes >= (std::size_t{1} << 20) && bytes % (std::size_t{1} << 20) == 0 ? fmt::format("{} MB", bytes >> 20)
                                                                                : fmt::format("{} bytes", bytes);
}

}  // namespace

std::string read_plain_file(const std::filesystem::path& file, const FileWanted& wanted) {
  PlainFile plain(file, wanted, false, file);
  std::string text = plain.read(wanted.most_bytes + 1);
  if (text.size() > wanted.most_bytes)
    throw InputError(fmt::format("{}: more than {}; {} is smaller: is this the right file?", shown(file),
                                 size_in_words(wanted.most_bytes), wanted.what));
  return text;
}

std::optional<std::string> beginning_of(const std::filesystem::path& file, std::size_t most_bytes,
                                        const std::filesystem::path& known_as) {
  PlainFile plain(file, {}, true, known_as.empty() ? file : known_as);
  if (!plain.open()) return std::nullopt;
  return plain.read(most_bytes);
}

}  // namespace rackproof::files
