#pragma once
/// How warm a voice coil may get: the heat that a power limiter holds, to be judged, and an estimate in kelvin. No
/// driver's sheet gives the numbers that the estimate needs, so it assumes a typical driver. Thermometers and the smell
/// of varnish know better.
/// Method   the coil heats the gap and the motor, both as one pole each:
///   rise = coil + motor,   coil' = (share_c R P - coil) / thermal_time,   motor' = (share_m R P - motor) / 60 s
///          (the two-pole lumped model: D. Button, "Heat Dissipation and Power Compression in Loudspeakers", JAES 40,
///          1992, and P. J. Chapman, "Thermal Simulation of Loudspeakers", AES 1998, both named from memory).
///          The wire's resistance rises with it, R = R0 (1 + alpha rise), alpha of copper 0.00393 / K (from memory), so
///          the power drawn at given volts falls, and with it the current: the level lost is 20 log10(1 + alpha rise).
/// Assumed  (common practice, no source) at its continuous rating a driver settles 180 K above the air, two thirds of
///          that in the coil; a motor's time constant is a minute.
/// Claim    steps are exact for a power that is steady within each, so their length hardly matters.
#include <span>

#include "harness/rig/rig.hpp"

namespace rackproof::proof {

class CoilModel {
 public:
  static constexpr double kCopperPerKelvin = 0.00393, kRiseAtRatingKelvin = 180, kCoilShare = 2.0 / 3;
  static constexpr double kMotorTime_s = 60;

  explicit CoilModel(const rig::Driver& driver);
  /// `seconds` under `mean_square_volts` at the driver.
  void step(double mean_square_volts, double seconds);
  double rise_kelvin() const { return coil_ + motor_; }
  double greatest_rise_kelvin() const { return greatest_; }
  /// Against the cold driver, at the same volts.
  static double level_lost_db(double rise_kelvin);

 private:
  double coil_time_s_, kelvin_per_square_volt_;
  double coil_ = 0, motor_ = 0, greatest_ = 0;
};

/// The mean square of a signal through one pole of the thermal time, a sample at a time: what a power limiter holds.
class Heat {
 public:
  Heat(double thermal_time_s, double sample_rate_hz);
  void add(std::span<const float> samples);
  double now() const { return heat_; }  ///< squares of samples
  double greatest() const { return greatest_; }

 private:
  double keep_, heat_ = 0, greatest_ = 0;
};

}  // namespace rackproof::proof
