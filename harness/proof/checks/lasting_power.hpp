#pragma once
/// What lasts, through the whole chain: a sine, and the flat-topped wave of an overdriven desk.
#include <cstddef>

#include "harness/proof/proof.hpp"

namespace rackproof::proof {

struct Settled {
  double hz = 0, seconds = 0, over_db = 0;
  double driven_volts = 0;   ///< RMS that the sine would have without limiters
  double reached_volts = 0;  ///< RMS at the end
  double peak_held_db = 0;   ///< what the peak limiter says that it takes by then
};
/// A sine, 12 dB over `target_volts` RMS where the input can be so loud.
Settled settled(const Subject& subject, std::size_t o, double target_volts, double seconds);

struct Lasting {
  const char* name = "";
  double hz = 0, reached_volts = 0;  ///< RMS
};
/// The one that heats the most: of a sine, which may be louder where the input bounds the harmonics, and of flat-topped
/// waves of a low and of a middle note.
Lasting hottest_lasting(const Subject& subject, std::size_t o, double target_volts);

}  // namespace rackproof::proof
