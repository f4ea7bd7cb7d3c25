/// The four ceilings: what a sample may reach, what the wave between samples may reach, what the converter passes and
/// what the amplifier passes. All are read from one run over the hottest signals there are, full scale and 12 dB
/// beyond.
#include <algorithm>
#include <cmath>
#include <functional>
#include <limits>
#include <numbers>

#include <fmt/format.h>

#include "dsp/design/time_constants.hpp"
#include "dsp/grid.hpp"
#include "harness/analysis/bands.hpp"
#include "harness/analysis/decibels.hpp"
#include "harness/analysis/fourier.hpp"
#include "harness/proof/checks/checks.hpp"
#include "harness/proof/measured_once.hpp"
#include "harness/proof/stimulation.hpp"
#include "harness/stimuli/noise.hpp"
#include "harness/stimuli/tones.hpp"

namespace rackproof::proof {
namespace {

/// The limiter reads every wave limited to 0.42 of the sample rate within this: claim 3 of its detector.
constexpr double kDetectorBoundDb = 0.4;
/// What is proposed where nothing stands in the file: lets pass what lies between samples, and a rating that is only
/// nominal.
constexpr double kProposedMarginDb = 2;

struct Stimulus {
  std::string name;
  bool in_detector_band = false;
  Row samples;
  bool between_samples = false;  ///< made for the wave between them: counts where the limiter does not watch it
};

/// The signs of a sinc half a sample off: of all samples within full scale those whose wave swings the furthest between
/// two of them. Farther away they add little.
Row signs_of_an_interpolation() {
  constexpr std::size_t kReach = 32;
  Row row(2 * kReach);
  for (std::size_t n = 0; n < kReach; ++n) row[kReach + n] = row[kReach - 1 - n] = n % 2 == 0 ? 1.0f : -1.0f;
  return row;
}

constexpr const char* kSigns = "samples made to swing the furthest between two of them";

std::vector<Stimulus> hot_signals(double rate, bool brief) {
  using namespace stimuli;
  const auto frames = [&](double seconds) { return static_cast<std::size_t>(seconds * rate); };
  std::vector<Stimulus> list;
  // A tone that begins or ends dead is not band-limited: what is to be fades in and out.
  const auto add = [&](std::string name, bool in_band, Signal signal, double seconds) {
    if (in_band) signal = faded(std::move(signal), frames(seconds), frames(0.01));
    list.push_back({std::move(name), in_band, samples_of(signal, frames(seconds) + (in_band ? 64 : 0))});
  };
  if (brief) {
    for (const double hz : {80.0, 0.05 * rate, 0.3 * rate})
      add(fmt::format("a sine at {:.4g} Hz", hz), true, sine({.frequency_hz = hz * 1.00173}, rate), 0.03);
    add("a hard square at 203 Hz", false, square({.frequency_hz = 203}, rate), 0.02);
    add("white noise", false, clipped(uniform_noise(7), 1), 0.02);
    list.push_back({.name = kSigns, .samples = signs_of_an_interpolation(), .between_samples = true});
    return list;
  }
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
  add("white noise, all of it clipped", false, maximum_length_sequence(15), 0.3);
  const std::vector<double> band = stimuli::take(click({.at = 64, .amplitude = 1, .band = 0.75}), 129);
  std::vector<double> noise = analysis::convolve(stimuli::take(uniform_noise(8), frames(0.5)), band);
  double crest = 0;
  for (const double x : noise) crest = std::max(crest, std::abs(x));
  for (double& x : noise) x /= crest;
  add("band-limited noise", true, playback(std::move(noise)), 0.5);
  for (const double fraction : {0.0, 0.25, 0.5, 0.75})
    add(fmt::format("a click {:g} of a sample behind a sample", fraction), true,
        click({.at = 1024 + fraction, .band = 0.75}), 0.05);
  list.push_back({.name = kSigns, .samples = signs_of_an_interpolation(), .between_samples = true});
  return list;
}

struct Crest {
  double height = 0;
  std::string by = "silence";
  void see(double candidate, const std::string& name) {
    if (candidate > height) {
      height = candidate;
      by = name;
    }
  }
};
struct Reached {
  Crest sample, wave, wave_in_band;
  Crest unwatched_wave;  ///< of `wave`, and of signals that count where the limiter does not watch the wave
};

class Run {
 public:
  explicit Run(const Subject& subject)
      : subject_(subject),
        device_(subject.make(subject.compiled.settings())),
        late_(latest_samples(subject.compiled)),
        reached_(subject.compiled.outputs.size()) {}

