#pragma once
/// Plays a signal to ports of a JACK server and records others in the same cycle: one clock, so nothing drifts and nothing
/// has to be started by hand.
/// Theorem  frame n of what is recorded came in the cycle in which frame n of the signal went out: between them lies a
///          constant number of frames, whatever the period is, as long as no cycle was missed; those are counted. What
///          ends early fades: no step goes to a loudspeaker.
/// Threads  all but the server's callbacks belong to one thread.
#include <cstddef>
#include <cstdint>
#include <functional>
#include <memory>
#include <string>
#include <vector>

namespace rackproof::live {

struct TakeSettings {
  std::string server;  ///< empty: as the environment says, else "default"
  std::string name = "rackproof-measure";
  std::vector<std::string> to;    ///< ports that take the signal
  std::vector<std::string> from;  ///< ports that are recorded
};
struct Recorded {
  std::vector<std::vector<float>> rows;  ///< one for each of `from`
  std::uint64_t missed_cycles = 0;       ///< above 0: repeat it
  std::uint32_t period_frames = 0;
};

class Take {
 public:
  /// Opens the client and connects it; silence goes out. Throws MachineError where there is no server or the library is
  /// not there, InputError where a port is not there.
  explicit Take(const TakeSettings& settings);
  ~Take();  ///< what still plays fades first
  Take(const Take&) = delete;
  Take& operator=(const Take&) = delete;

  std::uint32_t sample_rate_hz() const;
  /// What else plays into a port.
  std::vector<std::string> others_on(const std::string& sink) const;
  /// As long as `signal` and `tail_frames` after it. `meanwhile` is called some fifty times a second and may throw: the
  /// signal then fades. Throws MachineError where the server is gone.
  Recorded play(const std::vector<float>& signal, std::size_t tail_frames, const std::function<void()>& meanwhile);

 private:
  struct Inside;
  std::unique_ptr<Inside> inside_;
};

}  // namespace rackproof::live
