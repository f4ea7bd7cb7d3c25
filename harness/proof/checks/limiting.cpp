/// How the peak limiter works: where it begins, that it does nothing below, how it lets go, what that does to a low
/// note and to two tones.
#include <algorithm>
#include <bit>
#include <cmath>
#include <numbers>

#include <fmt/format.h>

#include "dsp/design/time_constants.hpp"
#include "dsp/grid.hpp"
#include "harness/analysis/decay.hpp"
#include "harness/analysis/decibels.hpp"
#include "harness/analysis/fourier.hpp"
#include "harness/analysis/sine_fit.hpp"
#include "harness/proof/checks/checks.hpp"
#include "harness/proof/impulse_response.hpp"
#include "harness/proof/measured_once.hpp"
#include "harness/proof/path_parts.hpp"
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
/// What a limiter may add to two tones, against them: the contract's.
constexpr double kMostAdded_db = -25;

std::size_t frames_in(double seconds, double rate) { return static_cast<std::size_t>(std::ceil(seconds * rate)); }
double threshold_of(const OutputPlan& plan) { return plan.limit_volts_peak / plan.full_scale_volts_peak; }

/// What one reading of a limiter's onset says.
struct Onset {
  double hz = 0, off_db = 0;         ///< where a sine is first touched, over the threshold
  double early_db = 0, late_db = 0;  ///< what is allowed below and above
  double needed_dbfs = 0;            ///< what it takes at the input to be at the threshold
  bool reachable = true;             ///< within what the core carries
  bool read = true;                  ///< in the band in which the detector claims anything
  bool holds() const { return off_db <= late_db && off_db >= -early_db; }
  double excess_db() const { return std::max(off_db - late_db, -early_db - off_db); }
};

/// What the limiter's own claims leave open for a sine whose crests fall everywhere between samples. Late: nothing, for
/// sooner or later a crest falls on a sample, and a sample is read in full (claim 1 of
/// dsp/blocks/true_peak_detector.hpp). Early: no sine is read more than 0.05 dB high up to 0.3 of the rate, 0.201 up to
/// 0.42 (claim 2).
void allow(Onset& onset, double rate_hz, bool true_peak) {
  const double of_rate = onset.hz / rate_hz;
  onset.late_db = kOnsetToleranceDb;
  onset.early_db = kOnsetToleranceDb + (!true_peak ? 0.0 : of_rate <= 0.3 ? 0.05 : 0.201);
  onset.read = of_rate <= kDetectorBand;
}

/// From and to so far over the threshold.
struct Swell {
  double from_db = 0, to_db = 0, db_per_s = 1;
};
/// Where a sine that swells is first touched; `to_db` if never.
double touched_db(const Subject& subject, Device& limited, Device& unlimited, std::size_t output, double hz,
                  double at_threshold, const Swell& swell) {
  const OutputPlan& plan = subject.compiled.outputs[output];
  const std::size_t feeds = subject.rig.feeds.size(), outputs = subject.compiled.outputs.size();
  const double rate = subject.rig.controller.sample_rate_hz;
  const double fade_s = 0.4 / swell.db_per_s, swell_s = (swell.to_db - swell.from_db) / swell.db_per_s;
  const std::size_t late = first_sample(subject.compiled, plan);
  const Row tone = samples_of(
      stimuli::shaped(stimuli::sine({.frequency_hz = hz, .amplitude = at_threshold}, rate),
                      [&](double x, std::uint64_t n) {
                        const double t = static_cast<double>(n) / rate;
                        const double fade = t < fade_s ? 0.5 - 0.5 * std::cos(std::numbers::pi * t / fade_s) : 1.0;
                        const double swollen_db = std::max(0.0, t - fade_s) * swell.db_per_s;
                        return x * fade * analysis::ratio_from_db(swell.from_db + swollen_db);
                      }),
      frames_in(fade_s + swell_s, rate) + late);
  const Rows in = fed_to(plan, tone, feeds);
  const Row free = run(unlimited, in, outputs)[output], held = run(limited, in, outputs)[output];
  const auto first = std::mismatch(free.begin(), free.end(), held.begin(), [](float a, float b) {
                       return std::bit_cast<std::uint32_t>(a) == std::bit_cast<std::uint32_t>(b);
                     }).first;
  if (first == free.end()) return swell.to_db;
  // The gain begins to move as the crest that needs it enters the look-ahead.
  const std::size_t crest =
      static_cast<std::size_t>(first - free.begin()) + frames_in(way_of(subject, plan).limit->look_ahead_s, rate);
  const std::size_t around = std::max<std::size_t>(frames_in(2 / hz, rate), 64);
  const std::size_t end = std::min(free.size(), crest + around), begin = end > 2 * around ? end - 2 * around : 0;
  const std::vector<double> cut(free.begin() + static_cast<std::ptrdiff_t>(begin),
                                free.begin() + static_cast<std::ptrdiff_t>(end));
  return finite_db(analysis::fit_sine(cut, hz / rate, 1).amplitude.front() / threshold_of(plan));
}