  std::vector<Reached> all() {
    const rig::Controller& controller = subject_.rig.controller;
    const std::size_t feeds = subject_.rig.feeds.size(), outputs = reached_.size();
    for (Stimulus& stimulus : hot_signals(controller.sample_rate_hz, subject_.brief)) {
      stimulus.samples.resize(stimulus.samples.size() + late_ + 64);  // until the last of it has left the latest output
      for (const double over_db : {0.0, 12.0})
        for (const Feeding feeding : {Feeding::together, Feeding::opposed, Feeding::one}) {
          if (feeds == 1 && feeding != Feeding::together) continue;
          if (subject_.brief && (over_db == 0 || feeding == Feeding::opposed)) continue;
          const double over = analysis::ratio_from_db(over_db);
          const auto name = [&] {
            return fmt::format("{}, {}{}", stimulus.name, over_db > 0 ? "12 dB over full scale, " : "",
                               name_of(feeding));
          };
          const Rows out = run(*device_, fed(scaled(stimulus.samples, over), feeds, feeding), outputs);
          if (stimulus.between_samples)
            see_between_samples(out, name);
          else
            see(out, stimulus.in_detector_band ? over : kNotInBand, name);
        }
    }
    const std::vector<WorstInput>& worst = worst_inputs_of(subject_);
    for (std::size_t o = 0; o < outputs; ++o) {
      Rows feeds_then_quiet = worst[o].feeds;
      for (Row& row : feeds_then_quiet) row.resize(row.size() + subject_.compiled.latency_samples + 64, 0.0f);
      see(run(*device_, feeds_then_quiet, outputs), kNotInBand,
          [&] { return "the worst case of " + subject_.compiled.outputs[o].name; });
    }
    for (const std::filesystem::path& file : subject_.programmes) programme(file);
    return std::move(reached_);
  }
  /// The greatest in the detector's band that the waves of output `o` reach where its limiter is given time: 5 ms of
  /// look-ahead, a release of 100 ms.
  double unhurried_wave(std::size_t o) {
    Altered unhurried(subject_.compiled.settings());
    dsp::OutputSettings& output = unhurried.outputs[o];
    const double rate = subject_.rig.controller.sample_rate_hz;
    output.peak.look_ahead_samples = static_cast<std::uint32_t>(0.005 * rate);
    if (!dsp::keep_per_sample(0.1, rate, output.peak.release_keep)) return 0;
    device_ = subject_.make(unhurried.settings);
    reached_.assign(reached_.size(), {});
    return all()[o].wave_in_band.height;
  }

 private:
  static constexpr double kNotInBand = std::numeric_limits<double>::infinity();
  /// `in_band_peak`: of a signal that lies in the detector's band; it stays there as long as the core need not bound it.
  template <class Name>
  void see(const Rows& out, double in_band_peak, Name&& name) {
    const double carried = static_cast<double>(dsp::kMagnitudeBound);
    for (std::size_t o = 0; o < out.size(); ++o) {
      WaveCrest crest;
      crest.add(out[o]);
      note(o, greatest_magnitude(out[o]), crest.greatest(),
           in_band_peak * worst_inputs_of(subject_)[o].bound <= carried, name());
    }
  }
  template <class Name>
  void see_between_samples(const Rows& out, Name&& name) {
    for (std::size_t o = 0; o < out.size(); ++o) reached_[o].unwatched_wave.see(wave_crest(out[o]), name());
  }
  void note(std::size_t o, double sample, double wave, bool in_band, const std::string& name) {
    reached_[o].sample.see(sample, name);
    reached_[o].wave.see(wave, name);
    reached_[o].unwatched_wave.see(wave, name);
    if (in_band) reached_[o].wave_in_band.see(wave, name);
  }
  void programme(const std::filesystem::path& file) {
    audio::FeedStream stream = open_programme(subject_, file);
    constexpr std::size_t kChunk = 16384;
    Rows in(stream.tracks(), Row(kChunk));
    std::vector<WaveCrest> waves(reached_.size());
    std::vector<double> samples(reached_.size(), 0.0);
    device_->reset();
    for (std::size_t silent = 0; silent <= late_;) {
      std::vector<float*> tracks;
      for (Row& row : in) {
        row.assign(kChunk, 0.0f);
        tracks.push_back(row.data());
      }
      silent += kChunk - stream.read(tracks, kChunk);
      const Rows out = run_on(*device_, in, reached_.size());
      for (std::size_t o = 0; o < out.size(); ++o) {
        waves[o].add(out[o]);
        samples[o] = std::max(samples[o], greatest_magnitude(out[o]));
      }
    }
    for (std::size_t o = 0; o < reached_.size(); ++o)
      note(o, samples[o], waves[o].greatest(), false, file.filename().string());
  }

