#include "harness/proof/impulse_response.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>

#include <fmt/format.h>

#include "harness/analysis/wide.hpp"
#include "harness/calibration/levels.hpp"
#include "harness/proof/stimulation.hpp"

namespace rackproof::proof {
namespace {

constexpr double kGone = 1e-14;  // of the energy: -140 dB

bool limited(Device& device, std::size_t outputs) {
  bool any = false;
  for (std::size_t o = 0; o < outputs; ++o) {
    const dsp::Meter meter = device.take_meter(o);
    any = any || meter.least_peak_gain < 1.0f || meter.least_power_gain < 1.0f;
  }
  return any;
}

constexpr std::size_t kAbreast = 8, kRenewal = 256;
using Lanes = double __attribute__((vector_size(kAbreast * sizeof(double))));
struct ComplexLanes {
  Lanes re{}, im{};
};
/// Adds weight(n) h[n] z^n to `sum`, n from `from` on, z^n standing at `power`: the weight is n for a moment, else 1.
RACKPROOF_WIDE void add_terms(std::span<const double> h, std::size_t from, bool moment, const ComplexLanes& z,
                              const ComplexLanes& first, ComplexLanes& sum) {
  const Lanes turn_re = z.re, turn_im = z.im;
  Lanes re = first.re, im = first.im, sum_re = sum.re, sum_im = sum.im;
  for (std::size_t n = 0; n < h.size(); ++n) {
    const double x = moment ? static_cast<double>(from + n) * h[n] : h[n];
    sum_re += re * x;
    sum_im += im * x;
    const Lanes next = re * turn_re - im * turn_im;
    im = re * turn_im + im * turn_re;
    re = next;
  }
  sum.re = sum_re;
  sum.im = sum_im;
}
/// sum of h[n] e^(-jwn), a value a frequency, or of n h[n] e^(-jwn). The turns of some frequencies go side by side, as
/// one would wait for itself from sample to sample; they are renewed now and then, as products drift by an epsilon each.
std::vector<std::complex<double>> weighted_spectrum(std::span<const double> h, std::span<const double> frequency_hz,
                                                    double sample_rate_hz, bool moment) {
  std::vector<std::complex<double>> values;
  for (std::size_t done = 0; done < frequency_hz.size(); done += kAbreast) {
    const std::size_t count = std::min(kAbreast, frequency_hz.size() - done);
    Lanes turn{};
    ComplexLanes step, power, sum;
    for (std::size_t k = 0; k < count; ++k) {
      turn[k] = frequency_hz[done + k] / sample_rate_hz;
      step.re[k] = std::cos(2 * std::numbers::pi * turn[k]);
      step.im[k] = -std::sin(2 * std::numbers::pi * turn[k]);
    }
    for (std::size_t from = 0; from < h.size(); from += kRenewal) {
      for (std::size_t k = 0; k < kAbreast; ++k) {
        const double phase = 2 * std::numbers::pi * std::remainder(turn[k] * static_cast<double>(from), 1.0);
        power.re[k] = std::cos(phase);
        power.im[k] = -std::sin(phase);
      }
      add_terms(h.subspan(from, std::min(kRenewal, h.size() - from)), from, moment, step, power, sum);
    }
    for (std::size_t k = 0; k < count; ++k) {
      const double re = sum.re[k];  // of a lane there is no reference
      const double im = sum.im[k];
      values.emplace_back(re, im);
    }
  }
  return values;
}

}  // namespace

std::vector<Impulse> impulse_responses(Device& device, const CompiledRig& compiled) {
  const std::size_t feeds = compiled.settings().feeds.size(), outputs = compiled.outputs.size();
  const std::size_t chunk = compiled.settings().sample_rate_hz / 4, most_chunks = 80;
  std::vector<Impulse> responses(outputs);
  for (float level = 0x1p-6f;; level *= 0x1p-4f) {
    device.reset();
    for (Impulse& h : responses) h.clear();
    Rows in(feeds, Row(chunk, 0.0f));
    for (Row& row : in) row[0] = level;
    std::vector<double> total(outputs, 0.0);
    bool gone = false;
    for (std::size_t c = 0; c < most_chunks && !gone; ++c) {
      const Rows out = run_on(device, in, outputs);
      for (Row& row : in) row[0] = 0.0f;
      gone = true;
      for (std::size_t o = 0; o < outputs; ++o) {
        double energy = 0;
        for (const float x : out[o]) {
          responses[o].push_back(static_cast<double>(x) / static_cast<double>(level));
          energy += responses[o].back() * responses[o].back();
        }
        total[o] += energy;
        // A delay may be longer than a chunk: silence is the end only behind something, or behind the longest delay.
        gone = gone && (total[o] > 0 || c > 8) && energy <= kGone * total[o];
      }
    }
    if (!limited(device, outputs) || level < 0x1p-40f) return responses;
  }
}

std::vector<Impulse> impulse_responses_of(const Subject& subject, const rig::Rig& variant) {
  const CompiledRig compiled = compile(variant, nullptr, Bypass::limits);
  return impulse_responses(*subject.make(compiled.settings()), compiled);
}

std::vector<std::complex<double>> spectrum(std::span<const double> h, std::span<const double> frequency_hz,
                                           double sample_rate_hz) {
  return weighted_spectrum(h, frequency_hz, sample_rate_hz, false);
}
std::vector<std::complex<double>> moments(std::span<const double> h, std::span<const double> frequency_hz,
                                          double sample_rate_hz) {
  return weighted_spectrum(h, frequency_hz, sample_rate_hz, true);
}

std::vector<Side> sides_of(const rig::Rig& rig, const CompiledRig& compiled) {
  std::vector<Side> sides;
  for (std::size_t p = 0; p < rig.parts().size(); ++p) {
    const rig::Rig& part = rig.parts()[p];
    const bool mono = std::ranges::all_of(part.ways, &rig::Way::has_one_output);
    for (std::size_t f = 0; f < rig.feeds.size(); ++f) {
      Side side{p, part.loudspeaker, mono ? "sum" : rig.feeds[f].name, {}};
      for (std::size_t o = 0; o < compiled.outputs.size(); ++o)
        if (compiled.outputs[o].part == p && compiled.outputs[o].hears(f)) side.outputs.push_back(o);
      if (side.outputs.size() < part.ways.size()) continue;
      sides.push_back(std::move(side));
      if (mono) break;
    }
  }
  return sides;
}

rig::Rig crossover_alone(const rig::Rig& rig, Kept kept) {
  rig::Rig alone = rig;
  alone.system_gain_db = 0;
  alone.system_eq.clear();
  for (rig::Way& way : alone.ways) {
    way.gain_db = 0;
    way.eq.clear();
    if (!kept.highpass) way.highpass.reset();
    if (!kept.delay) {
      way.delay_s = 0;
      way.delay_distance_m.reset();
    }
    double mixed = 0;
    for (const rig::MixedFeed& one : way.mix) mixed += analysis::ratio_from_db(one.gain_db);
    for (rig::MixedFeed& one : way.mix) one.gain_db -= analysis::db_from_ratio(mixed);
    for (auto& [feed, own] : way.output) {
      own.gain_db = 0;
      own.eq.clear();
      if (!kept.delay) {
        own.delay_s = 0;
        own.delay_distance_m.reset();
      }
    }
  }
  return alone;
}

}  // namespace rackproof::proof
