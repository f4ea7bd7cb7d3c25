#include "harness/files/entry.hpp"

#include <fmt/format.h>
#include <sys/stat.h>

#include <cerrno>
#include <optional>

#include "harness/errors.hpp"
#include "harness/files/descriptor.hpp"
#include "harness/files/shown.hpp"

namespace rackproof::files {
namespace {

std::optional<struct stat> facts_of(const std::filesystem::path& name) {
  struct stat facts {};
  if (::stat(name.c_str(), &facts) == 0) return facts;
  if (errno == ENOENT || errno == ENOTDIR || errno == ENAMETOOLONG || errno == ELOOP) return std::nullopt;
  throw MachineError(fmt::format("{}: cannot be examined: {}", shown(name), reason(errno)));
}

}  // namespace

Entry entry_at(const std::filesystem::path& name) {
  const std::optional<struct stat> facts = facts_of(name);
  if (!facts) return Entry::nothing;
  return S_ISREG(facts->st_mode) ? Entry::file : S_ISDIR(facts->st_mode) ? Entry::folder : Entry::other;
}

bool are_one(const std::filesystem::path& a, const std::filesystem::path& b) {
  const std::optional<struct stat> one = facts_of(a), other = facts_of(b);
  return one && other && one->st_ino == other->st_ino && one->st_dev == other->st_dev;
}

}  // namespace rackproof::files
