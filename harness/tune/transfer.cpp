#include "harness/tune/transfer.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <iterator>
#include <memory>
#include <numbers>

#include "harness/analysis/bands.hpp"
#include "harness/analysis/decibels.hpp"
#include "harness/rig/rig.hpp"
#include "harness/tune/noise_way.hpp"
#include "harness/tune/played_band.hpp"
#include "harness/tune/reference.hpp"
#include "harness/tune/screening.hpp"
#include "harness/tune/sweep_recorded.hpp"
#include "harness/tune/sweep_way.hpp"

namespace rackproof::tune {

using analysis::Complex;
using std::numbers::pi;

namespace {
constexpr double kMostMagnitudeError_db = 40;
}

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
      if (auto doubt = doubt_of_reference(*reference, m.frequency_hz, sweep, references[c], one))
        m.warnings.push_back(std::move(*doubt));
    }
    Way::Heard heard = way->hear(one, Way::By::loudspeaker, reference ? &reference->drift : nullptr);
    if (sweep)
      std::ranges::move(doubts_of_sweep(sent, one, 1e-3 * heard.facts.arrival_ms * sent.sample_rate_hz),
                        std::back_inserter(heard.warnings));
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
