#pragma once
/// Measurements made by hand for tests of their page: a box that begins at 50 Hz, heard at several places, each at a
/// level of its own; every value follows from a formula.
#include <cmath>
#include <complex>
#include <numbers>

#include "harness/tune/measurement.hpp"
#include "tests/harness/report/invented_proof.hpp"

namespace rackproof::tune {

/// The frequencies as `measure` has them: 48 an octave from 16 Hz on, from 200 Hz on every 3 Hz up to 20.4 kHz.
inline std::vector<double> measured_frequencies() {
  std::vector<double> hz;
  for (int n = 0; 16 * std::exp2(n / 48.0) < 200; ++n) hz.push_back(16 * std::exp2(n / 48.0));
  for (double f = 201; f <= 20400; f += 3) hz.push_back(f);
  return hz;
}

/// A Butterworth high-pass of 12 dB/oct at 50 Hz.
inline std::complex<double> box_at(double hz) {
  const std::complex<double> s(0, hz / 50);
  return s * s / (s * s + std::numbers::sqrt2 * s + 1.0);
}

inline Measurement invented_measurement(std::size_t places = 3) {
  Measurement m;
  m.kind = "noise";
  m.captures = places;
  m.frequency_hz = measured_frequencies();
  double power = 0;
  for (std::size_t p = 0; p < places; ++p) power += std::pow(10, -0.2 * static_cast<double>(p));  // 2 dB each
  const double mean_db = 10 * std::log10(power / static_cast<double>(places));
  for (const double hz : m.frequency_hz) {
    m.magnitude_db.push_back(20 * std::log10(std::abs(box_at(hz))) + mean_db);
    m.phase_deg.push_back(std::arg(box_at(hz)) * 180 / std::numbers::pi);
    m.magnitude_error_db.push_back(hz < 40 ? 3 : 0.4);
    m.coherence.push_back(hz < 28 || (hz > 300 && hz < 400) ? 0.2 : 0.97);
  }
  for (std::size_t p = 0; p < places; ++p) {
    const double late = static_cast<double>(p);
    Capture one{"hall/place-" + std::to_string(p + 1) + ".wav",
                10 + 5 * late,
                p == 1 ? -1 : 1,
                12.5,
                -30 - 2 * late,
                {},
                {},
                0.0125};
    for (std::size_t i = 0; i < m.frequency_hz.size(); ++i)
      one.magnitude_db.push_back(m.magnitude_db[i] - mean_db - 2 * late);
    one.coherence = m.coherence;
    m.arrival_ms += one.arrival_ms / static_cast<double>(places);
    m.each.push_back(one);
  }
  m.drift_ppm = 12.5;
  if (places > 1) m.warnings.push_back({"polarity", "the captures do not agree: look at `hall/place-2.wav`"});
  return m;
}

/// The same with harm in every text that comes from outside.
inline Measurement hostile_measurement() {
  Measurement m = invented_measurement(3);
  for (Capture& one : m.each) one.file = proof::kHostile;
  for (Warning& warning : m.warnings) warning.code = warning.text = proof::kHostile;
  return m;
}

}  // namespace rackproof::tune
