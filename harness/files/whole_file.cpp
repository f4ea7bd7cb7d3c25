#include "harness/files/whole_file.hpp"

#include <fcntl.h>
#include <fmt/format.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <atomic>
#include <cerrno>
#include <chrono>
#include <cstdio>
#include <cstring>
#include <optional>
#include <string>
#include <system_error>
#include <thread>
#include <utility>
#include <vector>

#include "harness/errors.hpp"
#include "harness/files/descriptor.hpp"
#include "harness/files/plain_file.hpp"
#include "harness/files/shown.hpp"
#include "harness/workers.hpp"

namespace rackproof::files {

namespace fs = std::filesystem;

namespace {

constexpr std::string_view kMark = ".rackproof-", kEnd = ".part";
constexpr std::size_t kMostOfName = 200;  // a name has 255 bytes at most
constexpr auto kPatience = std::chrono::seconds(60);

[[noreturn]] void fail(const fs::path& place, std::string_view what, int error) {
  throw MachineError(fmt::format("{}: {}: {}", place.string(), what, reason(error)));
}

fs::path folder_of(const fs::path& file) {
  const fs::path folder = file.parent_path();
  return folder.empty() ? fs::path(".") : folder;
}

fs::path new_part_name(const fs::path& target) {
  static std::atomic<unsigned> count = 0;
  const std::string name = target.filename().string().substr(0, kMostOfName);
  return folder_of(target) / fmt::format(".{}{}{}-{}{}", name, kMark, ::getpid(), count++, kEnd);
}

/// `.NAME.rackproof-PID-N.part`, and nothing else.
bool is_part_name(std::string_view name) {
  const std::size_t mark = name.rfind(kMark);
  if (!name.starts_with('.') || !name.ends_with(kEnd) || mark == name.npos || mark == 0) return false;
  const std::size_t from = mark + kMark.size();
  if (from + kEnd.size() > name.size()) return false;
  const std::string_view numbers = name.substr(from, name.size() - kEnd.size() - from);
  const std::size_t dash = numbers.find('-');
  return dash != numbers.npos && dash > 0 && dash + 1 < numbers.size() &&
         numbers.find_first_not_of("0123456789-") == numbers.npos && numbers.rfind('-') == dash;
}

enum class Lock { mine, anothers, unknown };
Lock try_lock(int descriptor) {
  int status = 0;
  do status = ::flock(descriptor, LOCK_EX | LOCK_NB);
  while (status != 0 && errno == EINTR);
  if (status == 0) return Lock::mine;
  return errno == EWOULDBLOCK ? Lock::anothers : Lock::unknown;
}

/// Whether the name is that of the open file. Nothing: `errno` says why it cannot be told.
std::optional<bool> is_that_file(const fs::path& name, int descriptor) {
  struct stat named {
  }, open{};
  if (::lstat(name.c_str(), &named) != 0) return errno == ENOENT ? std::optional(false) : std::nullopt;
  if (::fstat(descriptor, &open) != 0) return std::nullopt;
  return named.st_ino == open.st_ino && named.st_dev == open.st_dev;
}

/// What is in the place already, or nothing. Throws where it is not to be replaced.
std::optional<struct stat> replaceable(const fs::path& place) {
  struct stat facts {};
  if (::stat(place.c_str(), &facts) != 0) {
    if (errno == ENOENT || errno == ENOTDIR) return std::nullopt;
    fail(place, "cannot be written", errno);
  }
  if (S_ISDIR(facts.st_mode))
    throw InputError(
        fmt::format("{}: is a folder, where a file is to be written; remove it or write elsewhere", place.string()));
  if (!S_ISREG(facts.st_mode))
    throw InputError(fmt::format("{}: is a pipe or a device; give the name of a plain file", place.string()));
  if ((facts.st_mode & 0222) == 0 || (::access(place.c_str(), W_OK) != 0 && errno == EACCES))
    throw InputError(fmt::format("{}: is write-protected, and stays as it is; write elsewhere, or allow writing to it",
                                 place.string()));
  return facts;
}

void flush(int descriptor, const fs::path& place) {
  while (::fsync(descriptor) != 0)
    if (errno != EINTR) fail(place, "cannot be brought to the disk", errno);
}

/// Names that have come, gone or changed in a folder, to the disk. Not every file system can be asked.
void flush_folder(const fs::path& folder, const fs::path& place) {
  const Descriptor opened(::open(folder.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC));
  if (!opened) {
    if (errno == EACCES) return;
    fail(place, "cannot be renamed into place", errno);
  }
  while (::fsync(opened.get()) != 0) {
    if (errno == EINTR) continue;
    if (errno == EINVAL || errno == EROFS) return;
    fail(place, "cannot be brought to the disk", errno);
  }
}

/// One set at a time.
Descriptor locked_folder(const fs::path& folder, const Interruption& interruption) {
  Descriptor opened(::open(folder.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC));
  if (!opened) return opened;
  for (const auto until = std::chrono::steady_clock::now() + kPatience; try_lock(opened.get()) == Lock::anothers;) {
    interruption.check();
    if (std::chrono::steady_clock::now() > until)
      throw MachineError(fmt::format("{}: another run is putting files there and does not end", folder.string()));
    std::this_thread::sleep_for(std::chrono::milliseconds(5));
  }
  return opened;
}

/// Two files change places; else `errno` says why not.
bool exchange(const fs::path& a, const fs::path& b) {
  return ::renameat2(AT_FDCWD, a.c_str(), AT_FDCWD, b.c_str(), RENAME_EXCHANGE) == 0;
}
/// That there is no file to change with, or that the file system has no such thing.
bool is_no_exchange(int error) { return error == ENOENT || error == EINVAL || error == ENOSYS || error == EOPNOTSUPP; }

}  // namespace

WholeFile::WholeFile(fs::path place) : place_(std::move(place)), interruption_(std::make_unique<Interruption>()) {
  const std::optional<struct stat> old = replaceable(place_);
  std::error_code error;
  target_ = old ? fs::canonical(place_, error) : place_;
  if (error) fail(place_, "cannot be written", error.value());
  remove_leftovers(folder_of(target_));
  for (unsigned attempt = 0; descriptor_ < 0; ++attempt) {
    fs::path part = new_part_name(target_);
    Descriptor opened(::open(part.c_str(), O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC, 0666));
    if (!opened) {
      if (errno == EEXIST && attempt < 1000) continue;
      fail(place_, "cannot be written", errno);
    }
    // Between the two calls another run may have taken it for one that nobody holds.
    if (try_lock(opened.get()) == Lock::anothers) continue;
    const std::optional<bool> stands = is_that_file(part, opened.get());
    if (!stands) {
      const int why = errno;
      ::unlink(part.c_str());
      fail(place_, "cannot be written", why);
    }
    if (!*stands) continue;
    part_ = std::move(part);
    descriptor_ = opened.release();
  }
  if (!old) return;
  struct stat mine {};
  if (::fstat(descriptor_, &mine) == 0 && (mine.st_uid != old->st_uid || mine.st_gid != old->st_gid) &&
      ::fchown(descriptor_, old->st_uid, old->st_gid) != 0 && ::fchown(descriptor_, mine.st_uid, old->st_gid) != 0) {
    // Another's file, which may be replaced but not be made as another.
  }
  if (::fchmod(descriptor_, old->st_mode & 0777) != 0) {
    const int why = errno;
    ::unlink(part_.c_str());
    ::close(std::exchange(descriptor_, -1));
    fail(place_, "cannot be written", why);
  }
}

WholeFile::WholeFile(WholeFile&& other) noexcept
    : place_(std::move(other.place_)),
      target_(std::move(other.target_)),
      part_(std::exchange(other.part_, {})),
      descriptor_(std::exchange(other.descriptor_, -1)),
      written_(other.written_),
      finished_(other.finished_),
      expects_(other.expects_),
      expected_(std::move(other.expected_)),
      interruption_(std::move(other.interruption_)) {}

WholeFile::~WholeFile() {
  if (!part_.empty()) ::unlink(part_.c_str());
  if (descriptor_ >= 0) ::close(descriptor_);
}

void WholeFile::write(std::string_view bytes) {
  write_at(descriptor_, bytes, written_, place_);
  std::array<char, 65536> back{};
  for (std::size_t at = 0; at < bytes.size();) {
    const std::size_t here = std::min(back.size(), bytes.size() - at);
    const ssize_t got = read_at(descriptor_, {back.data(), here}, written_ + at);
    if (got < 0) fail(place_, "cannot be read back", errno);
    if (static_cast<std::size_t>(got) != here || std::memcmp(back.data(), bytes.data() + at, here) != 0)
      throw MachineError(fmt::format("{}: what was written is not what can be read of it", place_.string()));
    at += here;
  }
  written_ += bytes.size();
}

void WholeFile::expect(std::optional<std::string> bytes) {
  expects_ = true;
  expected_ = std::move(bytes);
}

void WholeFile::start_flushing() const { ::sync_file_range(descriptor_, 0, 0, SYNC_FILE_RANGE_WRITE); }

void WholeFile::finish() {
  if (std::exchange(finished_, true)) return;
  flush(descriptor_, place_);
}

void WholeFile::commit() {
  WholeFile* const alone = this;
  commit_all({&alone, 1});
}

/// What has become of one file on its way, until it is kept or undone.
class Placing {
 public:
  explicit Placing(WholeFile& file) : file_(file) {}

