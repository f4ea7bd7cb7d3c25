#pragma once
/// Times and distances to what a block counts in. Each function returns false, with `out` as it was, where an argument
/// is out of its range or not a number, or where single precision cannot hold the result.
#include <cmath>
#include <limits>

#include "dsp/grid.hpp"
namespace rackproof::dsp {

/// Speed of sound in air, 331.3 + 0.606 T m/s: the linear rule, within 0.5 m/s of ISO 9613-1 from 0 to 30 degrees.
[[nodiscard]] inline bool speed_of_sound_m_per_s(double temperature_degc, double& out) noexcept {
  const double speed = 331.3 + 0.606 * temperature_degc;
  if (!(speed > 0.0) || !std::isfinite(speed)) return false;
  return out = speed, true;
}

/// Seconds that sound takes for `distance_m` (0 or more).
[[nodiscard]] inline bool travel_time_s(double distance_m, double temperature_degc, double& out) noexcept {
  double speed = 0.0;
  if (!(distance_m >= 0.0) || !std::isfinite(distance_m) || !speed_of_sound_m_per_s(temperature_degc, speed))
    return false;
  return out = distance_m / speed, true;
}

/// Samples in `time_s` (0 or more), with their fraction.
[[nodiscard]] inline bool samples_in(double time_s, double sample_rate_hz, double& out) noexcept {
  const double samples = time_s * sample_rate_hz;
  if (!(time_s >= 0.0) || !(sample_rate_hz > 0.0) || !std::isfinite(samples)) return false;
  return out = samples, true;
}

/// The share that an exponential of time constant `time_s` keeps from one sample to the next: exp(-1 / (time_s fs)). A
/// time of 0 keeps nothing. Refused where the share would round to 1, which would never let go (above 150 s at 192
/// kHz).
[[nodiscard]] inline bool keep_per_sample(double time_s, double sample_rate_hz, float& out) noexcept {
  double samples = 0.0;
  if (!samples_in(time_s, sample_rate_hz, samples)) return false;
  const float keep = static_cast<float>(std::exp(-1.0 / samples));
  if (!(keep < 1.0f)) return false;
  return out = keep, true;
}

/// The share that it forgets from one point of the grid to the next: 1 - exp(-kGridFrames / (time_s fs)), without the
/// cancellation. A time of 0 forgets all.
[[nodiscard]] inline bool forget_per_grid(double time_s, double sample_rate_hz, float& out) noexcept {
  double samples = 0.0;
  if (!samples_in(time_s, sample_rate_hz, samples)) return false;
  const float forget = static_cast<float>(-std::expm1(-static_cast<double>(kGridFrames) / samples));
  if (!(forget >= std::numeric_limits<float>::min())) return false;
  return out = forget, true;
}

}  // namespace rackproof::dsp
