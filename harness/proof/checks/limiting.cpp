/// How the peak limiter works: where it begins, that it does nothing below, how it lets go, what that does to a low
/// note.
#include <algorithm>
#include <bit>
#include <cmath>
#include <numbers>

#include <fmt/format.h>

#include "dsp/design/time_constants.hpp"
#include "harness/analysis/decay.hpp"
#include "harness/analysis/decibels.hpp"
#include "harness/analysis/sine_fit.hpp"
#include "harness/proof/checks/checks.hpp"
#include "harness/proof/stimulation.hpp"
#include "harness/stimuli/noise.hpp"
#include "harness/stimuli/tones.hpp"

namespace rackproof::proof {
namespace {

constexpr double kOnsetToleranceDb = 0.1;
constexpr double kReleaseTolerance = 0.1;
/// Our choice: what a low note may be distorted by while it is limited by 6 dB. More is heard as a growl, and its
/// harmonics heat the drivers above.
constexpr double kMostDistortion = 0.1;

std::size_t frames_in(double seconds, double rate) { return static_cast<std::size_t>(std::ceil(seconds * rate)); }
double threshold_of(const OutputPlan& plan) { return plan.limit_volts_peak / plan.full_scale_volts_peak; }

/// Where a sine that slowly swells through the threshold is first touched, in dB over the threshold.
double onset_db(const Subject& subject, Device& limited, Device& unlimited, std::size_t output, double hz) {
  const OutputPlan& plan = subject.compiled.outputs[output];
  const std::size_t feeds = subject.rig.feeds.size(), outputs = subject.compiled.outputs.size();
  const double rate = subject.rig.controller.sample_rate_hz;
  constexpr double kFromDb = -0.6, kToDb = 0.6, kSwell_s = 1.2, kFade_s = 0.4;  // 1 dB a second
  const std::size_t late = subject.compiled.latency_samples + static_cast<std::size_t>(plan.delay_samples);
  const double at_threshold = threshold_of(plan) / gain_at(subject, unlimited, output, hz);
  const Row tone = samples_of(
      stimuli::shaped(stimuli::sine({.frequency_hz = hz, .amplitude = at_threshold}, rate),
                      [&](double x, std::uint64_t n) {
                        const double t = static_cast<double>(n) / rate;
                        const double fade = t < kFade_s ? 0.5 - 0.5 * std::cos(std::numbers::pi * t / kFade_s) : 1.0;
                        const double swell = std::max(0.0, t - kFade_s) / kSwell_s * (kToDb - kFromDb);
                        return x * fade * analysis::ratio_from_db(kFromDb + swell);
                      }),
      frames_in(kFade_s + kSwell_s, rate) + late);
  const Rows in = fed_to(plan, tone, feeds);
  const Row free = run(unlimited, in, outputs)[output], held = run(limited, in, outputs)[output];
  const auto first = std::mismatch(free.begin(), free.end(), held.begin(), [](float a, float b) {
                       return std::bit_cast<std::uint32_t>(a) == std::bit_cast<std::uint32_t>(b);
                     }).first;
  if (first == free.end()) return kToDb;
  // The gain begins to move as the crest that needs it enters the look-ahead.
  const std::size_t crest =
      static_cast<std::size_t>(first - free.begin()) + frames_in(way_of(subject, plan).limit->look_ahead_s, rate);
  const std::size_t around = std::max<std::size_t>(frames_in(2 / hz, rate), 64);
  const std::size_t end = std::min(free.size(), crest + around), begin = end > 2 * around ? end - 2 * around : 0;
  const std::vector<double> cut(free.begin() + static_cast<std::ptrdiff_t>(begin),
                                free.begin() + static_cast<std::ptrdiff_t>(end));
  return finite_db(analysis::fit_sine(cut, hz / rate, 1).amplitude.front() / threshold_of(plan));
}

/// The reduction of a limiter after a step down, as its time constant. Look-ahead and hold are set aside: they shift
/// and round what is measured here.
double release_of(const Subject& subject, std::size_t output, double set_s) {
  const double rate = subject.rig.controller.sample_rate_hz;
  LimitersAlone alone(subject.compiled.settings(), output, false);
  alone.output.peak.look_ahead_samples = alone.output.peak.hold_samples = 0;
  const double ceiling = static_cast<double>(alone.output.peak.ceiling);
  const std::size_t loud = 256, quiet = frames_in(std::min(3 * set_s, 20.0), rate) + 64;
  Row in(loud + quiet, static_cast<float>(ceiling / 4));
  std::fill_n(in.begin(), loud, static_cast<float>(4 * ceiling));
  const std::unique_ptr<Device> device = subject.make(alone.settings);
  const Row out = run(*device, {in}, 1)[0];
  const std::size_t late = 32;  // detector, window and mean: the reduction is falling by then
  std::vector<double> gain;
  for (std::size_t n = loud + late; n < out.size(); ++n)
    gain.push_back(std::min(1.0, static_cast<double>(out[n]) / static_cast<double>(in[n])));
  const double to = std::max(0.1, std::exp(-0.8 * static_cast<double>(quiet) / (std::max(set_s, 1e-9) * rate)));
  const analysis::DecayFit fit = analysis::fit_release(gain, rate, 1.0, to);
  if (fit.found) return fit.time_constant_s;
  return gain.front() > 0.999 ? 0 : 1e3;  // gone at once, or never
}

/// Total harmonic distortion of a sine that the limiter holds 6 dB down.
double distortion_of(const Subject& subject, std::size_t output, double hz, std::optional<double> release_s = {}) {
  const double rate = subject.rig.controller.sample_rate_hz;
  LimitersAlone alone(subject.compiled.settings(), output, false);
  if (release_s && !dsp::keep_per_sample(*release_s, rate, alone.output.peak.release_keep)) return 1;
  const dsp::PeakLimiterSettings& peak = alone.output.peak;
  const std::size_t period = frames_in(1 / hz, rate), measured = 12 * period;
  const std::size_t settle = 64 + peak.look_ahead_samples + peak.hold_samples + 6 * period;
  const Row tone = samples_of(
      stimuli::sine({.frequency_hz = hz, .amplitude = 2 * static_cast<double>(peak.ceiling)}, rate), settle + measured);
  const std::unique_ptr<Device> device = subject.make(alone.settings);
  const Row out = run(*device, {tone}, 1)[0];
  const std::vector<double> steady(out.end() - static_cast<std::ptrdiff_t>(measured), out.end());
  return analysis::fit_sine(steady, hz / rate, 15).thd();
}
/// The shortest of a coarse row of releases that keeps the note clean.
std::optional<double> clean_release(const Subject& subject, std::size_t output, double hz, double from_s) {
  for (double s = std::max(from_s, 1e-3); s < 20; s *= 1.25) {
    const double digit = std::pow(10, std::floor(std::log10(s)) - 1), round_s = std::ceil(s / digit) * digit;
    if (distortion_of(subject, output, hz, round_s) <= kMostDistortion) return round_s;
  }
  return {};
}

Finding release_finding(const Subject& subject, std::size_t output) {
  const OutputPlan& plan = subject.compiled.outputs[output];
  const double set = way_of(subject, plan).limit->release_s, measured = release_of(subject, output, set);
  const double sample_s = 1.0 / subject.rig.controller.sample_rate_hz;
  const double hz = std::max(plan.low_edge_hz, 20.0), distortion = distortion_of(subject, output, hz);
  const bool as_set = std::abs(measured - set) <= std::max(kReleaseTolerance * set, sample_s);
  const bool clean = distortion <= kMostDistortion;
  Finding f{.id = "release",
            .output = plan.name,
            .holds = as_set && clean,
            .measured = 1e3 * measured,
            .allowed = 1e3 * std::max(set * (1 + kReleaseTolerance), set + sample_s),
            .unit = "ms",
            .accepted = {},
            .text = fmt::format("The gain returns with a time constant of {:.4g} ms; set are {:.4g} ms. A sine at the "
                                "way's low edge, {:.4g} Hz, limited by 6 dB, gets {:.2f} % of harmonics. ",
                                1e3 * measured, 1e3 * set, hz, 100 * distortion)};
  if (!as_set)
    f.text += "The limiter does not let go as it was set. No line of the file mends that: do not use this build.";
  else if (!clean) {
    f.measured = 100 * distortion, f.allowed = 100 * kMostDistortion, f.unit = "%";
    const std::optional<double> enough = clean_release(subject, output, hz, set);
    f.text += fmt::format(
        "Above {:g} % (our limit) a low note growls and its harmonics reach the drivers: the gain "
        "follows the wave itself. ",
        100 * kMostDistortion);
    f.text += enough ? fmt::format("Set {} = \"{:g} ms\" or longer, or a {} of half a period, {:.3g} ms.",
                                   key(plan, "limit.release"), 1e3 * *enough, key(plan, "limit.hold"), 500 / hz)
                     : fmt::format("Set {} = \"{:.3g} ms\", half a period.", key(plan, "limit.hold"), 500 / hz);
  }
  return f;
}

template <class Judge>
std::vector<Finding> for_limited(const Subject& subject, Judge&& judge) {
  std::vector<Finding> findings;
  for (std::size_t o = 0; o < subject.compiled.outputs.size(); ++o)
    if (way_of(subject, subject.compiled.outputs[o]).limit) findings.push_back(judge(o));
  return findings;
}

}  // namespace

std::vector<Finding> check_limit_onset(const Subject& subject) {
  Altered peak_only(subject.compiled.settings());
  for (dsp::OutputSettings& o : peak_only.outputs) o.power.enabled = false;
  const std::unique_ptr<Device> limited = subject.make(peak_only.settings);
  const std::unique_ptr<Device> unlimited = subject.make(subject.unlimited.settings());
  return for_limited(subject, [&](std::size_t o) {
    const OutputPlan& plan = subject.compiled.outputs[o];
    double worst_db = 0, worst_hz = 0;
    for (const double share : {0.0, 0.5, 1.0}) {
      const double hz = in_band_hz(plan, subject.rig.controller.sample_rate_hz, share);
      const double db = onset_db(subject, *limited, *unlimited, o, hz);
      if (worst_hz == 0 || std::abs(db) > std::abs(worst_db)) worst_db = db, worst_hz = hz;
    }
    const bool holds = std::abs(worst_db) <= kOnsetToleranceDb;
    return Finding{
        .id = "limit-onset",
        .output = plan.name,
        .holds = holds,
        .measured = worst_db,
        .allowed = kOnsetToleranceDb,
        .unit = "dB",
        .accepted = {},
        .text =
            fmt::format("A swelling sine in the band is first touched {:+.3f} dB from the threshold of {:.1f} V (the "
                        "farthest of three, at {:.0f} Hz). ",
                        worst_db, plan.limit_volts_peak, worst_hz) +
            (holds ? "The limiter begins where it is set."
                   : "The limiter does not begin where it is set: early, it dulls what is allowed; late, it lets "
                     "through too much. No line of the file mends that: do not use this build.")};
  });
}

std::vector<Finding> check_transparent_below(const Subject& subject) {
  constexpr double kBelowDb = 1, kSeconds = 1;
  const double rate = subject.rig.controller.sample_rate_hz;
  const std::size_t feeds = subject.rig.feeds.size(), outputs = subject.compiled.outputs.size();
  const std::unique_ptr<Device> limited = subject.make(subject.compiled.settings());
  const std::unique_ptr<Device> unlimited = subject.make(subject.unlimited.settings());
  Rows programme;
  for (std::size_t f = 0; f < feeds; ++f)
    programme.push_back(samples_of(stimuli::filtered(stimuli::pink_noise(rate, 21 + static_cast<std::uint32_t>(f)),
                                                     stimuli::programme_sections(rate)),
                                   frames_in(kSeconds, rate)));
  const Rows at_unity = run(*unlimited, programme, outputs);
  Altered peak_settings(subject.compiled.settings());
  for (dsp::OutputSettings& o : peak_settings.outputs) o.power.enabled = false;
  const std::unique_ptr<Device> peak_only = subject.make(peak_settings.settings);
  return for_limited(subject, [&](std::size_t o) {
    const OutputPlan& plan = subject.compiled.outputs[o];
    const auto changed_at = [&](Device& device, double highest) {
      Rows quiet;
      for (const Row& row : programme) quiet.push_back(scaled(row, highest * analysis::ratio_from_db(-kBelowDb)));
      return differing({run(device, quiet, outputs)[o]}, {run(*unlimited, quiet, outputs)[o]});
    };
    const double to_peak = threshold_of(plan) / wave_crest(at_unity[o]);
    std::size_t changed = changed_at(*peak_only, to_peak);
    // And both limiters: no mean square of the signal is above that of its loudest stretch of the grid.
    double loudest = 0;
    for (std::size_t n = 0; n + dsp::kGridFrames <= at_unity[o].size(); n += dsp::kGridFrames) {
      double sum = 0;
      for (std::size_t i = 0; i < dsp::kGridFrames; ++i) sum += std::pow(static_cast<double>(at_unity[o][n + i]), 2);
      loudest = std::max(loudest, sum / dsp::kGridFrames);
    }
    const double to_power = plan.thermal_volts_rms.value_or(1e300) / plan.full_scale_volts_peak / std::sqrt(loudest);
    changed += changed_at(*limited, std::min(to_peak, to_power));
    return Finding{
        .id = "transparent-below",
        .output = plan.name,
        .holds = changed == 0,
        .measured = static_cast<double>(changed),
        .allowed = 0,
        .unit = "samples",
        .accepted = {},
        .text = changed == 0
                    ? fmt::format("A programme {:g} dB below the thresholds passes the limiters bit for bit.", kBelowDb)
                    : fmt::format("Of a programme {:g} dB below the thresholds the limiters change {} samples: "
                                  "they colour what they have no business with. No line of the file mends "
                                  "that: do not use this build.",
                                  kBelowDb, changed)};
  });
}

std::vector<Finding> check_release(const Subject& subject) {
  return for_limited(subject, [&](std::size_t o) { return release_finding(subject, o); });
}

}  // namespace rackproof::proof
