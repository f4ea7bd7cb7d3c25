#include "harness/calibration/levels.hpp"

#include <algorithm>
#include <numbers>

namespace rackproof {

LookedUp look_up(const rig::Amplifier& amplifier, double load_ohm) {
  const double reach = load_ohm * (1 + 1e-9);  // 8 ohm over 3 drivers against a rating at 2.6666666667 ohm
  // Of two ratings at one load the lesser counts: it is the one that never lets more through than there is.
  const auto better = [reach](const rig::Rating& a, const rig::Rating& b) {
    const bool a_fits = a.load_ohm <= reach, b_fits = b.load_ohm <= reach;
    if (a_fits != b_fits) return a_fits;
    if (a.load_ohm != b.load_ohm) return (a.load_ohm > b.load_ohm) == a_fits;
    return a.power_watts < b.power_watts;
  };
  const rig::Rating& best = *std::min_element(amplifier.ratings.begin(), amplifier.ratings.end(), better);
  return {best, best.load_ohm > reach};
}

double amplifier_gain_db(const rig::Amplifier& amplifier) {
  const rig::Rating& first = amplifier.ratings.front();
  const double one_side =
      amplifier.gain_db
          ? *amplifier.gain_db
          : analysis::db_from_ratio(volts_rms(first.power_watts, first.load_ohm) / *amplifier.sensitivity_volts_rms);
  return one_side + (amplifier.doubled() ? analysis::db_from_ratio(2) : 0);
}

void fill_levels(const rig::Rig& rig, const rig::Way& way, OutputPlan& plan) {
  const rig::Amplifier& amplifier = rig.amplifier_of(way);
  const rig::Driver& driver = rig.driver_of(way);
  plan.load_ohm = load_ohm(way, driver);
  plan.driver_share = driver_share(way);
  const rig::Rating rating = look_up(amplifier, side_load_ohm(amplifier, plan.load_ohm)).rating;
  plan.rating_watts = rating.power_watts;
  plan.rating_ohm = rating.load_ohm;
  plan.attenuator_db = amplifier.attenuator_fixed ? amplifier.attenuator_db : 0;
  plan.amplifier_gain_db = amplifier_gain_db(amplifier) + plan.attenuator_db;
  plan.full_scale_volts_peak = std::numbers::sqrt2 * rig.controller.output_full_scale_volts_rms *
                               analysis::ratio_from_db(plan.amplifier_gain_db);
  const auto dbfs = [&](double volts_peak) { return analysis::db_from_ratio(volts_peak / plan.full_scale_volts_peak); };

  plan.clip_volts_peak =
      std::numbers::sqrt2 * volts_rms(rating.power_watts, rating.load_ohm) * (amplifier.doubled() ? 2 : 1);
  plan.clip_dbfs_peak = dbfs(plan.clip_volts_peak);
  plan.driver_peak_volts =
      driver.peak_power_watts ? volts_rms(*driver.peak_power_watts, driver.impedance_ohm) / plan.driver_share : 0;
  plan.limit_volts_peak = plan.clip_volts_peak;
  plan.limited_by = LimitedBy::amplifier;
  if (way.limit) {  // without, nothing holds the way but the amplifier's clip
    plan.limit_volts_peak *= analysis::ratio_from_db(-way.limit->below_clip_db);
    const auto hold = [&](double volts, LimitedBy by) {
      if (volts < plan.limit_volts_peak) {
        plan.limit_volts_peak = volts;
        plan.limited_by = by;
      }
    };
    if (driver.peak_power_watts) hold(plan.driver_peak_volts, LimitedBy::driver);
    hold(plan.full_scale_volts_peak, LimitedBy::converter);
  }
  plan.limit_dbfs_peak = dbfs(plan.limit_volts_peak);

  plan.driver_continuous_volts = volts_rms(driver.continuous_power_watts, driver.impedance_ohm) / plan.driver_share;
  if (way.thermal) {
    plan.thermal_volts_rms = plan.driver_continuous_volts * analysis::ratio_from_db(-way.thermal->below_rating_db);
    plan.thermal_dbfs_rms = dbfs(std::numbers::sqrt2 * *plan.thermal_volts_rms);  // AES17: a sine at full scale is 0
  }
  if (driver.sensitivity_db) {
    // 1 W is sqrt(1 W x impedance) of RMS volts at the driver; drivers in phase add their pressures.
    plan.level_at_1m_per_volt_db = *driver.sensitivity_db +
                                   analysis::db_from_ratio(plan.driver_share / volts_rms(1, driver.impedance_ohm)) +
                                   analysis::db_from_ratio(way.drivers);
    plan.level_at_1m_db =
        *plan.level_at_1m_per_volt_db + analysis::db_from_ratio(plan.limit_volts_peak / std::numbers::sqrt2);
  }
}

}  // namespace rackproof
