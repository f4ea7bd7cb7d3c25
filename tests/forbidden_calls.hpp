#pragma once
/// For test programs of one source: while `forbidden` is set in a thread, whoever asks there for memory or for a lock
/// ends the program.
#include <pthread.h>
#include <sched.h>
#include <unistd.h>

#include <cerrno>
#include <cstdlib>
#include <cstring>

#include "tests/own_malloc.hpp"

namespace {
thread_local bool forbidden = false;

void refuse(const char* what) {
  if (!forbidden) return;
  forbidden = false;
  [[maybe_unused]] const auto written = write(STDERR_FILENO, what, std::strlen(what));
  std::abort();
}
}  // namespace

#if RACKPROOF_OWN_MALLOC
extern "C" {
void* __libc_malloc(std::size_t);
void* __libc_calloc(std::size_t, std::size_t);
void* __libc_realloc(void*, std::size_t);
void __libc_free(void*);
void* malloc(std::size_t size) { return refuse("malloc in the audio path\n"), __libc_malloc(size); }
void* calloc(std::size_t n, std::size_t size) { return refuse("calloc in the audio path\n"), __libc_calloc(n, size); }
void* realloc(void* p, std::size_t size) { return refuse("realloc in the audio path\n"), __libc_realloc(p, size); }
void free(void* p) { refuse("free in the audio path\n"), __libc_free(p); }
}
#endif
extern "C" int pthread_mutex_lock(pthread_mutex_t* mutex) noexcept {
  refuse("a lock in the audio path\n");
  while (pthread_mutex_trylock(mutex) == EBUSY) sched_yield();
  return 0;
}
