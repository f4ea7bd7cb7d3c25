/// What heats a voice coil: whether the power limiter holds its heat against hostile power, in squares of volts and in
/// the coil's kelvin, takes nothing that the coil may have, and lets a lasting sine have nearly all of it.
#include <algorithm>
#include <cmath>
#include <map>
#include <numbers>
#include <tuple>

#include <fmt/format.h>

#include "harness/proof/checks/checks.hpp"
#include "harness/proof/checks/hostile_power.hpp"
#include "harness/proof/checks/lasting_power.hpp"
#include "harness/proof/stimulation.hpp"
#include "harness/proof/thermal_model.hpp"

namespace rackproof::proof {
namespace {

constexpr double kMostHeat = 1.01;        // of the threshold's square
constexpr double kMostKelvin = 1.01;      // of the rise at the continuous rating
constexpr double kSettlesBelow_db = 0.3;  // what a lasting sine may fall short of the threshold by
/// For what is measured: a second of a sine, and a true-peak detector that reads a little high.
constexpr double kMeasured_db = 0.05;

Finding without_power_limiter(const Subject& subject, std::size_t o) {
  const OutputPlan& plan = subject.compiled.outputs[o];
  const rig::Driver& driver = subject.rig.driver_of(way_of(subject, plan));
  const Lasting hottest = hottest_lasting(subject, o, plan.driver_continuous_volts);
  const double driver_volts = hottest.reached_volts * plan.driver_share;
  Finding f{.id = "thermal-limit",
            .output = plan.name,
            .holds = hottest.reached_volts <= plan.driver_continuous_volts,
            .measured = hottest.reached_volts,
            .allowed = plan.driver_continuous_volts,
            .unit = "V RMS",
            .accepted = {},
            .text = {}};
  f.text = fmt::format(
      "There is no power limiter. A lasting {} at {:.0f} Hz comes out at {:.1f} V RMS, {:.0f} W into each driver, "
      "which takes {:g} W for long. ",
      hottest.name, hottest.hz, hottest.reached_volts, driver_volts * driver_volts / driver.impedance_ohm,
      driver.continuous_power_watts);
  if (f.holds) {
    f.text += "The peak limiter alone keeps it below its rating.";
  } else {
    f.change = {key(plan, "thermal"), "{ below_rating = \"1 dB\" }"};
    f.text += fmt::format("Its voice coil can burn while nothing clips. Set {}.", line_of(*f.change));
  }
  return f;
}

/// What an output's limiters do when they stand alone. Outputs whose limiters, driver and levels are alike, as left and
/// right of a way are, would show the same, sample for sample: that is measured once.
struct Alone {
  Heated heated;
  std::size_t touched = 0;
};
class AloneByOutput {
 public:
  explicit AloneByOutput(const Subject& subject) : subject_(subject) {}
  const Alone& of(std::size_t o) {
    const OutputPlan& plan = subject_.compiled.outputs[o];
    const dsp::OutputSettings& settings = subject_.compiled.settings().outputs[o];
    const dsp::PowerLimiterSettings& power = settings.power;
    const dsp::PeakLimiterSettings& peak = settings.peak;
    const rig::Driver* const driver = &subject_.rig.driver_of(way_of(subject_, plan));
    const double rate = subject_.rig.controller.sample_rate_hz;
    const Key key{std::tuple(power.enabled, power.threshold_rms, power.forget),
                  std::tuple(peak.enabled, peak.ceiling, peak.look_ahead_samples, peak.hold_samples, peak.release_keep,
                             peak.true_peak),
                  std::tuple(driver, *plan.thermal_volts_rms, plan.full_scale_volts_peak, plan.driver_share,
                             plan.limit_volts_peak, in_band_hz(plan, rate, 0.5))};
    const auto known = known_.find(key);
    if (known != known_.end()) return known->second;
    if (noise_.empty()) noise_ = hostile_noise(subject_);
    const Alone alone{heated_by_hostile_power(subject_, o, noise_), touched_below(subject_, o)};
    return known_.emplace(key, alone).first->second;
  }

