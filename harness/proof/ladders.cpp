#include <array>
#include <numbers>

#include "harness/proof/checks/checks.hpp"
#include "harness/proof/stimulation.hpp"

namespace rackproof::proof {

const char* name_of(RungKind kind) {
  constexpr std::array<const char*, kRungKinds> kNames = {
      "converter full scale", "amplifier clip", "driver peak", "limit", "driver continuous", "power limit"};
  return kNames[static_cast<std::size_t>(kind)];
}

double Rung::volts_peak() const { return is_rms(kind) ? std::numbers::sqrt2 * volts : volts; }

std::vector<Ladder> ladders_of(const Subject& subject) {
  std::vector<Ladder> ladders;
  for (const OutputPlan& plan : subject.compiled.outputs) {
    Ladder ladder{.output = plan.name, .rungs = {}};
    const auto rung = [&](RungKind kind, double volts) {
      if (volts > 0) ladder.rungs.push_back({kind, volts});
    };
    rung(RungKind::converter_full_scale, plan.full_scale_volts_peak);
    rung(RungKind::amplifier_clip, plan.clip_volts_peak);
    rung(RungKind::driver_peak, plan.driver_peak_volts);
    if (way_of(subject, plan).limit) rung(RungKind::limit, plan.limit_volts_peak);
    rung(RungKind::driver_continuous, plan.driver_continuous_volts);
    rung(RungKind::power_limit, plan.thermal_volts_rms.value_or(0));
    ladders.push_back(std::move(ladder));
  }
  return ladders;
}

}  // namespace rackproof::proof