  /// Aside, so that for a while there is none in the place.
  void take_away_old() {
    hold_old();
    if (!was_there_) return;
    fs::path aside = new_part_name(file_.target_);
    if (::rename(file_.target_.c_str(), aside.c_str()) != 0) fail(file_.place_, "cannot be replaced", errno);
    old_name_ = std::move(aside);
  }
  void put() {
    if (file_.expects_ && !file_.expected_) return put_where_none_is();
    if (file_.expects_) must_be_as_expected(file_.target_);
    if (old_name_.empty()) {
      hold_old();
      if (exchange(file_.part_, file_.target_)) {
        old_name_ = std::exchange(file_.part_, {});
        state_ = State::exchanged;
        if (file_.expects_) must_be_as_expected(old_name_);  // saved by somebody between the look and the exchange
        return;
      }
      if (file_.expects_ && errno == ENOENT) changed("was taken away");
      if (!is_no_exchange(errno)) fail(file_.place_, "cannot be renamed into place", errno);
    }
    if (::rename(file_.part_.c_str(), file_.target_.c_str()) != 0)
      fail(file_.place_, "cannot be renamed into place", errno);
    state_ = was_there_ && old_name_.empty() ? State::over_the_old : State::in_an_empty_place;
    new_name_ = std::exchange(file_.part_, {});
  }
  /// As it was before, as far as that can be had.
  void undo() noexcept { lost_ = !is_undone(); }
  bool is_lost() const { return lost_; }
  void give_back_old() noexcept {
    if (file_.descriptor_ >= 0) ::close(std::exchange(file_.descriptor_, -1));
    if (!old_name_.empty()) ::unlink(old_name_.c_str());
    old_name_.clear();
    old_.reset();
  }
  const fs::path& place() const { return file_.place_; }

