// Must hold: what the audio thread does of a live rig allocates nothing and locks nothing, whatever it is told
// meanwhile. Whoever does while it is forbidden ends the program.
#include <gtest/gtest.h>
#include <pthread.h>
#include <sched.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <cstdlib>
#include <cstring>

#include "tests/harness/live/played.hpp"
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
void* malloc(std::size_t size) {
  refuse("malloc in the audio path\n");
  return __libc_malloc(size);
}
void* calloc(std::size_t n, std::size_t size) {
  refuse("calloc in the audio path\n");
  return __libc_calloc(n, size);
}
void* realloc(void* p, std::size_t size) {
  refuse("realloc in the audio path\n");
  return __libc_realloc(p, size);
}
void free(void* p) {
  refuse("free in the audio path\n");
  __libc_free(p);
}
}
#endif
extern "C" int pthread_mutex_lock(pthread_mutex_t* mutex) noexcept {
  refuse("a lock in the audio path\n");
  while (pthread_mutex_trylock(mutex) == EBUSY) sched_yield();
  return 0;
}

namespace {
using namespace rackproof::live;
using namespace rackproof::live::test;

TEST(LiveRealtime, NothingIsAllocatedOrLockedWhateverIsAskedFor) {
  LiveRig rig(tuning_of(two_way()));
  const Rows noise = noise_rows(2, 64, 2.0f, 1);
  std::array<std::array<float, 64>, 4> out{};
  const std::array<const float*, 2> from{noise[0].data(), noise[1].data()};
  const std::array<float*, 4> to{out[0].data(), out[1].data(), out[2].data(), out[3].data()};
  for (std::size_t block = 0; block < 3000; ++block) {
    if (block % 900 == 500) rig.retune(tuning_of(replaced(two_way(), "gain = \"-6 dB\"", "gain = \"-9 dB\"")));
    if (block % 100 == 50) rig.mute(block % 4, block % 200 == 50);
    forbidden = true;
    rig.process(from, to, 64);
    rig.missed(64);
    rig.took(0.1f);
    forbidden = false;
    rig.proceed();
  }
  EXPECT_EQ(rig.retunes(), 3u);
  EXPECT_GT(rig.readings().published(), 100u);
}

TEST(LiveRealtimeDeathTest, TheTrapCatchesAnAllocation) {
  if (!RACKPROOF_OWN_MALLOC) GTEST_SKIP() << "the sanitizer brings its own allocator";
  EXPECT_DEATH(
      {
        forbidden = true;
        std::vector<float> rows(64);
        std::abort();
      },
      "malloc in the audio path");
}

}  // namespace
