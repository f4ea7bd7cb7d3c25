#pragma once
/// Ctrl-C, a polite kill or a closed terminal, seen between two pieces of work instead of in their midst.
/// Theorem  while one stands, SIGINT, SIGTERM and SIGHUP end nothing: `check` throws Interrupted, so that destructors
///          clear away. A file-size limit (SIGXFSZ) becomes a failing write. Afterwards all is as it was before.
#include <signal.h>

#include <array>
#include <stdexcept>

namespace rackproof::audio {

struct Interrupted : std::runtime_error {
  explicit Interrupted(int number) : std::runtime_error("interrupted"), signal_number(number) {}
  int signal_number;
};

class Interruption {
 public:
  Interruption();  ///< one at a time
  ~Interruption();
  Interruption(const Interruption&) = delete;
  Interruption& operator=(const Interruption&) = delete;
  void check() const;  ///< throws Interrupted

 private:
  static constexpr std::array kSignals{SIGINT, SIGTERM, SIGHUP, SIGXFSZ};
  std::array<struct sigaction, kSignals.size()> before_;
};

/// Ends the program as the signal would have, so that a script which started it stops as well.
[[noreturn]] void die_of(int signal_number);

}  // namespace rackproof::audio
