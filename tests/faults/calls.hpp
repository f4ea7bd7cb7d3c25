#pragma once
/// What the library that makes calls fail tells the test, in memory that both share.
#include <array>
#include <atomic>
#include <cstddef>
#include <cstdint>
#include <string_view>

namespace rackproof::faults {

enum class Call : std::size_t {
  open,
  read,
  write,
  rename,
  fsync,
  close,
  seek,
  stat,
  folder,
  lock,
  mode,
  thread,
  allocation,
  unlink,
  count
};
inline constexpr std::array<std::string_view, static_cast<std::size_t>(Call::count)> kCallNames{
    "open", "read",   "write", "rename", "fsync",  "close",      "seek",
    "stat", "folder", "lock",  "mode",   "thread", "allocation", "unlink"};

struct Calls {
  std::array<std::atomic<std::uint64_t>, kCallNames.size()> made;  ///< so far, by Call
  std::atomic<std::uint64_t> changes;                              ///< calls that change a file or a folder
  std::atomic<std::uint64_t> fired;                                ///< 1: the call that was asked for has come
};

}  // namespace rackproof::faults
