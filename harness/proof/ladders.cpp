#include <algorithm>
#include <numbers>

#include "harness/proof/checks/checks.hpp"

namespace rackproof::proof {

std::vector<Ladder> ladders_of(const Subject& subject) {
  std::vector<Ladder> ladders;
  for (const OutputPlan& plan : subject.compiled.outputs) {
    Ladder ladder{.output = plan.name, .rungs = {}};
    const auto rung = [&](const char* name, double volts_peak) {
      if (volts_peak > 0) ladder.rungs.push_back({name, volts_peak});
    };
    rung("converter full scale", plan.full_scale_volts_peak);
    rung("amplifier clip", plan.clip_volts_peak);
    rung("driver peak", plan.driver_peak_volts);
    if (subject.rig.ways[plan.way_index].limit) rung("limit", plan.limit_volts_peak);
    // A sine of that RMS, so that all rungs are peaks.
    rung("driver continuous (RMS)", std::numbers::sqrt2 * plan.driver_continuous_volts);
    rung("power limit (RMS)", std::numbers::sqrt2 * plan.thermal_volts_rms.value_or(0));
    std::ranges::stable_sort(ladder.rungs, std::ranges::greater{}, &Rung::volts_peak);
    ladders.push_back(std::move(ladder));
  }
  return ladders;
}

}  // namespace rackproof::proof