  const Subject& subject_;
  std::unique_ptr<Device> device_;
  std::size_t late_;  ///< samples after which all outputs have begun to answer
  std::vector<Reached> reached_;
};

/// One output's four lines.
struct Judge {
  const OutputPlan& plan;
  const rig::Way& way;
  const Reached& reached;
  /// `Run::unhurried_wave` of this output; asked for where the wave is over what is allowed.
  std::function<double()> unhurried_wave;

  double threshold() const { return plan.limit_volts_peak / plan.full_scale_volts_peak; }
  double clip() const { return plan.clip_volts_peak / plan.full_scale_volts_peak; }
  bool limited() const { return way.limit.has_value(); }
  bool watched() const { return limited() && way.limit->true_peak; }
  const Crest& wave() const { return watched() ? reached.wave : reached.unwatched_wave; }
  bool margin() const { return limited() && plan.limit_volts_peak < plan.clip_volts_peak * (1 - 1e-9); }
  /// The line that brings the threshold down by `excess_db`, whatever set it.
  Change lowered_by(double excess_db) const {
    if (!limited()) return {key(plan, "limit"), fmt::format("{{ below_clip = \"{:g} dB\" }}", kProposedMarginDb)};
    const double below = plan.clip_dbfs_peak - plan.limit_dbfs_peak + std::max(excess_db, 0.0);
    return {key(plan, "limit.below_clip"), "\"" + decibels_text(below + 0.05) + "\""};
  }
  std::string lower_by(double excess_db) const { return line_of(lowered_by(excess_db)); }
  /// What holds a wave that is so much too high.
  std::string hold_the_wave(double excess_db) const {
    const std::string lower = lower_by(excess_db);
    return limited() && !watched() ? fmt::format("{} = true, or {}", key(plan, "limit.true_peak"), lower) : lower;
  }
  Change some_margin() const {
    if (!limited()) return lowered_by(0);
    return {key(plan, "limit.below_clip"), fmt::format("\"{:g} dB\"", kProposedMarginDb)};
  }
  std::string no_margin() const {
    if (!limited())
      return fmt::format(
          "{} has no peak limiter: the first hot signal drives its amplifier into clip, and a clipped "
          "amplifier gives the driver more power than it is rated for. Set {}.",
          plan.name, line_of(some_margin()));
    return fmt::format(
        "The threshold of {} stands at the amplifier's clip itself: no margin for what lies between "
        "samples, nor for a rating that is only nominal. Set {}.",
        plan.name, line_of(some_margin()));
  }
  Finding finding(const char* id, bool holds, double measured, double allowed, const char* unit, std::string text,
                  std::optional<Change> change = {}) const {
    return {.id = id,
            .output = plan.name,
            .holds = holds,
            .measured = measured,
            .allowed = allowed,
            .unit = unit,
            .accepted = {},
            .text = std::move(text),
            .change = std::move(change)};
  }

