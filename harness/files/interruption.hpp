#pragma once
/// Ctrl-C, a polite kill or a closed terminal, seen between two pieces of work instead of in their midst.
/// Theorem  while one stands, SIGINT, SIGTERM and SIGHUP end nothing: `check` throws Interrupted, so that destructors
///          clear away. A file-size limit (SIGXFSZ) becomes a failing write. Once the last of them is gone all is as it
///          was before, and a signal that nobody has checked for ends the program then.
/// Any number may stand at once, in any thread: a file that is being written holds one of its own (see whole_file.hpp).
#include <stdexcept>

namespace rackproof::files {

struct Interrupted : std::runtime_error {
  explicit Interrupted(int number) : std::runtime_error("interrupted"), signal_number(number) {}
  int signal_number;
};

class Interruption {
 public:
  Interruption();
  ~Interruption();
  Interruption(const Interruption&) = delete;
  Interruption& operator=(const Interruption&) = delete;
  void check() const;  ///< throws Interrupted
};

/// Ends the program as the signal would have, so that a script which started it stops as well.
[[noreturn]] void die_of(int signal_number);

}  // namespace rackproof::files
