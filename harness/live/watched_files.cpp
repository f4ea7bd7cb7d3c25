#include "harness/live/watched_files.hpp"

#include <sys/stat.h>

#include <utility>

namespace rackproof::live {

WatchedFiles::State WatchedFiles::state_of(const std::filesystem::path& file) {
  struct stat facts {};
  if (::stat(file.c_str(), &facts) != 0) return {};
  return {facts.st_mtim.tv_sec, facts.st_mtim.tv_nsec, facts.st_size, facts.st_ino, true};
}

void WatchedFiles::watch(std::vector<std::filesystem::path> files) {
  files_ = std::move(files);
  known_.clear();
  for (const std::filesystem::path& file : files_) known_.push_back(state_of(file));
  seen_ = known_;
}

bool WatchedFiles::saved() {
  bool any = false;
  for (std::size_t i = 0; i < files_.size(); ++i) {
    const State now = state_of(files_[i]);
    const bool rests = now == seen_[i];
    seen_[i] = now;
    if (!now.is_there || !rests || now == known_[i]) continue;
    known_[i] = now;
    any = true;
  }
  return any;
}

}  // namespace rackproof::live
