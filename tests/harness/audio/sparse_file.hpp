#pragma once
/// A file as long as one likes, in memory, that holds only what has been put into it: all else reads as zero bytes.
#include <fcntl.h>
#include <sys/mman.h>
#include <unistd.h>

#include <cstdint>
#include <filesystem>
#include <stdexcept>
#include <string>

namespace rackproof::test {

class SparseFile {
 public:
  explicit SparseFile(std::uint64_t bytes) : descriptor_(::memfd_create("sparse", MFD_CLOEXEC)) {
    if (descriptor_ < 0 || ::ftruncate(descriptor_, static_cast<off_t>(bytes)) != 0)
      throw std::runtime_error("no sparse file");
  }
  ~SparseFile() { ::close(descriptor_); }
  SparseFile(const SparseFile&) = delete;
  SparseFile& operator=(const SparseFile&) = delete;

  void put(std::uint64_t at, const std::string& bytes) const {
    if (::pwrite(descriptor_, bytes.data(), bytes.size(), static_cast<off_t>(at)) != static_cast<ssize_t>(bytes.size()))
      throw std::runtime_error("the sparse file takes no more");
  }
  /// For this process and those that it starts.
  std::filesystem::path path() const {
    return "/proc/" + std::to_string(::getpid()) + "/fd/" + std::to_string(descriptor_);
  }

 private:
  int descriptor_;
};

}  // namespace rackproof::test