 private:
  enum class State { beside, exchanged, over_the_old, in_an_empty_place };

  [[noreturn]] void changed(std::string_view how) const {
    throw InputError(fmt::format(
        "{}: {} by somebody else while this ran; it is as they left it, and nothing of this run is in it: run "
        "this again",
        shown(file_.place_), how));
  }
  void must_be_as_expected(const fs::path& name) const {
    const std::optional<std::string> bytes = beginning_of(name, file_.expected_->size() + 1, file_.place_);
    if (!bytes) changed("was taken away");
    if (*bytes != *file_.expected_) changed("was changed");
  }
  void put_where_none_is() {
    int error = 0;
    if (::renameat2(AT_FDCWD, file_.part_.c_str(), AT_FDCWD, file_.target_.c_str(), RENAME_NOREPLACE) != 0)
      error = errno;
    if (error != 0 && error != EEXIST && is_no_exchange(error) && error != ENOENT) {
      // The file system has no such thing: a look, and then the renaming.
      struct stat there {};
      error = 0;
      if (::lstat(file_.target_.c_str(), &there) == 0)
        error = EEXIST;
      else if (::rename(file_.part_.c_str(), file_.target_.c_str()) != 0)
        error = errno;
    }
    if (error == EEXIST) changed("was made");
    if (error != 0) fail(file_.place_, "cannot be renamed into place", error);
    state_ = State::in_an_empty_place;
    new_name_ = std::exchange(file_.part_, {});
  }

  bool is_undone() noexcept {
    if (state_ == State::over_the_old) return false;
    if (state_ == State::exchanged) {
      if (!exchange(old_name_, file_.target_)) return false;
      file_.part_ = std::exchange(old_name_, {});
    }
    if (state_ == State::in_an_empty_place) {
      if (::rename(file_.target_.c_str(), new_name_.c_str()) != 0) return false;
      file_.part_ = std::exchange(new_name_, {});
    }
    state_ = State::beside;
    if (old_name_.empty()) return true;
    const bool back = ::rename(old_name_.c_str(), file_.target_.c_str()) == 0;
    old_name_.clear();
    return back;
  }

  /// Open, so that it outlives its name, and locked, so that under the name of a part it is nobody's leftover.
  void hold_old() {
    old_ = Descriptor(::open(file_.target_.c_str(), O_RDONLY | O_NOFOLLOW | O_NONBLOCK | O_CLOEXEC));
    was_there_ = old_ || errno != ENOENT;
    if (old_) try_lock(old_.get());
  }