Onset onset_of(const Subject& subject, Device& limited, Device& unlimited, std::size_t output, double hz) {
  const OutputPlan& plan = subject.compiled.outputs[output];
  constexpr double kAroundDb = 0.6, kFarDb = 6;
  Onset onset;
  onset.hz = hz;
  allow(onset, subject.rig.controller.sample_rate_hz, way_of(subject, plan).limit->true_peak);
  const double gain = gain_at(subject, output, hz);
  const double at_threshold = threshold_of(plan) / std::max(gain, 1e-30);
  onset.needed_dbfs = finite_db(at_threshold);
  onset.reachable = onset.needed_dbfs + 1 <= finite_db(static_cast<double>(dsp::kMagnitudeBound));
  if (!onset.reachable || !onset.read) return onset;
  onset.off_db = touched_db(subject, limited, unlimited, output, hz, at_threshold,
                            {.from_db = -kAroundDb, .to_db = kAroundDb, .db_per_s = subject.brief ? 4.0 : 1.0});
  // A filter that rings for long is not steady after so short a fade: from further below, and further up, unhurried.
  const double room_db = finite_db(static_cast<double>(dsp::kMagnitudeBound)) - onset.needed_dbfs;
  if (!onset.holds())
    onset.off_db = touched_db(subject, limited, unlimited, output, hz, at_threshold,
                              {.from_db = -kFarDb, .to_db = std::min(kFarDb, room_db)});
  return onset;
}