 private:
  using Key =
      std::tuple<std::tuple<bool, float, float>, std::tuple<bool, float, std::uint32_t, std::uint32_t, float, bool>,
                 std::tuple<const rig::Driver*, double, double, double, double, double>>;
  const Subject& subject_;
  Row noise_;
  std::map<Key, Alone> known_;
};

Finding thermal_finding(const Subject& subject, std::size_t o, AloneByOutput& alone) {
  const OutputPlan& plan = subject.compiled.outputs[o];
  const rig::Way& way = way_of(subject, plan);
  const rig::Driver& driver = subject.rig.driver_of(way);
  const double target = *plan.thermal_volts_rms, tau = driver.thermal_time_s;
  const auto [heated, touched] = alone.of(o);
  const double settling_s = std::min(4 * tau, subject.brief ? 1 : kMostSeconds);
  const Settled sine = settled(subject, o, target, settling_s);

  // A peak threshold below the crest of that sine holds it lower still, and so may the amplifier's clip: safe, and no
  // fault of the power limiter. Nor is it that a low note's own ripple heats a coil that follows it.
  const double by_peak = way.limit ? plan.limit_volts_peak / std::numbers::sqrt2 : plan.clip_volts_peak;
  const double carried = volts(plan, static_cast<double>(dsp::kMagnitudeBound));
  const double expected = std::min({target, by_peak, sine.driven_volts, carried});
  const bool follows_the_wave = sine.hz * tau < 10;
  // What cannot be driven to within 20 dB of the threshold never meets the power limiter; and a short stimulus ends
  // before a slow coil has settled.
  const bool meets_it = sine.over_db > -20 && (!subject.brief || settling_s >= 4 * tau);
  const double short_by_db = -finite_db(sine.reached_volts / std::max(expected, 1e-9));
  const bool settles =
      follows_the_wave || !meets_it || short_by_db <= kSettlesBelow_db + kMeasured_db + sine.peak_held_db;
  const bool holds_heat = heated.share <= kMostHeat;
  const bool holds_kelvin = heated.kelvin <= kMostKelvin * CoilModel::kRiseAtRatingKelvin;

  Finding f{.id = "thermal-limit",
            .output = plan.name,
            .holds = holds_heat && holds_kelvin && settles && touched == 0,
            .measured = target * std::sqrt(heated.share),
            .allowed = target * std::sqrt(kMostHeat),
            .unit = "V RMS",
            .accepted = {},
            .text = {}};
  const double driver_volts = sine.reached_volts * plan.driver_share;
  f.text = fmt::format(
      "Driven with steps of 3 to 24 dB over the threshold of {:.1f} V RMS, from cold and from just below it, with a "
      "thermal time ({:g} s; at most {:g} s of it) on and five off, with bursts on and off the core's grid of {} frames "
      "and with noise of 12 dB crest, {:.0f} s in all, its heat comes to that of {:.1f} V RMS: {:.1f} % of what is "
      "allowed. The coil gets {:.0f} K above the air by our model, which settles at {:g} K at the driver's rating. A "
      "sine at {:.0f} Hz, {:.3g} dB over, is at {:.1f} V RMS after {:.3g} s: {:.0f} W into each driver, rated for "
      "{:g} W. ",
      target, tau, kMostBurst_s, dsp::kGridFrames, heated.seconds, target * std::sqrt(heated.share),
      100 * heated.share / kMostHeat, heated.kelvin, CoilModel::kRiseAtRatingKelvin, sine.hz, sine.over_db,
      sine.reached_volts, sine.seconds, driver_volts * driver_volts / driver.impedance_ohm,
      driver.continuous_power_watts);
  if (f.holds)
    f.text += by_peak < target ? "The peak limiter holds it lower than the power limiter would."
              : sine.over_db < 0
                  ? "Nothing that can come in brings a sine to its threshold there: the way's filters take it."
                  : "The power limiter holds.";
  else if (!holds_heat || !holds_kelvin)
    f.text +=
        "That is more than it was set to: the voice coil overheats. No line of the file mends that: do not drive "
        "loudspeakers with this build.";
  else if (touched > 0)
    f.text += fmt::format(
        "But it changes {} samples of a signal whose heat stays 0.35 dB and more below the threshold: level is given "
        "away. No line of the file mends that: do not use this build.",
        touched);
  else
    f.text += fmt::format(
        "That is {:.2f} dB less than it was set to: level is given away. No line of the file mends that: do not use "
        "this build.",
        short_by_db);
  return f;
}

}  // namespace

std::vector<Finding> check_thermal_limit(const Subject& subject) {
  AloneByOutput alone(subject);
  std::vector<Finding> findings;
  for (std::size_t o = 0; o < subject.compiled.outputs.size(); ++o) {
    if (!way_of(subject, subject.compiled.outputs[o]).thermal) {
      findings.push_back(without_power_limiter(subject, o));
      continue;
    }
    findings.push_back(thermal_finding(subject, o, alone));
  }
  return findings;
}

}  // namespace rackproof::proof
