#include "harness/files/interruption.hpp"

#include <signal.h>

#include <array>
#include <atomic>
#include <cstddef>
#include <cstdlib>
#include <mutex>

namespace rackproof::files {
namespace {

constexpr std::array kSignals{SIGINT, SIGTERM, SIGHUP, SIGXFSZ};

std::atomic<int> seen = 0, last_told = 0;  // the last signal, and the last that `check` has thrown for
static_assert(std::atomic<int>::is_always_lock_free, "a signal handler writes it");
extern "C" void note(int number) { seen = number; }

std::mutex mutex;  // guards what follows
std::size_t standing = 0;
std::array<struct sigaction, kSignals.size()> actions_before;

}  // namespace

Interruption::Interruption() {
  const std::lock_guard lock(mutex);
  if (standing++ > 0) return;
  seen = 0;
  last_told = 0;
  for (std::size_t i = 0; i < kSignals.size(); ++i) {
    struct sigaction action {};
    action.sa_handler = kSignals[i] == SIGXFSZ ? SIG_IGN : note;
    action.sa_flags = SA_RESTART;
    sigemptyset(&action.sa_mask);
    sigaction(kSignals[i], nullptr, &actions_before[i]);
    // What the caller ignores stays ignored (nohup).
    if (actions_before[i].sa_handler != SIG_IGN || kSignals[i] == SIGXFSZ) sigaction(kSignals[i], &action, nullptr);
  }
}

Interruption::~Interruption() {
  int missed = 0;
  {
    const std::lock_guard lock(mutex);
    if (--standing > 0) return;
    for (std::size_t i = 0; i < kSignals.size(); ++i) sigaction(kSignals[i], &actions_before[i], nullptr);
    if (seen != last_told) missed = seen;
  }
  if (missed != 0) ::raise(missed);
}

void Interruption::check() const {
  const int number = seen;
  if (number == 0) return;
  last_told = number;
  throw Interrupted(number);
}

void die_of(int signal_number) {
  struct sigaction plain {};
  plain.sa_handler = SIG_DFL;
  sigaction(signal_number, &plain, nullptr);
  ::raise(signal_number);
  std::_Exit(128 + signal_number);
}

}  // namespace rackproof::files
