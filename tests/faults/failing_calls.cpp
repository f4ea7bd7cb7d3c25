// A library that is loaded ahead of all others (LD_PRELOAD) and makes one call of the program fail, or
// sends it a signal there.
//
// RACKPROOF_FAULT=CALL:N:ERROR      the N-th call of that kind, from the beginning of main, returns the error number
// An allocation that is large fails when it is tried again as well: the program keeps some memory for its end, and no
// machine that has none left finds more than that.
// RACKPROOF_FAULT=signal:N:SIGNAL   that signal at the N-th call that would change a file or a folder, before it is made
// RACKPROOF_CALLS=FILE              where to count (see calls.hpp): it must be there, as large as `Calls`
//
// Of the standard library's streams those that the program uses are among the calls: what they do inside is not seen.
#include <dirent.h>
#include <dlfcn.h>
#include <fcntl.h>
#include <pthread.h>
#include <signal.h>
#include <sys/file.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <unistd.h>

#include <cerrno>
#include <cstdarg>
#include <cstdio>
#include <cstdlib>
#include <cstring>

#include "tests/faults/calls.hpp"

namespace {

using namespace rackproof::faults;

Calls* calls = nullptr;
bool armed = false, signals = false;
Call wanted = Call::count;
std::uint64_t wanted_number = 0;
int wanted_error = EIO;

bool fails(Call call) {
  if (!armed) return false;
  const std::uint64_t number = ++calls->made[static_cast<std::size_t>(call)];
  if (signals || call != wanted || number != wanted_number) return false;
  calls->fired = 1;
  errno = wanted_error;
  return true;
}
void changes_a_file() {
  if (!armed || ++calls->changes != wanted_number || !signals) return;
  calls->fired = 1;
  ::raise(wanted_error);
}

template <class Function>
Function* real(const char* name) {
  return reinterpret_cast<Function*>(::dlsym(RTLD_NEXT, name));
}

void arm() {
  const char *fault = std::getenv("RACKPROOF_FAULT"), *file = std::getenv("RACKPROOF_CALLS");
  if (fault == nullptr || file == nullptr) return;
  const int descriptor = static_cast<int>(::syscall(SYS_openat, AT_FDCWD, file, O_RDWR | O_CLOEXEC));
  void* const mapped = ::mmap(nullptr, sizeof(Calls), PROT_READ | PROT_WRITE, MAP_SHARED, descriptor, 0);
  ::syscall(SYS_close, descriptor);
  if (mapped == MAP_FAILED) ::_exit(125);
  calls = static_cast<Calls*>(mapped);
  char name[16] = {};
  unsigned long long number = 0;
  if (std::sscanf(fault, "%15[a-z]:%llu:%d", name, &number, &wanted_error) < 2) ::_exit(125);
  wanted_number = number;
  signals = std::strcmp(name, "signal") == 0;
  for (std::size_t call = 0; call < kCallNames.size(); ++call)
    if (kCallNames[call] == name) wanted = static_cast<Call>(call);
  if (!signals && wanted == Call::count) ::_exit(125);
  armed = true;
}

int (*real_main)(int, char**, char**) = nullptr;
int main_under_watch(int argc, char** argv, char** environment) {
  arm();
  const int status = real_main(argc, argv, environment);
  armed = false;
  return status;
}

[[maybe_unused]] constexpr size_t kMoreThanReserved = 1 << 16;

bool creates(int flags) { return (flags & (O_CREAT | O_TRUNC)) != 0; }

}  // namespace

