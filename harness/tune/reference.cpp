#include "harness/tune/reference.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>
#include <vector>

#include "harness/analysis/bands.hpp"
#include "harness/analysis/decibels.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof::tune {
namespace {

constexpr double kFrom_hz = 315, kTo_hz = 16'000, kHeard = 0.7;  // coherence, in the mean of a third
// A desk's equaliser may stand in a cable, the filters of a way may not. One that delays so much is heard in level too.
constexpr double kOdd_db = 3, kNoCable_db = 20, kEven_db = 1, kLate_ms = 0.15;

struct Third {
  double octave = 0, level_db = 0, delay_s = 0;
};
/// Those that are heard. Their delay is the slope of the phase from one frequency to the next.
std::vector<Third> thirds_of(const Way::Heard& heard, const Samples& frequency_hz) {
  std::vector<Third> thirds;
  for (const analysis::Band& band : analysis::octave_bands(3, kFrom_hz, kTo_hz)) {
    double power = 0, coherence = 0, count = 0, step_hz = 0;
    std::complex<double> turn = 0;
    for (std::size_t i = 1; i < frequency_hz.size(); ++i) {
      if (frequency_hz[i] < band.low_hz || frequency_hz[i] >= band.high_hz) continue;
      power += std::norm(heard.h[i]);
      coherence += heard.coherence[i];
      turn += heard.h[i] * std::conj(heard.h[i - 1]);
      step_hz += frequency_hz[i] - frequency_hz[i - 1];
      ++count;
    }
    if (count == 0 || coherence < kHeard * count) continue;
    thirds.push_back({std::log2(band.mid_hz), analysis::db_from_power(std::max(power / count, 1e-30)),
                      -std::arg(turn) / (2 * std::numbers::pi * step_hz / count)});
  }
  return thirds;
}

double level_spread_db(const std::vector<Third>& thirds) {
  if (thirds.empty()) return 0;
  const auto [least, most] = std::ranges::minmax_element(thirds, {}, &Third::level_db);
  return most->level_db - least->level_db;
}

/// The most that one lies off the line that fits them all.
double off_the_line_s(const std::vector<Third>& thirds) {
  double octave = 0, delay_s = 0, squares = 0, products = 0, most_s = 0;
  for (const Third& one : thirds) {
    octave += one.octave / static_cast<double>(thirds.size());
    delay_s += one.delay_s / static_cast<double>(thirds.size());
  }
  for (const Third& one : thirds) {
    squares += (one.octave - octave) * (one.octave - octave);
    products += (one.octave - octave) * (one.delay_s - delay_s);
  }
  const double slope = squares > 0 ? products / squares : 0;
  for (const Third& one : thirds)
    most_s = std::max(most_s, std::abs(one.delay_s - delay_s - slope * (one.octave - octave)));
  return most_s;
}

}  // namespace

std::optional<Warning> doubt_of_reference(const Way::Heard& heard, const Samples& frequency_hz, bool of_a_sweep,
                                          const Recording& reference, const Recording& captured) {
  const std::vector<Third> thirds = thirds_of(heard, frequency_hz);
  const double spread_db = level_spread_db(thirds), late_ms = 1e3 * off_the_line_s(thirds);
  if (of_a_sweep && spread_db < kEven_db && late_ms > kLate_ms)
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
  if (spread_db <= kOdd_db) return std::nullopt;
  return Warning{"reference", words + ": is there an equaliser in it, or something else than what was sent?"};
}

}  // namespace rackproof::tune