  WholeFile& file_;
  Descriptor old_;
  fs::path old_name_, new_name_;
  State state_ = State::beside;
  bool was_there_ = false, lost_ = false;
};

void commit_all(std::span<WholeFile* const> files, WholeFile* list, std::size_t workers) {
  std::vector<WholeFile*> all(files.begin(), files.end());
  if (list != nullptr) all.push_back(list);
  if (all.empty()) return;
  for (const WholeFile* file : all) file->start_flushing();
  for (WholeFile* file : all) file->finish();

  std::vector<Placing> placings;
  placings.reserve(all.size());
  std::vector<std::pair<fs::path, fs::path>> folders;  // and a file in each, to be named
  for (WholeFile* file : all) {
    placings.emplace_back(*file);
    const fs::path folder = folder_of(file->target_);
    if (std::ranges::find(folders, folder, &std::pair<fs::path, fs::path>::first) == folders.end())
      folders.emplace_back(folder, file->place_);
  }
  all.back()->interruption_->check();
  const Descriptor lock =
      list == nullptr ? Descriptor() : locked_folder(folder_of(list->target_), *list->interruption_);
  try {
    if (list != nullptr) {
      placings.back().take_away_old();
      flush_folder(folder_of(list->target_), list->place_);
    }
    for (std::size_t i = 0; i < files.size(); ++i) placings[i].put();
    for (const auto& [folder, place] : folders) flush_folder(folder, place);
    if (list != nullptr) {
      placings.back().put();
      flush_folder(folder_of(list->target_), list->place_);
    }
  } catch (const std::exception& error) {
    for (auto placing = placings.rbegin(); placing != placings.rend(); ++placing) placing->undo();
    std::string replaced;
    for (const Placing& placing : placings)
      if (placing.is_lost()) replaced += (replaced.empty() ? "" : ", ") + placing.place().string();
    if (replaced.empty()) throw;
    throw MachineError(fmt::format("{}\nno longer as before: {}", error.what(), replaced));
  }
  std::atomic<std::size_t> next = 0;
  side_by_side(std::min(workers, placings.size()), [&](std::size_t) {
    for (std::size_t i = next++; i < placings.size(); i = next++) placings[i].give_back_old();
  });
}

void must_be_writable(const fs::path& place) { replaceable(place); }

Descriptor locked_file(const fs::path& file) {
  const auto until = std::chrono::steady_clock::now() + kPatience;
  while (true) {
    Descriptor opened(::open(file.c_str(), O_RDONLY | O_NONBLOCK | O_CLOEXEC));
    if (!opened && errno != ENOENT && errno != ENOTDIR && errno != EACCES) fail(file, "cannot be read", errno);
    if (!opened) return opened;
    const Lock lock = try_lock(opened.get());
    if (lock == Lock::unknown) return {};
    // While another one was waited for, the file may have been replaced.
    struct stat named {
    }, held{};
    const bool told = ::fstat(opened.get(), &held) == 0 && (::stat(file.c_str(), &named) == 0 || errno == ENOENT);
    if (!told) fail(file, "cannot be read", errno);
    if (lock == Lock::mine && named.st_ino == held.st_ino && named.st_dev == held.st_dev) return opened;
    if (std::chrono::steady_clock::now() > until)
      throw MachineError(fmt::format("{}: another run is writing to it and does not end", shown(file)));
    std::this_thread::sleep_for(std::chrono::milliseconds(lock == Lock::mine ? 0 : 5));
  }
}

void write_whole_file(const fs::path& place, std::string_view bytes) {
  WholeFile file(place);
  file.write(bytes);
  file.commit();
}

std::size_t remove_leftovers(const fs::path& folder) {
  std::size_t removed = 0;
  std::error_code error;
  for (fs::directory_iterator entry(folder, error), end; !error && entry != end; entry.increment(error)) {
    const fs::path& name = entry->path();
    if (!is_part_name(name.filename().native())) continue;
    Descriptor opened(::open(name.c_str(), O_RDWR | O_NOFOLLOW | O_NONBLOCK | O_CLOEXEC));
    if (!opened) opened = Descriptor(::open(name.c_str(), O_RDONLY | O_NOFOLLOW | O_NONBLOCK | O_CLOEXEC));
    struct stat facts {};
    if (!opened || ::fstat(opened.get(), &facts) != 0 || !S_ISREG(facts.st_mode)) continue;
    if (try_lock(opened.get()) != Lock::mine || !is_that_file(name, opened.get()).value_or(false)) continue;
    if (::unlink(name.c_str()) == 0) ++removed;
  }
  return removed;
}

}  // namespace rackproof::files
