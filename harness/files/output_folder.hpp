#pragma once
/// A folder for outputs, made if absent; what was made of it goes again, unless `keep` is called. Signals wait meanwhile,
/// as they do for a WholeFile.
#include <filesystem>
#include <vector>

#include "harness/files/interruption.hpp"

namespace rackproof::files {

class OutputFolder {
 public:
  /// Throws InputError where a file is in its place, MachineError where it cannot be made.
  explicit OutputFolder(const std::filesystem::path& folder);
  ~OutputFolder();
  OutputFolder(const OutputFolder&) = delete;
  OutputFolder& operator=(const OutputFolder&) = delete;
  /// The names of what was made are on the disk as well, where the file system can be asked for that.
  void keep();

 private:
  void make(const std::filesystem::path& folder);
  void remove_made() noexcept;

  Interruption interruption_;                // goes after the folders
  std::vector<std::filesystem::path> made_;  ///< outermost first
};

}  // namespace rackproof::files
