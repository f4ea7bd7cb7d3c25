/// What heats a voice coil: the long-term RMS that a driver can be fed.
#include <algorithm>
#include <cmath>
#include <numbers>

#include <fmt/format.h>

#include "harness/analysis/levels.hpp"
#include "harness/proof/checks/checks.hpp"
#include "harness/proof/stimulation.hpp"
#include "harness/stimuli/tones.hpp"

namespace rackproof::proof {
namespace {

constexpr double kToleranceDb = 0.3, kOverDb = 12, kTimeConstants = 6;
/// What of a very long time constant is waited for. Until then the level is on its way, and known: a mean square that
/// has come to 1 - e^(-t/tau) of its end lets through that much more.
constexpr double kMostSeconds = 240;

/// RMS of output `o` at the end of `seconds` of a sine, in samples.
double settled(const Subject& subject, std::size_t o, double hz, double amplitude, double seconds) {
  const OutputPlan& plan = subject.compiled.outputs[o];
  const double rate = subject.rig.controller.sample_rate_hz;
  const std::size_t outputs = subject.compiled.outputs.size(), feeds = subject.rig.feeds.size();
  const auto chunk = static_cast<std::size_t>(std::round(rate / 2));
  const std::size_t late = subject.compiled.latency_samples + static_cast<std::size_t>(plan.delay_samples);
  const std::size_t chunks = (static_cast<std::size_t>(seconds * rate) + late) / chunk + 1;
  const std::unique_ptr<Device> device = subject.make(subject.compiled.settings());
  const stimuli::Signal tone = stimuli::sine({.frequency_hz = hz, .amplitude = amplitude}, rate);
  device->reset();
  double rms = 0;
  for (std::size_t c = 0; c < chunks; ++c) {
    const Rows out = run_on(*device, fed_to(plan, samples_of(tone, chunk), feeds), outputs);
    if (c + 1 == chunks) rms = analysis::levels_of(out[o]).rms();
  }
  return rms;
}

Finding thermal_finding(const Subject& subject, Device& unlimited, std::size_t o) {
  const OutputPlan& plan = subject.compiled.outputs[o];
  const rig::Way& way = way_of(subject, plan);
  const rig::Driver& driver = subject.rig.driver_of(way);
  const double hz = in_band_hz(plan, subject.rig.controller.sample_rate_hz, 0.5);
  const double target = plan.thermal_volts_rms.value_or(plan.driver_continuous_volts);
  const double amplitude = std::numbers::sqrt2 * target / plan.full_scale_volts_peak * std::pow(10, kOverDb / 20) /
                           gain_at(subject, unlimited, o, hz);
  const double tau = driver.thermal_time_s;
  const double seconds = way.thermal ? std::min(kTimeConstants * tau, kMostSeconds) : 1;
  // What is asked of an amplifier beyond its clip comes out as a square wave of that height.
  const double reached = std::min(volts(plan, settled(subject, o, hz, amplitude, seconds)), plan.clip_volts_peak);
  const double watts = std::pow(reached * plan.driver_share, 2) / driver.impedance_ohm;
  Finding f{.id = "thermal-limit",
            .output = plan.name,
            .holds = false,
            .measured = reached,
            .allowed = target,
            .unit = "V RMS",
            .accepted = {},
            .text = {}};
  if (!way.thermal) {
    f.holds = reached <= plan.driver_continuous_volts;
    f.text = fmt::format(
        "There is no power limiter. A lasting sine at {:.0f} Hz comes out at {:.1f} V RMS, {:.0f} W into "
        "each driver, which takes {:g} W for long. ",
        hz, reached, watts, driver.continuous_power_watts);
    f.text += f.holds
                  ? "The peak limiter alone keeps it below its rating."
                  : fmt::format("Its voice coil can burn while nothing clips. Set {} = {{ below_rating = \"1 dB\" }}.",
                                key(plan, "thermal"));
    return f;
  }
  // A peak threshold below the crest of that sine holds it lower still: safe, and no fault of the power limiter.
  const double by_peak = way.limit ? plan.limit_volts_peak / std::numbers::sqrt2 : reached;
  const double on_its_way = std::sqrt(1 / -std::expm1(-seconds / tau));
  const double expected = target * (seconds < kTimeConstants * tau ? on_its_way : 1.0);
  const bool not_above = finite_db(reached / expected) <= kToleranceDb;
  const bool not_below = finite_db(reached / std::min(expected, std::max(by_peak, 1e-9))) >= -kToleranceDb;
  f.allowed = expected * std::pow(10, kToleranceDb / 20);
  f.holds = not_above && not_below;
  f.text = fmt::format(
      "A sine at {:.0f} Hz, {:g} dB over the threshold, settles at {:.1f} V RMS within {:.3g} s ({:.3g} "
      "time constants): {:.0f} W into each driver, rated for {:g} W. The threshold is {:.1f} V RMS. ",
      hz, kOverDb, reached, seconds, seconds / tau, watts, driver.continuous_power_watts, target);
  if (f.holds)
    f.text +=
        by_peak < target ? "The peak limiter holds it lower than the power limiter would." : "The power limiter holds.";
  else if (!not_above)
    f.text +=
        "That is more than it was set to: the voice coil overheats. No line of the file mends that: do not drive "
        "loudspeakers with this build.";
  else
    f.text +=
        "That is less than it was set to: level is given away. No line of the file mends that: do not use this build.";
  return f;
}

}  // namespace

std::vector<Finding> check_thermal_limit(const Subject& subject) {
  const std::unique_ptr<Device> unlimited = subject.make(subject.unlimited.settings());
  std::vector<Finding> findings;
  for (std::size_t o = 0; o < subject.compiled.outputs.size(); ++o)
    findings.push_back(thermal_finding(subject, *unlimited, o));
  return findings;
}

}  // namespace rackproof::proof
