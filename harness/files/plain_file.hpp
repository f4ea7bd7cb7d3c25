#pragma once
/// Text files that come in. Pipes, devices, folders and files that are too large are refused before anything is read:
/// a program at a rack must not wait for ever for a pipe that nobody writes to.
#include <cstddef>
#include <filesystem>
#include <optional>
#include <string>
#include <string_view>

namespace rackproof::files {

/// What is expected, for the words of a refusal.
struct FileWanted {
  std::size_t most_bytes = 0;
  std::string_view what = "a file";  ///< "a measurement"
  std::string_view made_by = {};     ///< what makes one, as a clause of its own: "'rackproof seal' makes one"
};

/// The whole file, its bytes as they are. Throws InputError where there is none, where it is a folder, a pipe, a socket
/// or a device, or where it is larger than wanted; MachineError, with the system's reason, where it cannot be read.
std::string read_plain_file(const std::filesystem::path& file, const FileWanted& wanted);

/// The first `most_bytes` of a plain file, fewer where it is shorter; nothing where there is no file. Throws InputError
/// where something else stands there, MachineError where it cannot be read. Both name the file, or `known_as`.
std::optional<std::string> beginning_of(const std::filesystem::path& file, std::size_t most_bytes,
                                        const std::filesystem::path& known_as = {});

}  // namespace rackproof::files
