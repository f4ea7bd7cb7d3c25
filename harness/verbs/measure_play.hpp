#pragma once
/// `measure --play`: plays a stimulus through the limits of a running `live`, one output at a time, and records the
/// microphone in the same cycle.
#include <filesystem>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "harness/calibration/compile.hpp"
#include "harness/rig/rig.hpp"
#include "harness/tune/transfer.hpp"

namespace rackproof {

struct PlayOptions {
  std::string kind;         ///< "noise" or "sweep"; empty: files are measured
  std::string way;          ///< or one of its outputs
  std::string loudspeaker;  ///< of a rig that has several
  bool all = false;         ///< every way, one after the other
  bool together = false;    ///< every way at once: the whole loudspeaker
  std::string microphone_port;
  std::vector<std::string> loopback;  ///< a port that takes and a port that gives, with a cable between them; or none
  std::string level, seconds;         ///< as typed
  std::string server;
  std::filesystem::path socket, keep;
};

/// What came of one output; or of the whole loudspeaker, which has no way.
struct Played {
  std::string way, output;
  tune::Recording sent, captured;
  std::optional<tune::Recording> reference;  ///< what came through the loopback's cable
};

/// The outputs that are to be played, in the order of the rig file. `say` tells a person what happens. Each is handed to
/// `done` as soon as it is there. However it ends, outputs are muted and heard again as they were before. Throws
/// InputError where the running rig is another, or bypassed, or where something else plays into it; MachineError where
/// cycles were missed three times.
void play(const PlayOptions& options, const rig::Rig& rig, const rig::Venue* venue,
          const std::function<void(const std::string&)>& say, const std::function<void(Played)>& done);

}  // namespace rackproof
