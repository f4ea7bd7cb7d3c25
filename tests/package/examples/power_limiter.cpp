// Shows the power limiter: a tone 15 dB too hot for its coil is let in, and the coil's heat stays at what is allowed.
// Heat is the mean square of what leaves, as slowly as the coil warms.
#include <array>
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <cstdio>
#include <vector>

#include "dsp/blocks/peak_limiter.hpp"
#include "dsp/blocks/power_limiter.hpp"
#include "dsp/design/time_constants.hpp"

using namespace rackproof;
using Peak = dsp::PeakLimiter<1>;  // the power limiter works with one behind it
using Power = dsp::PowerLimiter<1>;

int main() {
  constexpr double kRate_hz = 48000.0, kThermalTime_s = 0.5;
  constexpr Peak::Shape kShape{.look_ahead_samples = 96};
  const Peak::LaneSettings peak_lane{.enabled = true, .ceiling = 0.9f};
  Power::LaneSettings lane{.enabled = true, .threshold_rms = 0.1f, .ceiling = 0.9f, .latency_samples = 96};
  if (!dsp::forget_per_grid(kThermalTime_s, kRate_hz, lane.forget)) return 1;
  std::array<float, Peak::required(kShape).values> peak_values{};
  std::array<std::int32_t, Peak::required(kShape).integers> peak_integers{};
  std::vector<float> memory(Power::required_values({&lane, 1}));  // all three are yours
  Peak peak;
  Power power;
  if (peak.configure(kShape, {&peak_lane, 1}, peak_values, peak_integers) != dsp::Setup::ok) return 1;
  if (power.configure({&lane, 1}, memory) != dsp::Setup::ok) return 1;

  std::vector<float> sound(240000);  // 5 s of 382 Hz, 0.566 RMS
  for (std::size_t n = 0; n < sound.size(); ++n)
    sound[n] = static_cast<float>(0.8 * std::sin(0.05 * static_cast<double>(n)));
  power.process(sound, sound, peak);  // in place, through both

  const double forget = 1.0 - std::exp(-1.0 / (kThermalTime_s * kRate_hz)), allowed = 0.1 * 0.1;
  double heat = 0.0, greatest_heat = 0.0;  // counted here anew, sample by sample
  for (const float sample : sound) {
    heat += forget * (static_cast<double>(sample) * static_cast<double>(sample) - heat);
    greatest_heat = std::fmax(greatest_heat, heat);
  }
  std::printf("power_limiter: heat at most %.4f of what is allowed, %.4f after 5 s\n", greatest_heat / allowed,
              heat / allowed);
  const bool held = greatest_heat <= 1.01 * allowed;
  return held && heat > 0.933 * allowed && heat <= allowed ? 0 : 1;  // 0.933: 0.3 dB below
}
