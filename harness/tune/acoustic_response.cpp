#include "harness/tune/acoustic_response.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <numbers>

#include "harness/analysis/bands.hpp"
#include "harness/analysis/decibels.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof::tune {
namespace {

using analysis::Complex;
constexpr double kSmoothing = 12, kLinesAnOctave = 24;  // of an octave
constexpr double kLeastPassed_db = -30;                 // of the way's filters, against their greatest
constexpr double kTurnsALine = 0.2;

Complex turned(double turns) { return std::polar(1.0, 2 * std::numbers::pi * std::remainder(turns, 1.0)); }

}  // namespace

std::string acoustic_response(const Measurement& m, const DrivenWay& way, double sample_rate_hz, double common_s) {
  const std::vector<double> sure = analysis::smooth<double>(m.frequency_hz, m.coherence, 6.0);
  // The box's own time: what is left of the arrival without the way's delay.
  const double own_s = 1e-3 * m.arrival_ms - way.delay_s;
  std::vector<double> passed_db, hz;
  std::vector<Complex> box;
  double greatest_db = -1e300;
  for (std::size_t i = 0; i < m.frequency_hz.size(); ++i) {
    const double f = m.frequency_hz[i];
    if (f >= 0.49 * sample_rate_hz) break;
    const Complex drive = response_of(way, f, sample_rate_hz);
    if (!std::isfinite(std::abs(drive)) || !std::isfinite(std::abs(m.whole_way(i) / (std::abs(drive) + 1e-15))))
      throw InputError(
          fmt::format("{}: driven_by: the filters of way {} have no response at {:g} Hz; a rig makes none "
                      "like these: measure with --rig again",
                      m.file.string(), way.name, f));
    passed_db.push_back(analysis::db_from_ratio(std::abs(drive) + 1e-30));
    greatest_db = std::max(greatest_db, passed_db.back());
    hz.push_back(f);
    box.push_back(m.whole_way(i) / (std::abs(drive) > 1e-15 ? drive : Complex(1e-15)) * turned(f * own_s));
  }
  // The stretch around the loudest frequency, without a gap.
  const auto tells = [&](std::size_t i) {
    return passed_db[i] >= greatest_db + kLeastPassed_db && sure[i] >= kTrustedCoherence;
  };
  std::size_t best = hz.size();
  for (std::size_t i = 0; i < hz.size(); ++i)
    if (tells(i) && (best == hz.size() || m.magnitude_db[i] > m.magnitude_db[best])) best = i;
  std::size_t from = best, to = best;
  while (from > 0 && from < hz.size() && tells(from - 1)) --from;
  while (to + 1 < hz.size() && tells(to + 1)) ++to;
  if (best == hz.size() || hz[to] < 2 * hz[from])
    throw InputError(
        fmt::format("{}: less than an octave of way {} can be told: measure closer, or louder, or for "
                    "longer",
                    m.file.string(), way.name));
  const std::vector<Complex> smooth = analysis::smooth<Complex>(hz, box, kSmoothing);
  std::string text = fmt::format(
      "frequency_hz,magnitude_db,phase_deg\n# Way {}, measured; the filters, gain, polarity and delay that drove it are "
      "divided out.\n# The phases of all ways of the rig refer to one time, {:.4f} ms after what was sent.\n",
      way.name, 1e3 * common_s);
  const double late_s = own_s - common_s;
  double next = 0;
  for (std::size_t i = from; i <= to; ++i) {
    if (hz[i] < next && i != to) continue;
    const Complex value = smooth[i] * turned(-hz[i] * late_s);
    text += fmt::format("{:.4f},{:.4f},{:.3f}\n", hz[i], analysis::db_from_ratio(std::abs(value)),
                        std::arg(value) * 180 / std::numbers::pi);
    next =
        hz[i] + std::min(hz[i] * (std::exp2(1 / kLinesAnOctave) - 1), kTurnsALine / std::max(std::abs(late_s), 1e-9));
  }
  return text;
}

}  // namespace rackproof::tune
