#include "harness/files/descriptor.hpp"

#include <fmt/format.h>
#include <unistd.h>

#include <cerrno>
#include <system_error>

#include "harness/errors.hpp"

namespace rackproof::files {

void Descriptor::reset() {
  if (descriptor_ >= 0) ::close(std::exchange(descriptor_, -1));
}

std::string reason(int error) { return std::error_code(error, std::generic_category()).message(); }

void write_at(int descriptor, std::string_view bytes, std::uint64_t at, const std::filesystem::path& place) {
  while (!bytes.empty()) {
    const ssize_t count = ::pwrite(descriptor, bytes.data(), bytes.size(), static_cast<off_t>(at));
    if (count < 0 && errno == EINTR) continue;
    if (count <= 0)
      throw MachineError(fmt::format("{}: cannot be written: {}", place.string(),
                                     count < 0 ? reason(errno) : "the disk takes no more"));
    bytes.remove_prefix(static_cast<std::size_t>(count));
    at += static_cast<std::uint64_t>(count);
  }
}

ssize_t read_at(int descriptor, std::span<char> to, std::uint64_t at) {
  std::size_t done = 0;
  while (done < to.size()) {
    const ssize_t count = ::pread(descriptor, to.data() + done, to.size() - done, static_cast<off_t>(at + done));
    if (count < 0 && errno == EINTR) continue;
    if (count < 0) return -1;
    if (count == 0) break;
    done += static_cast<std::size_t>(count);
  }
  return static_cast<ssize_t>(done);
}

}  // namespace rackproof::files