/// The reduction of a limiter after a step down, as its time constant. Look-ahead and hold are set aside: they shift
/// and round what is measured here.
double release_of(const Subject& subject, std::size_t output, double set_s) {
  const double rate = subject.rig.controller.sample_rate_hz;
  LimitersAlone alone(subject.compiled.settings(), output, false);
  alone.output.peak.look_ahead_samples = alone.output.peak.hold_samples = 0;
  const double ceiling = static_cast<double>(alone.output.peak.ceiling);
  const std::size_t loud = 256, quiet = frames_in(std::min(3 * set_s, subject.brief ? 0.1 : 20.0), rate) + 64;
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
  const std::size_t period = frames_in(1 / hz, rate), measured = (subject.brief ? 4 : 12) * period;
  const std::size_t settle = 64 + peak.look_ahead_samples + peak.hold_samples + 6 * period;
  const Row tone = samples_of(
      stimuli::sine({.frequency_hz = hz, .amplitude = 2 * static_cast<double>(peak.ceiling)}, rate), settle + measured);
  const std::unique_ptr<Device> device = subject.make(alone.settings);
  const Row out = run(*device, {tone}, 1)[0];
  const std::vector<double> steady(out.end() - static_cast<std::ptrdiff_t>(measured), out.end());
  return analysis::fit_sine(steady, hz / rate, 15).thd();
}
/// Everything but two tones that the limiter makes of them, in dB below them: one near the low edge of the way's band,
/// one 2.6 times as high and four times as strong, their crest 6 dB over the threshold. Were they equal, or close, any
/// limiter would follow their beat; one that lets go within the lower tone's own period follows the wave.
struct TwoTones {
  double low_hz = 0, high_hz = 0, added_db = 0;
};
TwoTones two_tones_of(const Subject& subject, std::size_t output, std::optional<double> release_s = {},
                      std::optional<double> hold_s = {}) {
  constexpr double kRatio = 29.0 / 11, kStrength = 4, kPeriods = 11, kLeastFrames = 4096;
  const OutputPlan& plan = subject.compiled.outputs[output];
  const double rate = subject.rig.controller.sample_rate_hz;
  LimitersAlone alone(subject.compiled.settings(), output, false);
  dsp::PeakLimiterSettings& peak = alone.output.peak;
  if (release_s && !dsp::keep_per_sample(*release_s, rate, peak.release_keep)) return {};
  if (hold_s) peak.hold_samples = static_cast<std::uint32_t>(frames_in(*hold_s, rate));
  const double low = std::min(std::max(plan.low_edge_hz, 20.0), 0.3 * rate);
  const double high = plan.high_edge_hz > low ? plan.high_edge_hz : 0.3 * rate;
  const double wanted_hz = low * std::clamp(std::sqrt(high / (low * kRatio)), 1.0, std::numbers::sqrt2);
  // Both on lines of one window, so that what they are is told apart from what is added without a fit.
  const auto length = static_cast<std::size_t>(std::max(std::round(kPeriods * rate / wanted_hz), kLeastFrames));
  const double line = rate / static_cast<double>(length), highest = std::floor(kDetectorBand * rate / line);
  const double low_line = std::min(std::round(wanted_hz / line), highest - 2);
  const double high_line = std::min(std::round(low_line * kRatio), highest);
  TwoTones tones{.low_hz = low_line * line, .high_hz = high_line * line};
  const double crest = 2 * static_cast<double>(peak.ceiling), strong = crest * kStrength / (1 + kStrength);
  const std::size_t settle = 64 + peak.look_ahead_samples + peak.hold_samples + length;
  const Row in = samples_of(stimuli::multi_tone({{.frequency_hz = tones.low_hz, .amplitude = crest - strong},
                                                 {.frequency_hz = tones.high_hz, .amplitude = strong}},
                                                rate),
                            settle + length);
  const std::unique_ptr<Device> device = subject.make(alone.settings);
  const Row out = run(*device, {in}, 1)[0];
  const std::vector<double> steady(out.end() - static_cast<std::ptrdiff_t>(length), out.end());
  double energy = 0;
  for (const double x : steady) energy += x * x;
  const double both[] = {tones.low_hz, tones.high_hz};
  double wanted = 0;
  for (const auto& value : spectrum(steady, both, rate)) wanted += 2 * std::norm(value) / static_cast<double>(length);
  tones.added_db = 0.5 * finite_db(std::max(energy - wanted, 0.0) / std::max(wanted, 1e-300));
  return tones;
}

/// The shortest of a coarse row of releases, from `from_s` on, with which `clean` holds; it is asked for seconds.
template <class Clean>
std::optional<double> clean_release(double from_s, Clean&& clean) {
  constexpr double kLongest_s = 5;  // a rig file takes no longer one
  for (double s = std::max(from_s, 1e-3); s < kLongest_s; s *= 1.25) {
    const double digit = std::pow(10, std::floor(std::log10(s)) - 1), round_s = std::ceil(s / digit) * digit;
    if (clean(round_s)) return round_s;
  }
  return {};
}
Change release_change(const OutputPlan& plan, double release_s) {
  return {key(plan, "limit.release"), fmt::format("\"{:g} ms\"", 1e3 * release_s)};
}
Change hold_change(const OutputPlan& plan, double hold_s) {
  return {key(plan, "limit.hold"), fmt::format("\"{:.3g} ms\"", 1e3 * hold_s)};
}
constexpr double kLongestHold_s = 0.2;  ///< that a rig file takes