  Finding converter_clip() const {
    // A limiter that watches the wave holds it within its detector's bound, which the true-peak check is about: what is
    // left to judge is the samples. One that does not lets the wave pass full scale unheld.
    const Crest& worst = watched() || reached.sample.height >= wave().height ? reached.sample : wave();
    const bool holds = worst.height <= 1.0;
    const double db = finite_db(worst.height);
    std::string text = fmt::format("Hottest sample {:+.2f} dBFS, hottest wave between samples {:+.2f} dBFS (by {}). ",
                                   finite_db(reached.sample.height), finite_db(wave().height), worst.by);
    text += holds ? "The converter is not driven over its full scale."
                  : fmt::format("The converter clips, and what it clips is harsh and hot. Set {}.", lower_by(db));
    return finding("converter-clip", holds, db, 0, "dBFS", std::move(text),
                   holds ? std::nullopt : std::optional(lowered_by(db)));
  }
  Finding amplifier_clip() const {
    const double measured = volts(plan, wave().height);
    const bool holds = margin() && measured < plan.clip_volts_peak;
    const double excess = finite_db(measured / plan.clip_volts_peak);
    std::string text = fmt::format(
        "The hottest wave makes {:.1f} V peak at the amplifier (by {}); it clips at {:.1f} V peak "
        "into {:g} ohm. ",
        measured, wave().by, plan.clip_volts_peak, plan.load_ohm);
    if (holds)
      text += fmt::format("{:.1f} dB are left.", -excess);
    else if (!margin())
      text += no_margin();
    else
      text += fmt::format("A clipped amplifier burns drivers. Set {}.", hold_the_wave(excess));
    return finding("amplifier-clip", holds, measured, plan.clip_volts_peak, "V peak", std::move(text),
                   holds ? std::nullopt : std::optional(margin() ? lowered_by(excess) : some_margin()));
  }
  Finding peak_limit() const {
    // The core's ceiling is the threshold as a single, never rounded upwards: what is left is the division's own ulp.
    const bool held = reached.sample.height <= threshold() * (1 + 1e-12);
    const bool holds = held && margin();
    std::string text = fmt::format(
        "Of all signals none puts a sample above {:+.2f} dBFS, {:.1f} V peak (by {}); the threshold "
        "is {:+.2f} dBFS, {:.1f} V peak, set by the {}. ",
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
    return finding("peak-limit", holds, finite_db(reached.sample.height), plan.limit_dbfs_peak, "dBFS", std::move(text),
                   margin() ? std::nullopt : std::optional(some_margin()));
  }
  struct Bound {
    const char* what = "";
    double dbfs = 0;
  };
  /// What the wave between samples must not pass.
  Bound bound_of_the_wave() const {
    if (watched()) return {"the threshold", plan.limit_dbfs_peak + kDetectorBoundDb};
    Bound lowest{"the converter's full scale", 0};
    if (plan.clip_dbfs_peak < lowest.dbfs) lowest = {"the amplifier's clip", plan.clip_dbfs_peak};
    if (plan.driver_peak_volts > 0) {  // as far over it as a limiter that watches the wave may let it
      const double dbfs = finite_db(plan.driver_peak_volts / plan.full_scale_volts_peak) + kDetectorBoundDb;
      if (dbfs < lowest.dbfs) lowest = {"the peak power of its driver", dbfs};
    }
    return lowest;
  }
  Finding true_peak() const {
    const Crest& worst = watched() ? reached.wave_in_band : wave();
    const double measured = finite_db(worst.height);
    const auto [bound, allowed] = bound_of_the_wave();
    const bool holds = watched() ? measured <= allowed : measured < allowed;
    std::string text =
        fmt::format("The wave that the converter makes reaches {:+.2f} dBTP (by {}). ", measured, worst.by);
    if (watched()) {
      text += fmt::format(
          "The limiter watches the wave: up to {:g} of the sample rate it holds it within {:g} dB of its "
          "threshold of {:+.2f} dBFS. ",
          kDetectorBand, kDetectorBoundDb, plan.limit_dbfs_peak);
      if (!holds) return hurried(measured, allowed, std::move(text));
    } else {
      text += fmt::format(
          "The limiter of {} watches the samples, not the wave between them: what counts here is {}, {:+.2f} dBFS. ",
          plan.name, bound, allowed);
      if (!holds) text += fmt::format("Set {}.", hold_the_wave(measured - allowed));
    }
    std::optional<Change> change;
    if (!holds) change = lowered_by(limited() ? measured - allowed : 0);
    return finding("true-peak", holds, measured, allowed, "dBTP", std::move(text), std::move(change));
  }
  /// A gain that moves within the wave itself makes swings that no reading of the wave ahead of it can know: given
  /// time, the same limiter must hold them.
  Finding hurried(double measured, double allowed, std::string text) const {
    std::optional<Change> change;
    if (finite_db(unhurried_wave()) <= allowed) {
      change = {key(plan, "limit.release"), "\"100 ms\""};
      text += fmt::format(
          "It did not, for its times are so short that the gain moves within the wave: a look-ahead of {:.3g} ms and a "
          "release of {:.3g} ms. With 5 ms and 100 ms it does. Set {} and {} = \"5 ms\".",
          1e3 * way.limit->look_ahead_s, 1e3 * way.limit->release_s, line_of(*change), key(plan, "limit.look_ahead"));
    } else {
      text += "It did not: do not drive loudspeakers with this build.";
    }
    return finding("true-peak", false, measured, allowed, "dBTP", std::move(text), std::move(change));
  }
};

}  // namespace

std::vector<Finding> check_ceilings(const Subject& subject) {
  const std::vector<Reached> reached = Run(subject).all();
  std::vector<Finding> findings;
  for (std::size_t o = 0; o < reached.size(); ++o) {
    const OutputPlan& plan = subject.compiled.outputs[o];
    const Judge judge{plan, way_of(subject, plan), reached[o], [&] { return Run(subject).unhurried_wave(o); }};
    findings.push_back(judge.converter_clip());
    findings.push_back(judge.amplifier_clip());
    findings.push_back(judge.peak_limit());
    findings.push_back(judge.true_peak());
  }
  return findings;
}

}  // namespace rackproof::proof
