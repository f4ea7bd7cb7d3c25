#pragma once
/// Files that a person saves while they are in use.
/// Theorem  `saved` is true once after each time that a file's content was saved and then left alone for one look; a file
///          that is away for a moment, as editors replace it, counts when it is back.
#include <cstdint>
#include <filesystem>
#include <vector>

namespace rackproof::live {

class WatchedFiles {
 public:
  /// As they are now is as they are known.
  void watch(std::vector<std::filesystem::path> files);
  /// A look: a few times a second.
  bool saved();

 private:
  struct State {
    std::int64_t seconds = 0, nanoseconds = 0, size = 0;
    std::uint64_t inode = 0;
    bool is_there = false;
    friend bool operator==(const State&, const State&) = default;
  };
  static State state_of(const std::filesystem::path& file);
  std::vector<std::filesystem::path> files_;
  std::vector<State> known_, seen_;
};

}  // namespace rackproof::live
