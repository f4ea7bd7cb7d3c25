#include "harness/tune/transfer.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <memory>
#include <numbers>

#include "harness/analysis/bands.hpp"
#include "harness/analysis/decibels.hpp"
#include "harness/rig/rig.hpp"
#include "harness/tune/noise_way.hpp"
#include "harness/tune/played_band.hpp"
#include "harness/tune/screening.hpp"
#include "harness/tune/sweep_way.hpp"

namespace rackproof::tune {

using analysis::Complex;
using std::numbers::pi;

namespace {
constexpr double kMostMagnitudeError_db = 40;
// A cable passes all alike, within 0.1 dB; a desk's equaliser may stand in it, the filters of a way may not: what came
// through those, or through the air, arrives at another time at each frequency.
constexpr double kEven_db = 1, kCableLate_ms = 0.15;  // an equaliser that makes so much of delay is heard in level
constexpr double kCable_db = 3, kNoCable_db = 20, kCableFrom_hz = 315, kCableTo_hz = 16'000, kCableCoherence = 0.7;

/// A third of an octave of a reference.
struct Third {
  double octave = 0, level_db = 0, delay_s = 0;
};
/// Those that are heard at all. Their delay is the slope of the phase from one frequency to the next.
std::vector<Third> thirds_of(const Way::Heard& reference, const Samples& frequency_hz) {
  std::vector<Third> thirds;
  for (double from_hz = kCableFrom_hz; from_hz < kCableTo_hz; from_hz *= std::cbrt(2.0)) {
    double power = 0, coherence = 0, count = 0, step_hz = 0;
    Complex turn = 0;
    for (std::size_t i = 1; i < frequency_hz.size(); ++i) {
      if (frequency_hz[i] < from_hz || frequency_hz[i] >= from_hz * std::cbrt(2.0)) continue;
      power += std::norm(reference.h[i]);
      coherence += reference.coherence[i];
      turn += reference.h[i] * std::conj(reference.h[i - 1]);
      step_hz += frequency_hz[i] - frequency_hz[i - 1];
      ++count;
    }
    if (count == 0 || coherence < kCableCoherence * count) continue;
    thirds.push_back({std::log2(from_hz), analysis::db_from_power(std::max(power / count, 1e-30)),
                      -std::arg(turn) / (2 * pi * step_hz / count)});
  }
  return thirds;
}
double level_spread_db(const std::vector<Third>& thirds) {
  if (thirds.empty()) return 0;
  const auto [least, most] = std::ranges::minmax_element(thirds, {}, &Third::level_db);
  return most->level_db - least->level_db;
}
/// The most that one is late or early, less what a clock that drifts makes of a sweep: a line over the octaves.
double delay_spread_s(const std::vector<Third>& thirds) {
  double octave = 0, delay_s = 0, squares = 0, products = 0, most_s = 0;
  for (const Third& one : thirds) {
    octave += one.octave / static_cast<double>(thirds.size());
    delay_s += one.delay_s / static_cast<double>(thirds.size());
  }
  for (const Third& one : thirds) {
    squares += (one.octave - octave) * (one.octave - octave);
    products += (one.octave - octave) * (one.delay_s - delay_s);
  }
  for (const Third& one : thirds)
    most_s =
        std::max(most_s, std::abs(one.delay_s - delay_s - products / std::max(squares, 1e-9) * (one.octave - octave)));
  return most_s;
}

/// Throws InputError where the reference is no cable; else a warning where it may be none, or nothing.
std::optional<Warning> doubt_of_reference(const Way::Heard& heard, const Samples& frequency_hz,
                                          const Recording& reference, const Recording& captured) {
  const std::vector<Third> thirds = thirds_of(heard, frequency_hz);
  const double spread_db = level_spread_db(thirds), late_ms = 1e3 * delay_spread_s(thirds);
  if (spread_db < kEven_db && late_ms > kCableLate_ms)
    throw InputError(fmt::format(
        "{}: some of it arrives {:.2f} ms earlier or later than the rest, and a cable is late by the same everywhere: the "
        "recorder has lost or doubled samples, of both channels. Record it again",
        reference.name, late_ms));
  const std::string words = fmt::format(
      "{}: its thirds of an octave lie {:.0f} dB apart; a cable passes all alike. Arrivals are counted from it",
      reference.name, spread_db);
  if (spread_db > kNoCable_db)
    throw InputError(words + ". Record what is sent ahead of the rig, not a way's own signal nor a microphone");
  if (reference.samples == captured.samples)
    return Warning{"reference",
                   fmt::format("{}: sample for sample the same as {}: was it recorded in mono? An arrival of 0 is "
                               "no time of flight",
                               reference.name, captured.name)};
  if (spread_db <= kCable_db) return std::nullopt;
  return Warning{"reference", words + ": is there an equaliser in it, or something else than what was sent?"};
}
}  // namespace

Measurement measure(const Recording& sent, std::span<const Recording> captured, const TransferOptions& options,
                    std::span<const Recording> references) {
  if (captured.empty()) throw InputError("measure: no recording of what arrived is given");
  if (!references.empty() && references.size() != captured.size())
    throw InputError("measure: a reference is wanted for each recording of what arrived, or for none");
  screen_sent(sent);
  const bool sweep = options.kind == SentKind::automatic ? is_sweep(sent.samples) : options.kind == SentKind::sweep;
  const std::unique_ptr<const Way> way = sweep ? std::unique_ptr<const Way>(std::make_unique<SweepWay>(sent, options))
                                               : std::make_unique<NoiseWay>(sent, options);
  Measurement m;
  m.sample_rate_hz = sent.sample_rate_hz;
  m.captures = captured.size();
  m.kind = sweep ? "sweep" : "noise";
  m.frequency_hz = way->frequency_hz();
  const std::size_t count = m.frequency_hz.size();
  const double share = 1.0 / static_cast<double>(captured.size());
  Samples power(count, 0.0), noise_share(count, 0.0);
  std::vector<Complex> vector(count);
  m.coherence.assign(count, 0.0);
  double polarities = 0;
  const auto smoothed = [&]<class Value>(const std::vector<Value>& values) {
    return options.smoothing > 0
               ? analysis::smooth<Value>(m.frequency_hz, std::span<const Value>(values), options.smoothing)
               : values;
  };
  const auto level_of = [&](const Samples& powers) {
    Samples level_db = smoothed(powers);
    for (double& x : level_db) x = analysis::db_from_power(std::max(x, 1e-30));
    return level_db;
  };
  const auto screen = [&](const Recording& one) {
    const std::string doubt = screen_captured(one, sent);
    if (!doubt.empty()) m.warnings.push_back({"level", doubt});
  };
  m.drift_ppm = 0;
  for (std::size_t c = 0; c < captured.size(); ++c) {
    const Recording& one = captured[c];
    screen(one);
    std::optional<Way::Heard> reference;
    if (!references.empty()) {
      screen(references[c]);
      reference = way->hear(references[c], Way::By::cable);
      if (auto doubt = doubt_of_reference(*reference, m.frequency_hz, references[c], one))
        m.warnings.push_back(std::move(*doubt));
    }
    Way::Heard heard = way->hear(one, Way::By::loudspeaker, reference ? &reference->drift : nullptr);
    if (reference) {
      heard.facts.arrival_ms -= reference->facts.arrival_ms;
      heard.facts.arrival_error_ms += 1e3 * reference->time_error_s;
    }
    m.warnings.insert(m.warnings.end(), heard.warnings.begin(), heard.warnings.end());
    Samples own_power(count);
    for (std::size_t i = 0; i < count; ++i) {
      own_power[i] = std::norm(heard.h[i]);
      power[i] += share * own_power[i];
      vector[i] += heard.h[i];
      m.coherence[i] += share * heard.coherence[i];
      noise_share[i] += share * share * heard.noise_share[i];
    }
    m.arrival_ms += share * heard.facts.arrival_ms;
    m.arrival_error_ms = std::max(m.arrival_error_ms, heard.facts.arrival_error_ms);
    m.clock_error_ms = std::max(m.clock_error_ms, heard.clock_error_ms);
    if (m.drift_ppm && heard.facts.drift_ppm)
      *m.drift_ppm += share * *heard.facts.drift_ppm;
    else
      m.drift_ppm.reset();
    polarities += heard.facts.polarity;
    heard.facts.magnitude_db = level_of(own_power);
    heard.facts.coherence = smoothed(heard.coherence);
    m.each.push_back(heard.facts);
  }
  const bool all_told = std::ranges::all_of(m.each, [](const Capture& one) { return one.polarity != 0; });
  m.polarity = !all_told || polarities == 0 ? 0 : polarities < 0 ? -1 : 1;
  if (options.smoothing > 0) m.smoothing = fmt::format("1/{:g}", options.smoothing);
  m.magnitude_db = level_of(power);
  const Played played = played_band(m, power);
  for (const double noise : analysis::smooth<double>(m.frequency_hz, noise_share, 1.0))
    m.magnitude_error_db.push_back(
        std::min(kMostMagnitudeError_db, 2 * analysis::kDecibelsPerNeper * std::sqrt(noise / 2)));
  m.coherence = smoothed(m.coherence);
  warn_of_noise(m, played);
  for (const Complex& value : smoothed(vector)) m.phase_deg.push_back(std::arg(value) * 180 / pi);
  const auto warn_if = [&](bool is, const char* code, const std::string& text) {
    if (is) m.warnings.push_back({code, text});
  };
  warn_if(all_told && std::abs(polarities) < static_cast<double>(captured.size()), "polarity",
          "the captures do not agree on the polarity: was a cable turned, or the direct sound hidden at one place?");
  warn_if(m.arrival_ms < -0.01 && references.empty(), "arrival",
          fmt::format("the recording began after the sound had left: an arrival of {:.3f} ms is no time of flight",
                      m.arrival_ms));
  warn_if(m.arrival_ms < -std::max(0.01, m.arrival_error_ms) && !references.empty(), "arrival",
          fmt::format("the microphone heard it {:.3f} ms before the reference: no sound is that early. Look at which "
                      "channel is which: what was measured may be the cable",
                      -m.arrival_ms));
  warn_if(sweep && references.empty() && !way->sent_twice() && m.drift_ppm.value_or(0) != 0, "drift-of-a-sweep",
          "one sweep does not tell a recorder's drift from phase for sure: where player and recorder are two devices, "
          "send it twice (rackproof stimulus sweep --twice), or send noise");
  return m;
}

}  // namespace rackproof::tune
