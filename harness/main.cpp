/// rackproof: amplifier-side loudspeaker processing, calibrated in volts. The program is in harness/verbs.
#include <csignal>

#include "harness/verbs/verb.hpp"

int main(int argc, char** argv) {
  // `rackproof plan rig.toml | head -1`, and a limit on the size of files: writing says so, instead of a crash.
  std::signal(SIGPIPE, SIG_IGN);
  std::signal(SIGXFSZ, SIG_IGN);
  return rackproof::run(argc, argv);
}
