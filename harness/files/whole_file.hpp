#pragma once
/// Files that are there whole or not at all, alone or as a set.
/// Theorem  until a file is put in its place nothing under that name changes; what was there before stays as it was
///          where anything fails, the last step included, and nothing of the new one is left. A name never holds half a
///          file, whenever the process is killed or the machine loses power.
/// Method   a part beside the place, `.NAME.rackproof-PID-N.part`. What was written is read back and flushed to the
///          disk ahead of the renaming, the folder after it. The new and the old file change places (renameat2 with
///          RENAME_EXCHANGE), so that the old one can still be given back; where the file system cannot do that, the
///          new one is renamed over it, and of a set that fails then the error names what was replaced.
///          A process holds a lock (flock) on each of its parts. What a killed one left is a part that nobody holds: the
///          next file that is begun in that folder removes it. No number of a process that may by now be another's,
///          here or in another container, is trusted.
/// Signals  while a file is under way SIGINT, SIGTERM and SIGHUP wait: `commit` throws Interrupted if one has come, and
///          one that comes later ends the program when all is in its place.
#include <cstdint>
#include <filesystem>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <string_view>

#include "harness/files/descriptor.hpp"
#include "harness/files/interruption.hpp"

namespace rackproof::files {

class WholeFile {
 public:
  /// A link stays a link: what it leads to is replaced. The mode of what is replaced stays, its owner as far as the
  /// system allows. Throws InputError where a folder, a device or a pipe is in the place, or a file that is
  /// write-protected; MachineError where nothing can be written beside it.
  explicit WholeFile(std::filesystem::path place);
  ~WholeFile();
  WholeFile(WholeFile&& other) noexcept;
  WholeFile& operator=(WholeFile&&) = delete;

  const std::filesystem::path& place() const { return place_; }
  /// Open for reading and writing, for those who write in another way than `write`; -1 from `commit` on.
  int descriptor() const { return descriptor_; }

  /// Put behind what was written before, and read back. Throws MachineError.
  void write(std::string_view bytes);
  /// Begins to bring to the disk what has been written; `finish` then waits for less.
  void start_flushing() const;
  /// From now on `commit` throws InputError, and leaves all as it is, unless the place then still holds these bytes;
  /// nothing: unless there is no file. What is replaced is looked at once more when it has left the place.
  void expect(std::optional<std::string> bytes);
  /// On the disk, still as a part. Throws MachineError.
  void finish();
  /// In its place; `finish` comes first. Throws MachineError, or Interrupted.
  void commit();

 private:
  friend class Placing;
  friend void commit_all(std::span<WholeFile* const> files, WholeFile* list, std::size_t workers);

  std::filesystem::path place_, target_, part_;  ///< as named, as links lead to it, beside that
  int descriptor_ = -1;
  std::uint64_t written_ = 0;
  bool finished_ = false, expects_ = false;
  std::optional<std::string> expected_;
  std::unique_ptr<Interruption> interruption_;
};

/// What a WholeFile would refuse of its place: a folder, a device, a pipe, a file that is write-protected. For a file
/// that is only written after a long time.
void must_be_writable(const std::filesystem::path& place);

/// The file, open, with a lock (flock) on it that no other process has; one that has it is waited for, up to a minute.
/// Without an open file: there is none, or its file system knows no locks. The lock goes with the descriptor. Throws
/// MachineError.
Descriptor locked_file(const std::filesystem::path& file);

void write_whole_file(const std::filesystem::path& place, std::string_view bytes);

/// All of them or none: each is finished before the first takes its place. `list`, if there is one, is taken away first
/// and put there last: a set without it is not whole. One set at a time is put into the folder of `list`. What was
/// replaced goes back to the disk at the end, by up to `workers` threads: for long recordings that takes a while.
/// Throws MachineError, or Interrupted before anything has changed.
void commit_all(std::span<WholeFile* const> files, WholeFile* list = nullptr, std::size_t workers = 1);

/// Parts in `folder` whose process is gone; how many were removed. What cannot be removed is left without a word.
std::size_t remove_leftovers(const std::filesystem::path& folder);

}  // namespace rackproof::files
