#include "harness/audio/interruption.hpp"

#include <cstdlib>

namespace rackproof::audio {
namespace {
volatile sig_atomic_t seen = 0;
extern "C" void note(int number) { seen = number; }
}  // namespace

Interruption::Interruption() {
  seen = 0;
  for (std::size_t i = 0; i < kSignals.size(); ++i) {
    struct sigaction action {};
    action.sa_handler = kSignals[i] == SIGXFSZ ? SIG_IGN : note;
    action.sa_flags = SA_RESTART;
    sigemptyset(&action.sa_mask);
    sigaction(kSignals[i], nullptr, &before_[i]);
    // What the caller ignores stays ignored (nohup).
    if (before_[i].sa_handler != SIG_IGN || kSignals[i] == SIGXFSZ) sigaction(kSignals[i], &action, nullptr);
  }
}

Interruption::~Interruption() {
  for (std::size_t i = 0; i < kSignals.size(); ++i) sigaction(kSignals[i], &before_[i], nullptr);
}

void Interruption::check() const {
  if (seen != 0) throw Interrupted(seen);
}

void die_of(int signal_number) {
  struct sigaction plain {};
  plain.sa_handler = SIG_DFL;
  sigaction(signal_number, &plain, nullptr);
  raise(signal_number);
  std::_Exit(128 + signal_number);
}

}  // namespace rackproof::audio
