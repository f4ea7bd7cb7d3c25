#include "harness/files/output_folder.hpp"

#include <fcntl.h>
#include <fmt/format.h>
#include <unistd.h>

#include <system_error>

#include "harness/errors.hpp"
#include "harness/files/descriptor.hpp"
#include "harness/files/entry.hpp"

namespace rackproof::files {

namespace fs = std::filesystem;

OutputFolder::OutputFolder(const fs::path& folder) {
  const Entry there = entry_at(folder);
  if (there == Entry::folder) return;
  if (there != Entry::nothing)
    throw InputError(fmt::format("{}: is a file; -o wants a folder, made if there is none", folder.string()));
  try {
    make(folder);
  } catch (...) {
    remove_made();
    throw;
  }
}
OutputFolder::~OutputFolder() { remove_made(); }

void OutputFolder::make(const fs::path& folder) {
  std::error_code error;
  fs::path so_far;
  for (const fs::path& part : fs::absolute(folder).lexically_normal()) {
    so_far /= part;
    if (part.empty() || entry_at(so_far) == Entry::folder) continue;
    made_.push_back(so_far);  // ahead of it, so that it is never forgotten
    if (fs::create_directory(so_far, error)) continue;
    made_.pop_back();
    std::error_code ignored;
    if (fs::is_directory(so_far, ignored)) continue;  // somebody else made it just now
    throw MachineError(fmt::format("{}: cannot be made: {}", folder.string(),
                                   error ? error.message() : "something else is in the way"));
  }
}

void OutputFolder::remove_made() noexcept {
  for (auto made = made_.rbegin(); made != made_.rend(); ++made) ::rmdir(made->c_str());  // leaves what is not empty
}

void OutputFolder::keep() {
  for (const fs::path& made : made_) {
    const Descriptor above(::open(made.parent_path().c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC));
    if (above) ::fsync(above.get());
  }
  made_.clear();
}

}  // namespace rackproof::files
