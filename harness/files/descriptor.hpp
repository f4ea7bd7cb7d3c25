#pragma once
/// An open file, and reading and writing it whole.
#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <span>
#include <string>
#include <string_view>
#include <utility>

#include <sys/types.h>

namespace rackproof::files {

/// Closes what it holds.
class Descriptor {
 public:
  Descriptor() = default;
  explicit Descriptor(int descriptor) : descriptor_(descriptor) {}
  Descriptor(Descriptor&& other) noexcept : descriptor_(std::exchange(other.descriptor_, -1)) {}
  Descriptor& operator=(Descriptor&& other) noexcept {
    std::swap(descriptor_, other.descriptor_);
    return *this;
  }
  ~Descriptor() { reset(); }
  explicit operator bool() const { return descriptor_ >= 0; }
  int get() const { return descriptor_; }
  int release() { return std::exchange(descriptor_, -1); }
  void reset();

 private:
  int descriptor_ = -1;
};

/// The system's words for an error number.
std::string reason(int error);

/// All bytes, from byte `at` of the file on. Throws MachineError, which names `place`.
void write_at(int descriptor, std::string_view bytes, std::uint64_t at, const std::filesystem::path& place);
/// As many bytes as there are, up to the size of `to`; fewer only at the end. -1: `errno` says why.
ssize_t read_at(int descriptor, std::span<char> to, std::uint64_t at);

}  // namespace rackproof::files