Finding release_finding(const Subject& subject, std::size_t output) {
  const OutputPlan& plan = subject.compiled.outputs[output];
  const double set = way_of(subject, plan).limit->release_s, measured = release_of(subject, output, set);
  const double sample_s = 1.0 / subject.rig.controller.sample_rate_hz;
  const double hz = std::clamp(plan.low_edge_hz, 20.0, 0.2 / sample_s), distortion = distortion_of(subject, output, hz);
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
    f.measured = 100 * distortion;
    f.allowed = 100 * kMostDistortion;
    f.unit = "%";
    const std::optional<double> enough =
        clean_release(set, [&](double s) { return distortion_of(subject, output, hz, s) <= kMostDistortion; });
    const Change hold = hold_change(plan, std::min(0.5 / hz, kLongestHold_s));
    f.text += fmt::format(
        "Above {:g} % (our limit) a low note is distorted and its harmonics reach the drivers: the gain "
        "follows the wave itself. ",
        100 * kMostDistortion);
    f.change = enough ? release_change(plan, *enough) : hold;
    f.text += enough ? fmt::format("Set {} or longer, or a {} of half a period, {:.3g} ms.", line_of(*f.change),
                                   key(plan, "limit.hold"), 500 / hz)
                     : fmt::format("Set {}, half a period.", line_of(hold));
  }
  return f;
}

