#pragma once
/// An invented box with one driver, what it is sent, and what a microphone makes of it: the truth is known.
#include <cmath>
#include <numbers>
#include <vector>

#include "harness/calibration/filters.hpp"
#include "harness/stimuli/noise.hpp"
#include "harness/stimuli/tones.hpp"
#include "harness/tune/simulation.hpp"
#include "harness/tune/transfer.hpp"

namespace rackproof::tune {

inline constexpr double kRate = 48000;

inline std::vector<double> noise_sent(double seconds, std::uint32_t seed = 7) {
  const auto frames = static_cast<std::size_t>(seconds * kRate);
  return stimuli::take(stimuli::faded(stimuli::scaled(stimuli::pink_noise(kRate, seed), 0.1), frames, 480), frames);
}
inline std::vector<double> sweep_sent(double seconds) {
  const auto frames = static_cast<std::size_t>(seconds * kRate);
  return stimuli::take(stimuli::faded(stimuli::sweep({20, 20000, frames, 0.3, kRate}), frames, 480), frames);
}

inline dsp::Biquad peaking(double at_hz, double gain_db, double q) {
  rig::EqBand band;
  band.at_hz = at_hz;
  band.gain_db = gain_db;
  band.width_value = q;
  return dsp::biquad_of(section_of(band, kRate));
}
/// Full range, with bumps and a dip.
inline SimulatedDriver a_driver() {
  SimulatedDriver driver;
  driver.from_hz = 45;
  driver.colour = {peaking(120, 4, 2), peaking(800, -5, 3), peaking(3150, 3, 4)};
  driver.delay_s = 0.12345e-3;
  return driver;
}

inline Recording recorded(const SimulatedDriver& driver, const std::vector<SoundPath>& paths,
                          const std::vector<double>& sent, const Recorder& recorder = {}) {
  const std::vector<std::vector<double>> signals{sent}, responses{impulse_response(driver, paths, 65536, kRate)};
  return {"captured.wav", kRate, record(signals, responses, recorder, kRate)};
}

/// The worst of level and phase against the truth, where coherence says that it can be told.
struct Errors {
  double level_db = 0, phase_deg = 0, at_hz = 0;
  std::size_t points = 0;
};
inline Errors errors_of(const Measurement& m, const SimulatedDriver& driver, const std::vector<SoundPath>& paths,
                        double from_hz, double to_hz, double least_coherence, double gain = 1) {
  Errors worst;
  for (std::size_t i = 0; i < m.frequency_hz.size(); ++i) {
    const double f = m.frequency_hz[i];
    if (f < from_hz || f > to_hz || m.coherence[i] < least_coherence) continue;
    const std::complex<double> truth = gain * transfer(driver, paths, f, kRate);
    const double level = std::abs(m.magnitude_db[i] - 20 * std::log10(std::abs(truth)));
    if (level > worst.level_db) {
      worst.level_db = level;
      worst.at_hz = f;
    }
    worst.phase_deg = std::max(worst.phase_deg, std::abs(std::arg(m.whole_way(i) / truth)) * 180 / std::numbers::pi);
    ++worst.points;
  }
  return worst;
}

}  // namespace rackproof::tune
