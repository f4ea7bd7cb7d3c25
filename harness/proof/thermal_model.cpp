#include "harness/proof/thermal_model.hpp"

#include <algorithm>
#include <cmath>

#include "harness/analysis/decibels.hpp"

namespace rackproof::proof {
namespace {
/// By how much the wire's resistance has grown.
double growth(double rise_kelvin) { return 1 + CoilModel::kCopperPerKelvin * rise_kelvin; }
}  // namespace

CoilModel::CoilModel(const rig::Driver& driver)
    : coil_time_s_(driver.thermal_time_s),
      // A rating is in volts: RMS volts squared over the nominal impedance, whatever the coil's resistance has become.
      kelvin_per_square_volt_(kRiseAtRatingKelvin * growth(kRiseAtRatingKelvin) /
                              (driver.continuous_power_watts * driver.impedance_ohm)) {}

void CoilModel::step(double mean_square_volts, double seconds) {
  const double goal = kelvin_per_square_volt_ * mean_square_volts / growth(rise_kelvin());
  const auto towards = [&](double value, double end, double time_s) {
    return time_s > 0 ? value + (end - value) * -std::expm1(-seconds / time_s) : end;
  };
  coil_ = towards(coil_, kCoilShare * goal, coil_time_s_);
  motor_ = towards(motor_, (1 - kCoilShare) * goal, kMotorTime_s);
  greatest_ = std::max(greatest_, rise_kelvin());
}

double CoilModel::level_lost_db(double rise_kelvin) { return analysis::db_from_ratio(growth(rise_kelvin)); }

Heat::Heat(double thermal_time_s, double sample_rate_hz) : keep_(std::exp(-1 / (thermal_time_s * sample_rate_hz))) {}

void Heat::add(std::span<const float> samples) {
  for (const float sample : samples) {
    const double x = static_cast<double>(sample);
    heat_ = keep_ * heat_ + (1 - keep_) * x * x;
    greatest_ = std::max(greatest_, heat_);
  }
}

}  // namespace rackproof::proof
