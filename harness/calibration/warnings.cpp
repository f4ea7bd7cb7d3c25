#include "harness/calibration/warnings.hpp"

#include <algorithm>
#include <numbers>
#include <set>
#include <utility>

#include <fmt/format.h>

#include "harness/calibration/filters.hpp"
#include "harness/calibration/levels.hpp"

namespace rackproof {
namespace {

using std::numbers::sqrt2;

std::string hertz(double hz) { return hz < 1000 ? fmt::format("{:.4g} Hz", hz) : fmt::format("{:.4g} kHz", hz / 1000); }
const char* polarity_word(bool inverted) { return inverted ? "inverted" : "normal"; }

class Adviser {
 public:
  Adviser(const rig::Rig& rig, const CompiledRig& compiled) : rig_(rig), compiled_(compiled) {}

  std::vector<Warning> all() {
    for (std::size_t p = 0; p < rig_.points.size(); ++p) point(p);
    std::set<std::size_t> ways;
    std::set<std::string> amplifiers;
    for (const OutputPlan& plan : compiled_.outputs) {
      const rig::Way& way = rig_.ways[plan.way_index];
      if (ways.insert(plan.way_index).second) levels(way, plan), filters(way, plan);
      if (amplifiers.insert(way.amplifier).second) amplifier(rig_.amplifier_of(way), plan);
    }
    return std::move(warnings_);
  }

 private:
  template <class... Values>
  void warn(const char* code, fmt::format_string<Values...> text, Values&&... values) {
    warnings_.push_back({code, fmt::format(text, std::forward<Values>(values)...)});
  }

  void point(std::size_t p) {
    const rig::Point& point = rig_.points[p];
    const rig::Way &low = rig_.ways[p], &high = rig_.ways[p + 1];
    const dsp::CrossoverSum sum = sum_of(point, low.inverted == high.inverted, rig_.controller.sample_rate_hz);
    if (sum.has_null) {
      warn("crossover-null",
           "ways {} and {} cancel where they are equally loud ({}): {:.0f} dB are missing there, and whoever turns it "
           "up to fill the hole burns power on both sides of it. Set polarity = \"{}\" in way.{}, unless a driver's "
           "wiring already turns it over.",
           low.name, high.name, hertz(sum.equal_at_hz), std::min(-sum.loss_db, 60.0), polarity_word(!high.inverted),
           high.name);
    }
    if (p > 0 && rig_.phase_matched && !sum.is_all_pass) {
      warn("not-phase-matched",
           "the point at {} does not add to an all-pass, so the ways below it stay without one and their sum at {} is "
           "not exact. Give both sides the same `at` and alignment = \"linkwitz-riley\" with the polarity that it "
           "needs, or, if the sum has been checked, say phase_matched = false in crossover.",
           hertz(point.low.at_hz), hertz(rig_.points[p - 1].low.at_hz));
    }
  }

  void levels(const rig::Way& way, const OutputPlan& plan) {
    const rig::Driver& driver = rig_.driver_of(way);
    const rig::Amplifier& amplifier = rig_.amplifier_of(way);
    if (look_up(amplifier, side_load_ohm(amplifier, plan.load_ohm)).load_below_rating) {
      warn("load-below-rating",
           "way {} loads amplifier {} with {:.3g} ohm{}, below the lowest load that it is rated for ({:.3g} ohm): it "
           "may shut down, run hot or fail, and its clip is unknown there. Fewer drivers on a channel (drivers = {} in "
           "way.{}), or a rating from the maker at that load in amplifier.{}.ratings.",
           way.name, amplifier.name, side_load_ohm(amplifier, plan.load_ohm), amplifier.doubled() ? " a side" : "",
           plan.rating_ohm, way.drivers, way.name, amplifier.name);
    }
    const double sine_volts = plan.limit_volts_peak / sqrt2;  // RMS of the loudest sine that the peak threshold passes
    if (!way.limit) {
      warn("no-limiter",
           "way {} has no peak limiter: nothing keeps amplifier {} from clipping at {:.1f} V peak{}. Give way.{} a "
           "limit, for instance limit = {{ below_clip = \"2 dB\" }}.",
           way.name, amplifier.name, plan.clip_volts_peak,
           plan.driver_peak_volts > 0 && plan.driver_peak_volts < plan.clip_volts_peak
               ? fmt::format(", above the {:.1f} V that driver {} takes", plan.driver_peak_volts, driver.name)
               : "",
           way.name);
    }
    if (!way.thermal && sine_volts > plan.driver_continuous_volts) {
      warn("no-power-limiter",
           "way {} may feed driver {} with {:.1f} V RMS for as long as it likes, {:.1f} dB above its continuous rating "
           "({:.1f} V RMS): its coil may burn. Give way.{} a power limiter, thermal = {{ below_rating = \"1 dB\" }}.",
           way.name, driver.name, sine_volts, to_db(sine_volts / plan.driver_continuous_volts),
           plan.driver_continuous_volts, way.name);
    }
    if (plan.thermal_volts_rms && *plan.thermal_volts_rms >= sine_volts) {
      warn("power-above-peak",
           "way {}: the power limiter ({:.1f} V RMS) stands above what the peak limiter passes of a sine ({:.1f} V "
           "RMS), so it hardly ever acts. No harm if amplifier {} is smaller than driver {}; else look at below_clip "
           "in way.{}.limit and at continuous_power and impedance in driver.{}.",
           way.name, *plan.thermal_volts_rms, sine_volts, amplifier.name, driver.name, way.name, driver.name);
    }
    // Noise of the usual 6 dB crest peaks at twice its RMS; twice the power of that again is far out.
    const double over_continuous_db = to_db(plan.limit_volts_peak / plan.driver_continuous_volts);
    if (!driver.peak_power_watts && over_continuous_db > 9.0309) {
      warn("amplifier-large",
           "way {}: peaks of {:.1f} V reach driver {}, {:.1f} dB above its continuous volts, and its peak power is not "
           "given: a burst may tear what heat does not burn. Give peak_power in driver.{}, or a larger below_clip in "
           "way.{}.limit.",
           way.name, plan.limit_volts_peak, driver.name, over_continuous_db, driver.name, way.name);
    }
    if (plan.limited_by == LimitedBy::converter) {
      warn(
          "converter-below-clip",
          "way {}: the controller's full scale makes {:.1f} V peak, so amplifier {} cannot be driven to its threshold: "
          "{:.1f} dB of it lie idle, and the converter clips first without the limiter. Raise output_full_scale in "
          "controller, or the gain of amplifier.{}.",
          way.name, plan.full_scale_volts_peak, amplifier.name,
          plan.clip_dbfs_peak - (way.limit ? way.limit->below_clip_db : 0), amplifier.name);
    }
    if (plan.limit_dbfs_peak < -30) {
      warn("threshold-low",
           "way {} limits at {:.1f} dBFS: that much of the converter's range is never used, and its noise is that much "
           "louder. Lower output_full_scale in controller, or turn amplifier {} down and fix it there (attenuator, "
           "attenuator_fixed = true).",
           way.name, plan.limit_dbfs_peak, amplifier.name);
    }
  }

