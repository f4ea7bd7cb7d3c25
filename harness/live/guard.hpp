#pragma once
/// A process beside the one that plays, which ends it when it stands still.
///
/// A JACK server repeats the last period of a client that hangs, for as long as it hangs, at full level: no limiter sees
/// that, and no coil stands it. Disconnecting such a client waits for it; ending it does not.
/// Theorem  of a client that shows no progress for the longer of kLeastStall_ms (or as asked for) and kPeriods periods,
///          while it is watched, nothing is left after one look more. Looks are 2 ms apart. One look counts as
///          kMostLook_ms at most: where the whole machine stood still, the client gets time to go on.
/// Signals  INT, TERM and HUP are handed on to the client, which ramps down. Ctrl-Z stops neither of the two. Where the
///          guard is ended in another way, the client ramps down and ends too.
///          Who was told to end, or closes, and is still the server's client after kMostTimeToEnd_ms, is ended; files may
///          take longer.
/// What it cannot do: help where the whole machine stops, or where the server itself does.
#include <sys/types.h>
#include <atomic>
#include <cstdint>
#include <optional>

#include "harness/live/beat.hpp"

namespace rackproof::live {

inline constexpr double kLeastStall_ms = 15, kPeriods = 4, kLook_ms = 2, kMostLook_ms = 6, kMostTimeToEnd_ms = 3000;

/// How long the client has shown no progress; without a process, so that it can be tested.
class Stall {
 public:
  explicit Stall(double least_ms = kLeastStall_ms) : least_ms_(least_ms) {}
  /// After a look; `elapsed_ms` since the one before. True: it has stood still for too long.
  bool look(const Beat& beat, double elapsed_ms) {
    const std::uint64_t cycles = beat.cycles.load(std::memory_order_relaxed);
    if (cycles != seen_ || beat.watched.load(std::memory_order_relaxed) == 0 ||
        beat.ending.load(std::memory_order_relaxed) != Beat::plays) {
      seen_ = cycles;
      still_ms_ = 0;
      return false;
    }
    still_ms_ += elapsed_ms < kMostLook_ms ? elapsed_ms : kMostLook_ms;
    const double periods_ms = kPeriods * 1e-3 * beat.period_us.load(std::memory_order_relaxed);
    return still_ms_ > (periods_ms > least_ms_ ? periods_ms : least_ms_);
  }
  double still_ms() const { return still_ms_; }

 private:
  double least_ms_;
  std::uint64_t seen_ = 0;
  double still_ms_ = 0;
};

/// Ahead of any thread. Parts into two processes: in the one that is to play it returns nothing, with `beat` shared and
/// INT, TERM, HUP held back from handlers, to be read by `signalfd`. In the other it watches, and returns the exit
/// status of the first; where it ended that itself, or a signal did, it throws MachineError.
std::optional<int> stand_guard(Beat*& beat, double least_stall_ms = kLeastStall_ms);

}  // namespace rackproof::live