extern "C" {

// NOLINTBEGIN: the names and shapes are the system's.
int __libc_start_main(int (*main)(int, char**, char**), int argc, char** argv, void (*init)(), void (*fini)(),
                      void (*rtld_fini)(), void* stack_end) {
  real_main = main;
  return real<decltype(__libc_start_main)>("__libc_start_main")(main_under_watch, argc, argv, init, fini, rtld_fini,
                                                                stack_end);
}

#define FAILING(call, change, result, name, parameters, arguments, failure) \
  result name parameters {                                                  \
    static const auto next = real<result parameters>(#name);                \
    if (change) changes_a_file();                                           \
    if (fails(Call::call)) return failure;                                  \
    return next arguments;                                                  \
  }

#define FAILING_OPEN(name, parameters, arguments)                                        \
  int name parameters {                                                                  \
    static const auto next = real<int parameters>(#name);                                \
    va_list more;                                                                        \
    va_start(more, flags);                                                               \
    const mode_t mode = (flags & (O_CREAT | O_TMPFILE)) != 0 ? va_arg(more, mode_t) : 0; \
    va_end(more);                                                                        \
    if (creates(flags)) changes_a_file();                                                \
    if (fails(Call::open)) return -1;                                                    \
    return next arguments;                                                               \
  }
FAILING_OPEN(open, (const char* path, int flags, ...), (path, flags, mode))
FAILING_OPEN(open64, (const char* path, int flags, ...), (path, flags, mode))
FAILING_OPEN(openat, (int folder, const char* path, int flags, ...), (folder, path, flags, mode))
FAILING_OPEN(openat64, (int folder, const char* path, int flags, ...), (folder, path, flags, mode))
FAILING(open, *mode != 'r', FILE*, fopen, (const char* path, const char* mode), (path, mode), nullptr)
FAILING(open, *mode != 'r', FILE*, fopen64, (const char* path, const char* mode), (path, mode), nullptr)
FAILING(open, false, DIR*, opendir, (const char* path), (path), nullptr)
FAILING(open, false, DIR*, fdopendir, (int descriptor), (descriptor), nullptr)

FAILING(read, false, ssize_t, read, (int file, void* to, size_t size), (file, to, size), -1)
FAILING(read, false, ssize_t, pread, (int file, void* to, size_t size, off_t at), (file, to, size, at), -1)
FAILING(read, false, ssize_t, pread64, (int file, void* to, size_t size, off64_t at), (file, to, size, at), -1)
FAILING(read, false, size_t, fread, (void* to, size_t size, size_t count, FILE* file), (to, size, count, file), 0)
FAILING(read, false, struct dirent*, readdir, (DIR * folder), (folder), nullptr)
FAILING(read, false, struct dirent64*, readdir64, (DIR * folder), (folder), nullptr)

FAILING(write, file > 2, ssize_t, write, (int file, const void* from, size_t size), (file, from, size), -1)
FAILING(write, true, ssize_t, pwrite, (int file, const void* from, size_t size, off_t at), (file, from, size, at), -1)
FAILING(write, true, ssize_t, pwrite64, (int file, const void* from, size_t size, off64_t at), (file, from, size, at),
        -1)
FAILING(write, true, ssize_t, writev, (int file, const struct iovec* from, int count), (file, from, count), -1)
FAILING(write, false, size_t, fwrite, (const void* from, size_t size, size_t count, FILE* file),
        (from, size, count, file), 0)
FAILING(write, false, int, fflush, (FILE * file), (file), EOF)
FAILING(write, true, int, ftruncate, (int file, off_t size), (file, size), -1)

FAILING(rename, true, int, rename, (const char* from, const char* to), (from, to), -1)
FAILING(rename, true, int, renameat2, (int a, const char* from, int b, const char* to, unsigned flags),
        (a, from, b, to, flags), -1)
FAILING(rename, true, int, link, (const char* from, const char* to), (from, to), -1)

FAILING(fsync, false, int, fsync, (int file), (file), -1)
FAILING(fsync, false, int, fdatasync, (int file), (file), -1)
FAILING(fsync, false, int, sync_file_range, (int file, off64_t at, off64_t size, unsigned flags),
        (file, at, size, flags), -1)

FAILING(seek, false, off_t, lseek, (int file, off_t by, int from) noexcept, (file, by, from), -1)
FAILING(seek, false, off64_t, lseek64, (int file, off64_t by, int from) noexcept, (file, by, from), -1)

FAILING(stat, false, int, stat, (const char* path, struct stat* facts) noexcept, (path, facts), -1)
FAILING(stat, false, int, lstat, (const char* path, struct stat* facts) noexcept, (path, facts), -1)
FAILING(stat, false, int, fstat, (int file, struct stat* facts) noexcept, (file, facts), -1)

FAILING(folder, true, int, mkdir, (const char* path, mode_t mode) noexcept, (path, mode), -1)
FAILING(lock, false, int, flock, (int file, int operation) noexcept, (file, operation), -1)
FAILING(mode, true, int, fchmod, (int file, mode_t mode) noexcept, (file, mode), -1)

// Counted as changes, not to be made to fail: what cannot be removed stays, whatever a program does.
FAILING(unlink, true, int, unlink, (const char* path) noexcept, (path), -1)
FAILING(unlink, true, int, remove, (const char* path) noexcept, (path), -1)
FAILING(unlink, true, int, rmdir, (const char* path) noexcept, (path), -1)

// Closed all the same, as Linux does.
int close(int file) {
  static const auto next = real<int(int)>("close");
  const bool failing = fails(Call::close);
  const int error = errno, status = next(file);
  if (!failing) return status;
  errno = error;
  return -1;
}
int fclose(FILE* file) {
  static const auto next = real<int(FILE*)>("fclose");
  const bool failing = fails(Call::close);
  const int error = errno, status = next(file);
  if (!failing) return status;
  errno = error;
  return EOF;
}

int pthread_create(pthread_t* thread, const pthread_attr_t* attributes, void* (*run)(void*), void* with) noexcept {
  static const auto next = real<decltype(pthread_create)>("pthread_create");
  return fails(Call::thread) ? EAGAIN : next(thread, attributes, run, with);
}

// A sanitizer's allocations are its own.
#ifndef RACKPROOF_SANITIZED
void* __libc_malloc(size_t size);
void* __libc_calloc(size_t count, size_t size);
void* __libc_realloc(void* old, size_t size);
void* __libc_memalign(size_t alignment, size_t size);

void* malloc(size_t size) noexcept {
  static thread_local bool again __attribute__((tls_model("initial-exec"))) = false;
  if (again) {
    again = false;
    return nullptr;
  }
  if (!fails(Call::allocation)) return __libc_malloc(size);
  again = size > kMoreThanReserved;
  return nullptr;
}
void* calloc(size_t count, size_t size) noexcept {
  return fails(Call::allocation) ? nullptr : __libc_calloc(count, size);
}
void* realloc(void* old, size_t size) noexcept { return fails(Call::allocation) ? nullptr : __libc_realloc(old, size); }
void* aligned_alloc(size_t alignment, size_t size) noexcept {
  return fails(Call::allocation) ? nullptr : __libc_memalign(alignment, size);
}
int posix_memalign(void** at, size_t alignment, size_t size) noexcept {
  if (fails(Call::allocation)) return ENOMEM;
  *at = __libc_memalign(alignment, size);
  return *at == nullptr ? ENOMEM : 0;
}
#endif
// NOLINTEND

}  // extern "C"
