/// The four ceilings: what a sample may reach, what the wave between samples may reach, what the converter passes and
/// what the amplifier passes. All are read from one run over the hottest signals there are, full scale and 12 dB
/// beyond.
#include <algorithm>
#include <cmath>
#include <numbers>

#include <fmt/format.h>

#include "harness/analysis/bands.hpp"
#include "harness/analysis/decibels.hpp"
#include "harness/analysis/fourier.hpp"
#include "harness/proof/checks/checks.hpp"
#include "harness/proof/stimulation.hpp"
#include "harness/stimuli/noise.hpp"
#include "harness/stimuli/tones.hpp"

namespace rackproof::proof {
namespace {

/// The limiter reads every wave limited to 0.42 of the sample rate within this: claim 3 of its detector.
constexpr double kDetectorBoundDb = 0.4, kDetectorBand = 0.42;
/// What is proposed where nothing stands in the file: lets pass what lies between samples, and a rating that is only
/// nominal.
constexpr double kProposedMarginDb = 2;

struct Stimulus {
  std::string name;
  bool in_detector_band = false;
  Row samples;
};

std::vector<Stimulus> hot_signals(double rate) {
  using namespace stimuli;
  const auto frames = [&](double seconds) { return static_cast<std::size_t>(seconds * rate); };
  std::vector<Stimulus> list;
  // A tone that begins or ends dead is not band-limited: what is to be fades in and out.
  const auto add = [&](std::string name, bool in_band, Signal signal, double seconds) {
    if (in_band) signal = faded(std::move(signal), frames(seconds), frames(0.01));
    list.push_back({std::move(name), in_band, samples_of(signal, frames(seconds) + (in_band ? 64 : 0))});
  };
  for (const double hz : analysis::log_frequencies(20, kDetectorBand * rate, 2))
    add(fmt::format("a sine at {:.4g} Hz", hz), true, sine({.frequency_hz = hz * 1.00173}, rate), hz < 100 ? 0.3 : 0.1);
  add("a sine at a quarter of the sample rate, its crests between samples", true,
      sine({.frequency_hz = rate / 4, .phase_rad = std::numbers::pi / 4}, rate), 0.1);
  for (const double hz : {41.0, 203.0, 1009.0, 5003.0}) {
    std::vector<Tone> harmonics;
    for (int k = 1; k * hz < kDetectorBand * rate; k += 2)
      harmonics.push_back({.frequency_hz = k * hz, .amplitude = 4 / (std::numbers::pi * k)});
    add(fmt::format("a band-limited square at {:g} Hz", hz), true, multi_tone(harmonics, rate), 0.15);
    add(fmt::format("a hard square at {:g} Hz", hz), false, square({.frequency_hz = hz}, rate), 0.15);
    add(fmt::format("bursts at {:g} Hz", hz), false,
        burst({.tone = {.frequency_hz = hz}, .frames = frames(0.05), .period_frames = frames(0.12)}, rate), 0.3);
  }
  add("a step", false, step(frames(0.05), 0, 1), 0.3);
  add("a step from one end to the other", false, step(frames(0.05), -1, 1), 0.3);
  add("white noise", false, clipped(uniform_noise(7), 1), 0.5);
  const std::vector<double> band = stimuli::take(click({.at = 64, .amplitude = 1, .band = 0.75}), 129);
  std::vector<double> noise = analysis::convolve(stimuli::take(uniform_noise(8), frames(0.5)), band);
  double crest = 0;
  for (const double x : noise) crest = std::max(crest, std::abs(x));
  for (double& x : noise) x /= crest;
  add("band-limited noise", true, playback(std::move(noise)), 0.5);
  for (const double fraction : {0.0, 0.25, 0.5, 0.75})
    add(fmt::format("a click {:g} of a sample behind a sample", fraction), true,
        click({.at = 1024 + fraction, .band = 0.75}), 0.05);
  return list;
}

struct Crest {
  double height = 0;
  std::string by = "silence";
  void see(double candidate, const std::string& name) {
    if (candidate > height) height = candidate, by = name;
  }
};
struct Reached {
  Crest sample, wave, wave_in_band;
};

class Run {
 public:
  explicit Run(const Subject& subject)
      : subject_(subject),
        device_(subject.make(subject.compiled.settings())),
        reached_(subject.compiled.outputs.size()) {}

