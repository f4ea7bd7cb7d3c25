#include "harness/live/guard.hpp"

#include <fmt/format.h>
#include <sched.h>
#include <signal.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cerrno>
#include <chrono>
#include <cstring>
#include <new>

#include "harness/errors.hpp"
#include "harness/files/descriptor.hpp"

namespace rackproof::live {
namespace {

sigset_t signals_of_ours() {
  sigset_t set;
  sigemptyset(&set);
  for (const int number : {SIGINT, SIGTERM, SIGHUP, SIGCHLD}) sigaddset(&set, number);
  return set;
}

/// Ahead of the audio's own threads where the system allows it, or a thread that runs wild would keep it from looking.
void ask_for_time() {
  sched_param wanted{};
  wanted.sched_priority = 60;
  static_cast<void>(sched_setscheduler(0, SCHED_FIFO, &wanted));
  static_cast<void>(mlockall(MCL_CURRENT));
}

enum class Why { by_itself, stood_still, did_not_end };

[[noreturn]] void tell_of_end(int how, Why why, double ms) {
  if (why == Why::stood_still)
    throw MachineError(fmt::format(
        "the audio stood still for {:.0f} ms, and a server repeats what was last: it was ended, so that the "
        "outputs fall silent. Look for what held this machine up, then start it again",
        ms));
  if (why == Why::did_not_end)
    throw MachineError("it did not end when it was told to, as where a server hangs, and was ended");
  throw MachineError(
      fmt::format("it was ended by signal {} ({}); the outputs are silent", WTERMSIG(how), ::strsignal(WTERMSIG(how))));
}

int watch(const Beat& beat, pid_t client, double least_stall_ms) {
  using Clock = std::chrono::steady_clock;
  ask_for_time();
  const sigset_t signals = signals_of_ours();
  Stall stall(least_stall_ms);
  Why why = Why::by_itself;
  double still_ms = 0, ends_for_ms = 0;
  bool told = false;
  Clock::time_point before = Clock::now();
  for (;;) {
    constexpr timespec kLook{0, static_cast<long>(kLook_ms * 1e6)};
    const int number = sigtimedwait(&signals, nullptr, &kLook);
    if (number == SIGINT || number == SIGTERM || number == SIGHUP) {
      ::kill(client, SIGTERM);
      told = true;
    }
    int how = 0;
    if (::waitpid(client, &how, WNOHANG) == client) {
      if (WIFEXITED(how)) return WEXITSTATUS(how);
      tell_of_end(how, why, still_ms);
    }
    const Clock::time_point now = Clock::now();
    const double elapsed_ms = std::chrono::duration<double, std::milli>(now - before).count();
    before = now;
    if (why != Why::by_itself) continue;
    const std::uint32_t ending = beat.ending.load(std::memory_order_relaxed);
    if (ending == Beat::closed) continue;
    if (told || ending == Beat::closes) ends_for_ms += elapsed_ms;
    if (stall.look(beat, elapsed_ms)) why = Why::stood_still;
    if (ends_for_ms > kMostTimeToEnd_ms) why = Why::did_not_end;
    if (why == Why::by_itself) continue;
    still_ms = stall.still_ms();
    ::kill(client, SIGKILL);
  }
}

}  // namespace

std::optional<int> stand_guard(Beat*& beat, double least_stall_ms) {
  void* const page = ::mmap(nullptr, sizeof(Beat), PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
  if (page == MAP_FAILED) throw MachineError(fmt::format("no memory for the guard: {}", files::reason(errno)));
  beat = new (page) Beat;
  // Stopped, neither would look: Ctrl-Z, and a terminal that is read or written from the background.
  for (const int number : {SIGTSTP, SIGTTIN, SIGTTOU, SIGPIPE}) ::signal(number, SIG_IGN);
  const sigset_t signals = signals_of_ours();
  ::pthread_sigmask(SIG_BLOCK, &signals, nullptr);
  const pid_t parent = ::getpid();
  const pid_t client = ::fork();
  if (client < 0) throw MachineError(fmt::format("no guard process: {}", files::reason(errno)));
  if (client > 0) return watch(*beat, client, least_stall_ms);
  ::prctl(PR_SET_PDEATHSIG, SIGTERM);
  if (::getppid() != parent) ::raise(SIGTERM);  // it went before it could be named; held back, and read later on
  return std::nullopt;
}

}  // namespace rackproof::live
