#pragma once
/// What a rig's own limiters hold of what is sent through it. What they take is no response: it moves with the level.
#include <functional>
#include <optional>
#include <string>

#include "harness/calibration/compile.hpp"
#include "harness/tune/transfer.hpp"

namespace rackproof::tune {

/// Of one output, in dB, 0 or more.
struct HeldOf {
  std::string output;
  double peak_mean_db = 0;   ///< the peak limiter, over the time that it plays
  double power_most_db = 0;  ///< the power limiter, at its most
};
/// The output that holds the most, where that moves a response: 0.3 dB of peaks on average, or 0.5 dB of power at any time.
/// `sent` goes into every feed, at the level that it has; `counts`: of which outputs it is asked. Nothing where it is of
/// another sample rate than the rig.
std::optional<HeldOf> held_of(const CompiledRig& rig, const Recording& sent,
                              const std::function<bool(const OutputPlan&)>& counts);

}  // namespace rackproof::tune