  std::vector<Reached> all() {
    const rig::Controller& controller = subject_.rig.controller;
    const std::size_t feeds = subject_.rig.feeds.size(), outputs = reached_.size();
    for (const Stimulus& stimulus : hot_signals(controller.sample_rate_hz))
      for (const double over_db : {0.0, 12.0})
        for (const Feeding feeding : {Feeding::together, Feeding::opposed, Feeding::one}) {
          if (feeds == 1 && feeding != Feeding::together) continue;
          const Row hot = scaled(stimulus.samples, analysis::ratio_from_db(over_db));
          see(run(*device_, fed(hot, feeds, feeding), outputs), stimulus.in_detector_band, [&] {
            return fmt::format("{}, {}{}", stimulus.name, over_db > 0 ? "12 dB over full scale, " : "",
                               name_of(feeding));
          });
        }
    const std::vector<WorstInput> worst = worst_inputs(subject_);
    for (std::size_t o = 0; o < outputs; ++o) {
      Rows feeds_then_quiet = worst[o].feeds;
      for (Row& row : feeds_then_quiet) row.resize(row.size() + subject_.compiled.latency_samples + 64, 0.0f);
      see(run(*device_, feeds_then_quiet, outputs), false,
          [&] { return "the worst case of " + subject_.compiled.outputs[o].name; });
    }
    for (const std::filesystem::path& file : subject_.programmes) programme(file);
    return std::move(reached_);
  }

 private:
  template <class Name>
  void see(const Rows& out, bool in_band, Name&& name) {
    for (std::size_t o = 0; o < out.size(); ++o) {
      WaveCrest crest;
      crest.add(out[o]);
      note(o, greatest_magnitude(out[o]), crest.greatest(), in_band, name());
    }
  }
  void note(std::size_t o, double sample, double wave, bool in_band, const std::string& name) {
    reached_[o].sample.see(sample, name);
    reached_[o].wave.see(wave, name);
    if (in_band) reached_[o].wave_in_band.see(wave, name);
  }
  void programme(const std::filesystem::path& file) {
    audio::FeedStream stream = open_programme(subject_, file);
    constexpr std::size_t kChunk = 16384;
    Rows in(stream.tracks(), Row(kChunk));
    std::vector<WaveCrest> waves(reached_.size());
    std::vector<double> samples(reached_.size(), 0.0);
    device_->reset();
    for (bool more = true; more;) {
      std::vector<float*> tracks;
      for (Row& row : in) row.assign(kChunk, 0.0f), tracks.push_back(row.data());
      more = stream.read(tracks, kChunk) == kChunk;
      const Rows out = run_on(*device_, in, reached_.size());
      for (std::size_t o = 0; o < out.size(); ++o)
        waves[o].add(out[o]), samples[o] = std::max(samples[o], greatest_magnitude(out[o]));
    }
    for (std::size_t o = 0; o < reached_.size(); ++o)
      note(o, samples[o], waves[o].greatest(), false, file.filename().string());
  }

  const Subject& subject_;
  std::unique_ptr<Device> device_;
  std::vector<Reached> reached_;
};

/// One output's four lines.
struct Judge {
  const OutputPlan& plan;
  const rig::Way& way;
  const Reached& reached;

  double threshold() const { return plan.limit_volts_peak / plan.full_scale_volts_peak; }
  double clip() const { return plan.clip_volts_peak / plan.full_scale_volts_peak; }
  bool limited() const { return way.limit.has_value(); }
  bool margin() const { return limited() && plan.limit_volts_peak < plan.clip_volts_peak * (1 - 1e-9); }
  /// The line that brings the threshold down by `excess_db`, whatever set it.
  std::string lower_by(double excess_db) const {
    if (!limited()) return fmt::format("{} = {{ below_clip = \"{:g} dB\" }}", key(plan, "limit"), kProposedMarginDb);
    const double below = plan.clip_dbfs_peak - plan.limit_dbfs_peak + std::max(excess_db, 0.0);
    return fmt::format("{} = \"{}\"", key(plan, "limit.below_clip"), decibels_text(below + 0.05));
  }
  std::string no_margin() const {
    if (!limited())
      return fmt::format(
          "{} has no peak limiter: the first hot signal drives its amplifier into clip, and a clipped "
          "amplifier gives the driver more power than it is rated for. Set {}.",
          plan.name, lower_by(0));
    return fmt::format(
        "The threshold of {} stands at the amplifier's clip itself: no margin for what lies between "
        "samples, nor for a rating that is only nominal. Set {} = \"{:g} dB\".",
        plan.name, key(plan, "limit.below_clip"), kProposedMarginDb);
  }
  Finding finding(const char* id, bool holds, double measured, double allowed, const char* unit,
                  std::string text) const {
    return {.id = id,
            .output = plan.name,
            .holds = holds,
            .measured = measured,
            .allowed = allowed,
            .unit = unit,
            .accepted = {},
            .text = std::move(text)};
  }