Finding tone_finding(const Subject& subject, std::size_t output) {
  const OutputPlan& plan = subject.compiled.outputs[output];
  const rig::Limit& limit = *way_of(subject, plan).limit;
  const TwoTones tones = two_tones_of(subject, output);
  Finding f{.id = "limiter-tone",
            .output = plan.name,
            .holds = tones.added_db <= kMostAdded_db,
            .measured = tones.added_db,
            .allowed = kMostAdded_db,
            .unit = "dB",
            .accepted = {},
            .text = fmt::format("Of two tones in the way's band, {:.4g} and {:.4g} Hz, 6 dB over the threshold, the "
                                "limiter makes other tones {:.1f} dB below them. ",
                                tones.low_hz, tones.high_hz, -tones.added_db)};
  if (f.holds) {
    f.text += "Limited, it still sounds like what is played.";
    return f;
  }
  f.text += fmt::format(
      "More than {:g} dB below them is heard as roughness, and reaches drivers that are not meant to play it: with a "
      "release of {:.4g} ms and a hold of {:.4g} ms the gain follows the wave itself. ",
      -kMostAdded_db, 1e3 * limit.release_s, 1e3 * limit.hold_s);
  if (const auto enough = clean_release(
          limit.release_s, [&](double s) { return two_tones_of(subject, output, s).added_db <= kMostAdded_db; })) {
    f.change = release_change(plan, *enough);
    f.text += fmt::format("Set {} or longer.", line_of(*f.change));
    return f;
  }
  for (const double periods : {0.5, 1.0, 2.0}) {
    const double hold_s = std::min(periods / std::max(plan.low_edge_hz, 20.0), kLongestHold_s);
    if (two_tones_of(subject, output, {}, hold_s).added_db > kMostAdded_db) continue;
    f.change = hold_change(plan, hold_s);
    f.text += fmt::format("Set {}.", line_of(*f.change));
    return f;
  }
  f.text += "No release and no hold mends it, and so no line of the file: do not use this build.";
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

namespace {

/// Of a way whose own filters leave so little in its band that nothing brings it to its threshold.
Finding unreachable(const Subject& subject, const OutputPlan& plan, const Onset& onset) {
  const double most_dbfs = finite_db(static_cast<double>(dsp::kMagnitudeBound));
  const auto parts = parts_of_path(subject.rig, subject.venue, plan.way_index, plan.feed);
  const double rate_hz = subject.rig.controller.sample_rate_hz;
  const std::string takes = what_takes(parts, onset.hz, rate_hz);
  const PathPart* eq = strongest_eq(parts, onset.hz, rate_hz, -1);
  const bool mends = eq != nullptr && onset.needed_dbfs + eq->level_db(onset.hz, rate_hz) < most_dbfs - 1;
  return {.id = "limit-onset",
          .output = plan.name,
          .holds = false,
          .measured = std::min(onset.needed_dbfs, 400.0),
          .allowed = most_dbfs,
          .unit = "dBFS",
          .accepted = {},
          .text = fmt::format(
              "At {}, in the band that its points and its high-pass give it, {} hardly plays: a sine of {:.0f} dBFS "
              "would be needed to bring it to its threshold of {:.1f} V, and no more than {:+.0f} can come in. {}. "
              "Take it out, or move the point.",
              hertz_text(onset.hz), plan.name, std::min(onset.needed_dbfs, 400.0), plan.limit_volts_peak, most_dbfs,
              takes.empty() ? "Its gains take it all" : "There " + takes),
          .change = mends ? std::optional(Change{eq->key, ""}) : std::nullopt};
}

}  // namespace

std::vector<Finding> check_limit_onset(const Subject& subject) {
  Altered peak_only(subject.compiled.settings());
  for (dsp::OutputSettings& o : peak_only.outputs) o.power.enabled = false;
  const std::unique_ptr<Device> limited = subject.make(peak_only.settings);
  const std::unique_ptr<Device> unlimited = subject.make(subject.unlimited.settings());
  return for_limited(subject, [&](std::size_t o) {
    const OutputPlan& plan = subject.compiled.outputs[o];
    std::vector<Onset> onsets;
    for (const double share : {0.0, 0.5, 1.0}) {
      if (subject.brief && share != 0.5) continue;
      const double hz = in_band_hz(subject, plan, share);
      if (onsets.empty() || hz > onsets.back().hz) onsets.push_back(onset_of(subject, *limited, *unlimited, o, hz));
    }
    const auto beyond = std::ranges::find(onsets, false, &Onset::reachable);
    if (beyond != onsets.end()) return unreachable(subject, plan, *beyond);
    std::erase_if(onsets, [](const Onset& onset) { return !onset.read; });
    Finding f{.id = "limit-onset",
              .output = plan.name,
              .holds = true,
              .measured = 0,
              .allowed = kOnsetToleranceDb,
              .unit = "dB",
              .accepted = {},
              .text = {}};
    if (onsets.empty()) {
      f.judged = false;
      f.text = fmt::format(
          "Cannot be judged: the band of {} lies above {:g} of the sample rate, where the limiter's detector claims "
          "nothing about the wave between samples; peak-limit judges the samples.",
          plan.name, kDetectorBand);
      return f;
    }
    const Onset& worst = *std::ranges::max_element(onsets, {}, &Onset::excess_db);
    f.holds = worst.holds();
    f.measured = worst.off_db;
    f.allowed = worst.off_db < 0 && !f.holds ? -worst.early_db : worst.late_db;
    f.text = fmt::format(
        "A swelling sine in the band is first touched {:+.3f} dB from the threshold of {:.1f} V peak (the farthest of "
        "{}, at {:.0f} Hz; from {:+.2f} to {:+.2f} dB may be). ",
        worst.off_db, plan.limit_volts_peak, onsets.size(), worst.hz, -worst.early_db, worst.late_db);
    f.text += f.holds ? "The limiter begins where it is set."
                      : "The limiter does not begin where it is set: early, it dulls what is allowed; late, it lets "
                        "through too much. No line of the file mends that: do not use this build.";
    return f;
  });
}

std::vector<Finding> check_transparent_below(const Subject& subject) {
  constexpr double kBelowDb = 1;
  const double rate = subject.rig.controller.sample_rate_hz, seconds = subject.brief ? 0.05 : 1;
  const std::size_t feeds = subject.rig.feeds.size(), outputs = subject.compiled.outputs.size();
  // What a limiter sees while the last sample leaves that is compared, must have left where its level is measured.
  const std::size_t latest = latest_samples(subject.compiled);
  const std::unique_ptr<Device> limited = subject.make(subject.compiled.settings());
  const std::unique_ptr<Device> unlimited = subject.make(subject.unlimited.settings());
  // Within the band of the limiter's detector, which reads such a wave at most 0.4 dB high (its claim 3).
  const std::vector<double> band = stimuli::take(stimuli::click({.at = 64, .amplitude = 0.75, .band = 0.75}), 129);
  Rows programme;
  for (std::size_t f = 0; f < feeds; ++f) {
    const std::vector<double> noise =
        stimuli::take(stimuli::filtered(stimuli::pink_noise(rate, 21 + static_cast<std::uint32_t>(f)),
                                        stimuli::programme_sections(rate)),
                      frames_in(seconds, rate) + 2 * latest);
    const std::vector<double> limited_noise = analysis::convolve(noise, band);
    programme.emplace_back(limited_noise.begin(), limited_noise.begin() + static_cast<std::ptrdiff_t>(noise.size()));
  }
  // As it is first measured, no output may be beyond what the core carries: cut off there it would seem less than it is.
  double bound = 1;
  for (const WorstInput& worst : worst_inputs_of(subject)) bound = std::max(bound, worst.bound);
  double loudest_feed = 1e-30;
  for (const Row& row : programme) loudest_feed = std::max(loudest_feed, greatest_magnitude(row));
  const double room = static_cast<double>(dsp::kMagnitudeBound) / (bound * loudest_feed);
  if (room < 1)
    for (Row& row : programme) row = scaled(std::move(row), room);
  loudest_feed = 1e-30;
  for (const Row& row : programme) loudest_feed = std::max(loudest_feed, greatest_magnitude(row));
  const double most = static_cast<double>(dsp::kMagnitudeBound) / loudest_feed;
  const Rows at_unity = run(*unlimited, programme, outputs);
  Altered peak_settings(subject.compiled.settings());
  for (dsp::OutputSettings& o : peak_settings.outputs) o.power.enabled = false;
  const std::unique_ptr<Device> peak_only = subject.make(peak_settings.settings);
  return for_limited(subject, [&](std::size_t o) {
    const OutputPlan& plan = subject.compiled.outputs[o];
    const auto changed_at = [&](Device& device, double highest) {
      Rows quiet;
      // No hotter than the core carries: beyond, it is the bound that would be seen.
      const double level = std::min(highest * analysis::ratio_from_db(-kBelowDb), most);
      for (const Row& row : programme) quiet.push_back(scaled(row, level));
      const auto of = [&](Device& ran) {
        Row heard = run(ran, quiet, outputs)[o];
        heard.resize(heard.size() - latest);
        return Rows{std::move(heard)};
      };
      return differing(of(device), of(*unlimited));
    };
    // A way above that band has little of it: what the detector claims of every wave counts there (its claim 1).
    constexpr double kMostOfSamples = 2.2042;
    const double sample = greatest_magnitude(at_unity[o]);
    const double crest = plan.low_edge_hz < 0.9 * kDetectorBand * rate ? std::max(wave_crest(at_unity[o]), sample)
                                                                       : kMostOfSamples * sample;
    const double to_peak = threshold_of(plan) / std::max(crest, 1e-30);
    std::size_t changed = changed_at(*peak_only, to_peak);
    // And both limiters: no heat of the signal is above the mean square of its loudest cell, wherever cells begin.
    double loudest = 0, sum = 0;
    for (std::size_t n = 0; n < at_unity[o].size(); ++n) {
      sum += std::pow(static_cast<double>(at_unity[o][n]), 2);
      if (n >= dsp::kGridFrames) sum -= std::pow(static_cast<double>(at_unity[o][n - dsp::kGridFrames]), 2);
      loudest = std::max(loudest, sum / dsp::kGridFrames);
    }
    const double rms = plan.thermal_volts_rms.value_or(1e300) / plan.full_scale_volts_peak;
    // Nor may a crest pass as far as a whole cell of it would heat a fast coil: the power limiter's claim 2.
    const double cells = subject.rig.driver_of(way_of(subject, plan)).thermal_time_s * rate / dsp::kGridFrames;
    const double highest = rms * std::sqrt(0.07 / -std::expm1(-1 / cells));
    const double to_power = std::min(rms / std::sqrt(std::max(loudest, 1e-60)), highest / std::max(crest, 1e-30));
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
                                  "they change what should pass as it is. No line of the file mends "
                                  "that: do not use this build.",
                                  kBelowDb, changed)};
  });
}

std::vector<Finding> check_limiter_tone(const Subject& subject) {
  return for_limited(subject, [&](std::size_t o) { return tone_finding(subject, o); });
}

std::vector<Finding> check_release(const Subject& subject) {
  return for_limited(subject, [&](std::size_t o) { return release_finding(subject, o); });
}

}  // namespace rackproof::proof
