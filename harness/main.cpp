/// rackproof: amplifier-side loudspeaker processing, calibrated in volts. The program is in harness/verbs.
#include <csignal>

#include "harness/verbs/verb.hpp"

int main(int argc, char** argv) {
  std::signal(SIGPIPE, SIG_IGN);  // `rackproof plan rig.toml | head -1` is no crash: writing says so instead
  return rackproof::run(argc, argv);
}