  Finding converter_clip() const {
    // A limiter that watches the wave holds it within its detector's bound, which the true-peak check is about: what is
    // left to judge is the samples. One that does not lets the wave pass full scale unheld.
    const bool watched = limited() && way.limit->true_peak;
    const Crest& worst = watched || reached.sample.height >= reached.wave.height ? reached.sample : reached.wave;
    const bool holds = worst.height <= 1.0;
    const double db = finite_db(worst.height);
    std::string text = fmt::format("Hottest sample {:+.2f} dBFS, hottest wave between samples {:+.2f} dBFS (by {}). ",
                                   finite_db(reached.sample.height), finite_db(reached.wave.height), worst.by);
    text += holds ? "The converter is not driven over its full scale."
                  : fmt::format("The converter clips, and what it clips is harsh and hot. Set {}.", lower_by(db));
    return finding("converter-clip", holds, db, 0, "dBFS", std::move(text));
  }
  Finding amplifier_clip() const {
    const double measured = volts(plan, reached.wave.height);
    const bool holds = margin() && measured < plan.clip_volts_peak;
    const double excess = finite_db(measured / plan.clip_volts_peak);
    std::string text = fmt::format(
        "The hottest wave makes {:.1f} V peak at the amplifier (by {}); it clips at {:.1f} V "
        "into {:g} ohm. ",
        measured, reached.wave.by, plan.clip_volts_peak, plan.load_ohm);
    if (holds)
      text += fmt::format("{:.1f} dB are left.", -excess);
    else if (!margin())
      text += no_margin();
    else
      text += fmt::format("A clipped amplifier burns drivers. Set {}.", lower_by(excess));
    return finding("amplifier-clip", holds, measured, plan.clip_volts_peak, "V", std::move(text));
  }
  Finding peak_limit() const {
    // The core's ceiling is the threshold as a single, never rounded upwards: what is left is the division's own ulp.
    const bool held = reached.sample.height <= threshold() * (1 + 1e-12);
    const bool holds = held && margin();
    std::string text = fmt::format(
        "Of all signals none puts a sample above {:+.2f} dBFS, {:.1f} V (by {}); the threshold "
        "is {:+.2f} dBFS, {:.1f} V, set by the {}. ",
        finite_db(reached.sample.height), volts(plan, reached.sample.height), reached.sample.by, plan.limit_dbfs_peak,
        plan.limit_volts_peak, name_of(plan.limited_by));
    if (!margin())
      text += no_margin();
    else if (!held)
      text +=
          "The limiter lets through more than it was set to. No line of the file mends that: do not drive "
          "loudspeakers with this build.";
    else
      text += "The limiter holds.";
    return finding("peak-limit", holds, finite_db(reached.sample.height), plan.limit_dbfs_peak, "dBFS",
                   std::move(text));
  }
  Finding true_peak() const {
    const bool watched = limited() && way.limit->true_peak;
    const Crest& wave = watched ? reached.wave_in_band : reached.wave;
    const double measured = finite_db(wave.height);
    const double allowed = watched ? plan.limit_dbfs_peak + kDetectorBoundDb : std::min(plan.clip_dbfs_peak, 0.0);
    const bool holds = watched ? measured <= allowed : measured < allowed;
    std::string text =
        fmt::format("The wave that the converter makes reaches {:+.2f} dBTP (by {}). ", measured, wave.by);
    if (watched) {
      text += fmt::format(
          "The limiter watches the wave: up to {:g} of the sample rate it holds it within {:g} dB of its "
          "threshold of {:+.2f} dBFS. ",
          kDetectorBand, kDetectorBoundDb, plan.limit_dbfs_peak);
      if (!holds) text += "It did not: do not drive loudspeakers with this build.";
    } else {
      text += fmt::format(
          "The limiter of {} watches the samples, not the wave between them: what counts here is what "
          "clips first, at {:+.2f} dBFS. ",
          plan.name, allowed);
      if (!holds && limited())
        text += fmt::format("Set {} = true, or {}.", key(plan, "limit.true_peak"), lower_by(measured - allowed));
      else if (!holds)
        text += fmt::format("Set {}.", lower_by(0));
    }
    return finding("true-peak", holds, measured, allowed, "dBTP", std::move(text));
  }
};

}  // namespace

std::vector<Finding> check_ceilings(const Subject& subject) {
  const std::vector<Reached> reached = Run(subject).all();
  std::vector<Finding> findings;
  for (std::size_t o = 0; o < reached.size(); ++o) {
    const OutputPlan& plan = subject.compiled.outputs[o];
    const Judge judge{plan, way_of(subject, plan), reached[o]};
    findings.push_back(judge.converter_clip());
    findings.push_back(judge.amplifier_clip());
    findings.push_back(judge.peak_limit());
    findings.push_back(judge.true_peak());
  }
  return findings;
}

}  // namespace rackproof::proof