  void filters(const rig::Way& way, const OutputPlan& plan) {
    const auto is_highpass = [](const rig::EqBand& band) { return band.type == rig::EqType::highpass; };
    const double low_edge_hz = plan.low_edge_hz;
    if (low_edge_hz == 0) {
      if (std::none_of(way.eq.begin(), way.eq.end(), is_highpass) &&
          std::none_of(rig_.system_eq.begin(), rig_.system_eq.end(), is_highpass)) {
        warn("no-protection-highpass",
             "way {} has no high-pass: below its band driver {} moves far and radiates little, and may strike its "
             "stops at a level that the limiters pass. Give way.{} one where its box ends, for instance highpass = {{ "
             "at = \"30 Hz\", alignment = \"butterworth\", slope = \"24 dB/oct\" }}.",
             way.name, way.driver, way.name);
      }
      return;
    }
    if (!way.limit) return;
    // Common practice, no source: attack a quarter to a whole period of the band's low edge, release 8 to 16 attacks.
    const double period_s = 1 / low_edge_hz;
    if (way.limit->look_ahead_s < period_s / 20) {
      warn("look-ahead-short",
           "way {}: {:.3g} ms of look-ahead are under a twentieth of a period at the band's low edge ({}): limiting "
           "there is heard as clicks. Usual is a quarter of a period or more: look_ahead = \"{:.2g} ms\" in "
           "way.{}.limit.",
           way.name, way.limit->look_ahead_s * 1e3, hertz(low_edge_hz), period_s / 4 * 1e3, way.name);
    }
    if (way.limit->hold_s + way.limit->release_s < 2 * period_s) {
      warn("release-short",
           "way {}: hold and release together ({:.3g} ms) are under two periods of the band's low edge ({}): the "
           "limiter follows the wave itself and distorts it. Set release = \"{:.0f} ms\" or more in way.{}.limit.",
           way.name, (way.limit->hold_s + way.limit->release_s) * 1e3, hertz(low_edge_hz), 2 * period_s * 1e3,
           way.name);
    }
  }

  void amplifier(const rig::Amplifier& amplifier, const OutputPlan& plan) {
    if (amplifier.attenuator_db != 0 && !amplifier.attenuator_fixed) {
      warn("attenuator-open",
           "amplifier {}: its attenuator stands at {:+.3g} dB but can be moved, so it is reckoned fully open: as it "
           "stands, the limiters hold {:.3g} dB too early. Open it, or fix it in place and say attenuator_fixed = true "
           "in amplifier.{}; if someone opens a fixed one, the limits no longer protect.",
           amplifier.name, amplifier.attenuator_db, -amplifier.attenuator_db, amplifier.name);
    }
    const double gain_db = plan.amplifier_gain_db - plan.attenuator_db - (amplifier.doubled() ? to_db(2) : 0);
    if (gain_db < 14 || gain_db > 46) {
      warn("gain-unlikely",
           "amplifier {}: its gain comes to {:.1f} dB; power amplifiers have some 20 to 40. A wrong gain moves every "
           "limit by as much. Look at {} in amplifier.{}.",
           amplifier.name, gain_db,
           amplifier.gain_db ? "gain" : "sensitivity (RMS volts for the FIRST of its ratings) and ratings",
           amplifier.name);
    }
  }

  const rig::Rig& rig_;
  const CompiledRig& compiled_;
  std::vector<Warning> warnings_;
};

}  // namespace

std::vector<Warning> warnings_for(const rig::Rig& rig, const CompiledRig& compiled) {
  return Adviser(rig, compiled).all();
}

}  // namespace rackproof
