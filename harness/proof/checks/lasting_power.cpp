#include "harness/proof/checks/lasting_power.hpp"

#include <algorithm>
#include <cmath>
#include <complex>
#include <memory>
#include <numbers>
#include <utility>
#include <vector>

#include "harness/analysis/decibels.hpp"
#include "harness/analysis/levels.hpp"
#include "harness/proof/impulse_response.hpp"
#include "harness/proof/measured_once.hpp"
#include "harness/proof/stimulation.hpp"
#include "harness/stimuli/tones.hpp"

namespace rackproof::proof {
namespace {

/// The end of something that lasts: the last half second, and what the peak limiter says that it takes by then.
struct AtLast {
  double volts = 0;         ///< RMS
  double peak_held_db = 0;  ///< it may not have let go yet
};
AtLast at_last(const Subject& subject, std::size_t o, std::vector<stimuli::Tone> tones, double seconds) {
  const OutputPlan& plan = subject.compiled.outputs[o];
  const double rate = subject.rig.controller.sample_rate_hz;
  const std::size_t outputs = subject.compiled.outputs.size(), feeds = subject.rig.feeds.size();
  const auto chunk = static_cast<std::size_t>(std::round(rate / 2));
  const std::size_t late = first_sample(subject.compiled, plan);
  const std::size_t chunks = (static_cast<std::size_t>(seconds * rate) + late) / chunk + 1;
  const std::unique_ptr<Device> device = subject.make(subject.compiled.settings());
  const stimuli::Signal signal = stimuli::multi_tone(std::move(tones), rate);
  AtLast last;
  device->reset();
  for (std::size_t c = 0; c < chunks; ++c) {
    const Rows out = run_on(*device, fed_to(plan, samples_of(signal, chunk), feeds), outputs);
    const dsp::Meter meter = device->take_meter(o);
    if (c + 1 < chunks) continue;
    last.volts = volts(plan, analysis::levels_of(out[o]).rms());
    last.peak_held_db = -finite_db(static_cast<double>(meter.least_peak_gain));
  }
  // What is asked of an amplifier beyond its clip comes out as a square wave of that height.
  last.volts = std::min(last.volts, plan.clip_volts_peak);
  return last;
}

constexpr double kLastingOver_db = 12, kMostInput = 60;  // the core lets in 63

/// What the input must be for a flat-topped wave, as of an overdriven desk, to arrive at the driver: `hz` and those of
/// its odd harmonics that the way lets through, with 1/k each, rounded off by C. Lanczos's factors (Applied Analysis,
/// 1956; from memory) so that they do not overshoot, each raised and turned by what the filters take from it. Three
/// harmonics have a crest of 1.2 dB, 32 of 0.3 dB; no wave has less than 0 dB. The fundamental arrives with 1.
std::vector<stimuli::Tone> arriving_flat(const Subject& subject, std::size_t o, double hz) {
  constexpr int kMostHarmonic = 63;
  constexpr double kLetsThrough = 0.25;  // of the fundamental's gain
  const double rate = subject.rig.controller.sample_rate_hz;
  std::vector<double> at_hz{hz};  // it may lie above the detector's band
  for (int k = 3; k <= kMostHarmonic && k * hz < kDetectorBand * rate; k += 2) at_hz.push_back(k * hz);
  const std::vector<std::complex<double>> gains = spectrum(linear_responses(subject)[o], at_hz, rate);
  std::size_t count = 1;
  while (count < gains.size() && std::abs(gains[count]) >= kLetsThrough * std::abs(gains[0])) ++count;
  std::vector<stimuli::Tone> tones;
  double fundamental = 1;
  for (std::size_t n = 0; n < count; ++n) {
    const auto k = static_cast<double>(2 * n + 1);
    const double turn = std::numbers::pi * k / static_cast<double>(2 * count + 1);
    const double arriving = std::sin(turn) / (turn * k);
    if (n == 0) fundamental = arriving;
    tones.push_back({.frequency_hz = at_hz[n],
                     .amplitude = arriving / fundamental / std::max(std::abs(gains[n]), 1e-9),
                     .phase_rad = -std::arg(gains[n])});
  }
  return tones;
}

}  // namespace

Settled settled(const Subject& subject, std::size_t o, double target_volts, double seconds) {
  const OutputPlan& plan = subject.compiled.outputs[o];
  Settled s{.hz = in_band_hz(plan, subject.rig.controller.sample_rate_hz, 0.5), .seconds = seconds};
  const double gain = std::max(gain_at(subject, o, s.hz), 1e-9);
  const double target = std::numbers::sqrt2 * target_volts / plan.full_scale_volts_peak;
  const double amplitude = std::min(target * analysis::ratio_from_db(kLastingOver_db) / gain, kMostInput);
  s.driven_volts = volts(plan, amplitude * gain) / std::numbers::sqrt2;
  s.over_db = finite_db(s.driven_volts / target_volts);
  const AtLast last = at_last(subject, o, {{.frequency_hz = s.hz, .amplitude = amplitude}}, seconds);
  s.reached_volts = last.volts;
  s.peak_held_db = last.peak_held_db;
  return s;
}

Lasting hottest_lasting(const Subject& subject, std::size_t o, double target_volts) {
  constexpr double kSeconds = 1;
  const OutputPlan& plan = subject.compiled.outputs[o];
  const double target = std::numbers::sqrt2 * target_volts / plan.full_scale_volts_peak;
  const Settled sine = settled(subject, o, target_volts, kSeconds);
  Lasting hottest{"sine", sine.hz, sine.reached_volts};
  for (const double share : {0.0, 0.25, 0.5}) {
    const double hz = in_band_hz(subject, plan, share);
    std::vector<stimuli::Tone> tones = arriving_flat(subject, o, hz);
    double sum = 0;
    for (const stimuli::Tone& tone : tones) sum += tone.amplitude;
    const double amplitude = std::min(target * analysis::ratio_from_db(kLastingOver_db), kMostInput / sum);
    for (stimuli::Tone& tone : tones) tone.amplitude *= amplitude;
    const char* const name = tones.size() > 1 ? "flat-topped wave" : "sine";
    const double reached = at_last(subject, o, std::move(tones), kSeconds).volts;
    if (reached > hottest.reached_volts) hottest = {name, hz, reached};
  }
  return hottest;
}

}  // namespace rackproof::proof
