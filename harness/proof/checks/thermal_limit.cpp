/// What heats a voice coil: whether the power limiter holds its heat against hostile power, in squares of volts and in
/// the coil's kelvin, takes nothing that the coil may have, and lets a lasting sine have nearly all of it.
#include <algorithm>
#include <array>
#include <cmath>
#include <complex>
#include <functional>
#include <map>
#include <numbers>
#include <span>
#include <tuple>
#include <utility>

#include <fmt/format.h>

#include "harness/analysis/decibels.hpp"
#include "harness/analysis/levels.hpp"
#include "harness/analysis/phasor.hpp"
#include "harness/proof/checks/checks.hpp"
#include "harness/proof/impulse_response.hpp"
#include "harness/proof/measured_once.hpp"
#include "harness/proof/stimulation.hpp"
#include "harness/proof/thermal_model.hpp"
#include "harness/stimuli/noise.hpp"
#include "harness/stimuli/tones.hpp"

namespace rackproof::proof {
namespace {

constexpr double kMostHeat = 1.01;        // of the threshold's square
constexpr double kMostKelvin = 1.01;      // of the rise at the continuous rating
constexpr double kSettlesBelow_db = 0.3;  // what a lasting sine may fall short of the threshold by
/// For what is measured: a second of a sine, and a true-peak detector that reads a little high.
constexpr double kMeasured_db = 0.05;
constexpr double kSteps_db[] = {3, 6, 12, 24};
/// The most that one part of the stimulus takes, and a burst of it; the loudest step takes what it needs to heat the coil.
constexpr double kMostSeconds = 20, kMostBurst_s = 4;

// ---- hostile power --------------------------------------------------------------------------------------------------

/// A part of the stimulus, at a level over the threshold's RMS.
struct Part {
  double seconds = 0, over_db = 0;
  std::size_t on_frames = 0, off_frames = 0;  ///< bursts, where `off_frames` is not 0
  bool noise = false;                         ///< pink, its crest 12 dB over its RMS; else a sine
};
using Parts = std::vector<Part>;

/// What heats the coil, and what the peak limiter lets a sine do to it.
struct Coil {
  double tau_s = 0, rate_hz = 0;
  double most_db = 0;  ///< a sine's RMS over the threshold where its crest reaches the peak limiter's ceiling
  bool brief = false;  ///< a second of each stimulus at most: for tests with many rigs
  /// Until a sine from cold has heated it to `share` of the threshold's square; at most 3 thermal times.
  double heating_s(double over_db, double share) const {
    const double power = analysis::power_from_db(std::min(over_db, most_db));
    return power > share ? std::min(-tau_s * std::log1p(-share / power), 3 * tau_s) : 3 * tau_s;
  }
};

/// To just below the threshold, as fast as the peak limiter lets it.
Parts warmed_up(const Coil& coil, std::vector<Part> then) {
  Parts parts{{.seconds = coil.heating_s(12, 0.85), .over_db = 12},
              {.seconds = std::min(2 * coil.tau_s, 10.0), .over_db = -0.1}};
  parts.insert(parts.end(), then.begin(), then.end());
  return parts;
}
std::vector<Parts> hostile_power(const Coil& coil) {
  const double tau_s = coil.tau_s, rate_hz = coil.rate_hz;
  std::vector<Parts> all;
  for (const double over_db : kSteps_db) {
    // The loudest goes on until a limiter that allows a quarter more heat would have shown it.
    const double needs_s = over_db == std::ranges::max(kSteps_db) ? coil.heating_s(over_db, 1.25) : 0;
    all.push_back({{.seconds = std::min(3 * tau_s, std::max(kMostSeconds, needs_s)), .over_db = over_db}});
    all.push_back(warmed_up(coil, {{.seconds = std::min(2 * tau_s, 10.0), .over_db = over_db}}));
  }
  // As loud as the core carries, from one sample to the next: nearest to the bound, where the ceiling is far above.
  all.push_back(warmed_up(coil, {{.seconds = std::min(tau_s, 2.0), .over_db = 60}}));
  const auto on = static_cast<std::size_t>(std::round(std::min(tau_s, kMostBurst_s) * rate_hz));
  for (const double over_db : {6.0, 12.0, 24.0})
    all.push_back({{.seconds = 13.0 * static_cast<double>(on) / rate_hz,
                    .over_db = over_db,
                    .on_frames = on,
                    .off_frames = 5 * on}});
  // Cells of the core's grid, and bursts that fall across its points.
  for (const std::size_t frames : {std::size_t{dsp::kGridFrames}, std::size_t{50}})
    all.push_back(warmed_up(
        coil, {{.seconds = std::min(2 * tau_s, 10.0), .over_db = 24, .on_frames = frames, .off_frames = 5 * frames}}));
  for (const double over_db : {6.0, 12.0})
    all.push_back({{.seconds = std::min(6 * tau_s, kMostSeconds), .over_db = over_db, .noise = true}});
  if (coil.brief)
    for (Parts& stimulus : all)
      for (Part& part : stimulus) part.seconds = std::min(part.seconds, 1.0 / static_cast<double>(stimulus.size()));
  return all;
}

Coil coil_of(const Subject& subject, std::size_t o) {
  const OutputPlan& plan = subject.compiled.outputs[o];
  return {.tau_s = subject.rig.driver_of(way_of(subject, plan)).thermal_time_s,
          .rate_hz = static_cast<double>(subject.rig.controller.sample_rate_hz),
          .most_db = finite_db(plan.limit_volts_peak / (std::numbers::sqrt2 * *plan.thermal_volts_rms)),
          .brief = subject.brief};
}

/// What one output's limiters are driven with.
class Feed {
 public:
  Feed(std::span<const float> noise, double threshold, double cycles_per_sample)
      : noise_(noise), threshold_(threshold), cycles_(cycles_per_sample) {}
  /// Frames `from` on of a part.
  void fill(const Part& part, std::size_t from, std::span<float> row) const {
    const double rms = threshold_ * analysis::ratio_from_db(part.over_db);
    const std::size_t period = part.off_frames > 0 ? part.on_frames + part.off_frames : 0;
    for (std::size_t done = 0; done < row.size();) {
      const std::size_t n = from + done;
      const std::size_t in_period = period > 0 ? n % period : 0;
      const bool on = period == 0 || in_period < part.on_frames;
      const std::size_t until_change = period == 0 ? row.size() : (on ? part.on_frames : period) - in_period;
      const std::size_t count = std::min(until_change, row.size() - done);
      const auto piece = row.subspan(done, count);
      if (!on)
        std::ranges::fill(piece, 0.0f);
      else if (part.noise)
        fill_with_noise(n, rms, piece);
      else
        fill_with_sine(n, rms, piece);
      done += count;
    }
  }

 private:
  static float bounded(double x) {
    constexpr auto kMost = static_cast<double>(dsp::kMagnitudeBound);
    return static_cast<float>(std::clamp(x, -kMost, kMost));
  }
  void fill_with_noise(std::size_t n, double rms, std::span<float> row) const {
    std::size_t at = n % noise_.size();
    for (float& x : row) {
      x = bounded(rms * static_cast<double>(noise_[at]));
      if (++at == noise_.size()) at = 0;
    }
  }
  void fill_with_sine(std::size_t n, double rms, std::span<float> row) const {
    analysis::Phasor sine(cycles_, static_cast<double>(n), rms * std::numbers::sqrt2);
    for (float& x : row) {
      x = bounded(sine.im());
      ++sine;
    }
  }

  std::span<const float> noise_;
  double threshold_, cycles_;
};

std::size_t frames_of(const Part& part, double rate) {
  return static_cast<std::size_t>(std::ceil(part.seconds * rate));
}
std::size_t frames_of(const Parts& parts, double rate) {
  std::size_t frames = 0;
  for (const Part& part : parts) frames += frames_of(part, rate);
  return frames;
}
/// The sum in eight strands, which need not wait for one another.
double sum_of_squares(std::span<const float> samples) {
  std::array<double, 8> strand{};
  std::size_t n = 0;
  for (; n + strand.size() <= samples.size(); n += strand.size())
    for (std::size_t s = 0; s < strand.size(); ++s) {
      const double x = static_cast<double>(samples[n + s]);
      strand[s] += x * x;
    }
  double sum = 0;
  for (; n < samples.size(); ++n) sum += static_cast<double>(samples[n]) * static_cast<double>(samples[n]);
  for (const double one : strand) sum += one;
  return sum;
}

/// One stimulus on its way through limiters, and what they let it heat.
class Heating {
 public:
  Heating(Parts stimulus, const rig::Driver& driver, double driver_volts, double rate)
      : stimulus_(std::move(stimulus)),
        left_(frames_of(stimulus_, rate)),
        rate_(rate),
        square_volts_(driver_volts * driver_volts),
        heat_(driver.thermal_time_s, rate),
        model_(driver) {}

  std::size_t frames_left() const { return left_; }
  double seconds() const {
    double sum = 0;
    for (const Part& part : stimulus_) sum += part.seconds;
    return sum;
  }
  double greatest_heat() const { return heat_.greatest(); }
  double greatest_rise_kelvin() const { return model_.greatest_rise_kelvin(); }

  /// The next frames go through `process` from `in` to `out`; behind the end `in` is silent and `out` is not looked at.
  void fill(const Feed& feed, std::span<float> in) {
    pieces_.clear();
    std::size_t done = 0;
    while (done < in.size() && part_ < stimulus_.size()) {
      const std::size_t in_part = frames_of(stimulus_[part_], rate_) - at_;
      const std::size_t count = std::min(in_part, in.size() - done);
      feed.fill(stimulus_[part_], at_, in.subspan(done, count));
      pieces_.push_back(count);
      at_ += count;
      done += count;
      if (count == in_part) {
        ++part_;
        at_ = 0;
      }
    }
    std::ranges::fill(in.subspan(done), 0.0f);
    left_ -= done;
  }
  void take(std::span<const float> out) {
    std::size_t done = 0;
    for (const std::size_t piece : pieces_) {
      const auto heard = out.subspan(done, piece);
      heat_.add(heard);
      for (std::size_t n = 0; n < piece; n += dsp::kGridFrames) {
        const auto cell = heard.subspan(n, std::min<std::size_t>(dsp::kGridFrames, piece - n));
        const auto length = static_cast<double>(cell.size());
        model_.step(sum_of_squares(cell) / length * square_volts_, length / rate_);
      }
      done += piece;
    }
  }

 private:
  Parts stimulus_;
  std::size_t left_, part_ = 0, at_ = 0;
  double rate_, square_volts_;
  Heat heat_;
  CoilModel model_;
  std::vector<std::size_t> pieces_;  ///< of the rows under way: frames of one part each
};

/// The most that any of it heats: as a share of the threshold's square, and in kelvin.
struct Heated {
  double share = 0, kelvin = 0, seconds = 0;
};
/// Eight stimuli at a time, side by side, those of like length together.
Heated heated_by_hostile_power(const Subject& subject, std::size_t o, std::span<const float> noise) {
  constexpr std::size_t kAbreast = 8, kFrames = 4096;
  const OutputPlan& plan = subject.compiled.outputs[o];
  const rig::Driver& driver = subject.rig.driver_of(way_of(subject, plan));
  const double rate = subject.rig.controller.sample_rate_hz;
  const double threshold = *plan.thermal_volts_rms / plan.full_scale_volts_peak;
  const double driver_volts = plan.full_scale_volts_peak * plan.driver_share;
  const LimitersAlone alone(subject.compiled.settings(), o, true);
  const LimitersAbreast abreast(alone, kAbreast);
  const std::unique_ptr<Device> device = subject.make(abreast.settings);
  const Feed feed(noise, threshold, in_band_hz(plan, rate, 0.5) / rate);
  std::vector<Parts> stimuli = hostile_power(coil_of(subject, o));
  std::ranges::stable_sort(stimuli, std::greater<>(), [&](const Parts& parts) { return frames_of(parts, rate); });
  Heated most;
  Rows in(kAbreast, Row(kFrames));
  Rows out(kAbreast, Row(kFrames));
  std::vector<const float*> from;
  std::vector<float*> to;
  for (const Row& row : in) from.push_back(row.data());
  for (Row& row : out) to.push_back(row.data());
  for (std::size_t first = 0; first < stimuli.size(); first += kAbreast) {
    std::vector<Heating> heatings;
    for (std::size_t s = first; s < std::min(first + kAbreast, stimuli.size()); ++s)
      heatings.emplace_back(stimuli[s], driver, driver_volts, rate);
    for (Row& row : in) std::ranges::fill(row, 0.0f);
    device->reset();
    while (heatings.front().frames_left() > 0) {  // the longest
      const std::size_t count = std::min(kFrames, heatings.front().frames_left());
      for (std::size_t s = 0; s < heatings.size(); ++s) heatings[s].fill(feed, std::span(in[s]).first(count));
      device->process(from, to, count);
      for (std::size_t s = 0; s < heatings.size(); ++s) heatings[s].take(std::span(out[s]).first(count));
    }
    for (const Heating& heating : heatings) {
      most.share = std::max(most.share, heating.greatest_heat() / (threshold * threshold));
      most.kelvin = std::max(most.kelvin, heating.greatest_rise_kelvin());
      most.seconds += heating.seconds();
    }
  }
  return most;
}
/// Eight seconds of noise, over and over, serve all outputs.
Row noise_for(const Subject& subject) {
  const double rate = subject.rig.controller.sample_rate_hz;
  const double seconds = subject.brief ? 1 : 8;
  return samples_of(stimuli::with_crest_factor(stimuli::pink_noise(rate, 11), analysis::ratio_from_db(12)),
                    static_cast<std::size_t>(seconds * rate));
}

// ---- what is left alone ---------------------------------------------------------------------------------------------

/// Samples that the power limiter changes of a burst that heats the coil to 0.85 of the threshold's square and of a
/// lasting sine 0.35 dB below it that follows.
std::size_t touched_below(const Subject& subject, std::size_t o) {
  constexpr double kReads_high_db = 0.3;  // the true-peak detector, at most
  const OutputPlan& plan = subject.compiled.outputs[o];
  const Coil coil = coil_of(subject, o);
  // Not beyond what comes in at the most: the core's own threshold is no higher, wherever the volts would put it.
  const double threshold =
      std::min(*plan.thermal_volts_rms / plan.full_scale_volts_peak, static_cast<double>(dsp::kMagnitudeBound));
  const LimitersAlone both(subject.compiled.settings(), o, true), peak(subject.compiled.settings(), o, false);
  const std::unique_ptr<Device> limited = subject.make(both.settings), unheated = subject.make(peak.settings);
  // Not so low that the coil follows the wave: its heat would pass that of the mean.
  const Feed feed({}, threshold, std::max(in_band_hz(plan, coil.rate_hz, 0.5), 10 / coil.tau_s) / coil.rate_hz);
  // Where a cell is a large share of a short thermal time, a crest may pass only as far as a whole cell of it would.
  const double cells = coil.tau_s * coil.rate_hz / dsp::kGridFrames;
  const double burst_db = std::min({6.0, 10 * std::log10(0.06 * cells / 2), coil.most_db - kReads_high_db});
  std::vector<Part> parts;
  if (burst_db > 0.5) parts.push_back({.seconds = coil.heating_s(burst_db, 0.85), .over_db = burst_db});
  parts.push_back({.seconds = std::min(3 * coil.tau_s, kMostSeconds), .over_db = -0.35});
  if (coil.brief)
    for (Part& part : parts) part.seconds = std::min(part.seconds, 1.0);
  std::size_t touched = 0;
  for (const Part& part : parts) {
    Row in(static_cast<std::size_t>(part.seconds * coil.rate_hz));
    feed.fill(part, 0, in);
    touched += differing(run_on(*limited, {in}, 1), run_on(*unheated, {in}, 1));
  }
  return touched;
}

// ---- where it settles -----------------------------------------------------------------------------------------------

/// The end of something that lasts: the last half second, and what the peak limiter says that it takes by then.
struct AtLast {
  double volts = 0;         ///< RMS
  double peak_held_db = 0;  ///< it may not have let go yet
};
AtLast at_last(const Subject& subject, std::size_t o, std::vector<stimuli::Tone> tones, double seconds) {
  const OutputPlan& plan = subject.compiled.outputs[o];
  const double rate = subject.rig.controller.sample_rate_hz;
  const std::size_t outputs = subject.compiled.outputs.size(), feeds = subject.rig.feeds.size();
  const auto chunk = static_cast<std::size_t>(std::round(rate / 2));
  const std::size_t late = first_sample(subject.compiled, plan);
  const std::size_t chunks = (static_cast<std::size_t>(seconds * rate) + late) / chunk + 1;
  const std::unique_ptr<Device> device = subject.make(subject.compiled.settings());
  const stimuli::Signal signal = stimuli::multi_tone(std::move(tones), rate);
  AtLast last;
  device->reset();
  for (std::size_t c = 0; c < chunks; ++c) {
    const Rows out = run_on(*device, fed_to(plan, samples_of(signal, chunk), feeds), outputs);
    const dsp::Meter meter = device->take_meter(o);
    if (c + 1 < chunks) continue;
    last.volts = volts(plan, analysis::levels_of(out[o]).rms());
    last.peak_held_db = -finite_db(static_cast<double>(meter.least_peak_gain));
  }
  // What is asked of an amplifier beyond its clip comes out as a square wave of that height.
  last.volts = std::min(last.volts, plan.clip_volts_peak);
  return last;
}

constexpr double kLastingOver_db = 12, kMostInput = 60;  // the core lets in 63

struct Settled {
  double hz = 0, seconds = 0, over_db = 0;
  double driven_volts = 0;   ///< RMS that the sine would have without limiters
  double reached_volts = 0;  ///< RMS at the end
  double peak_held_db = 0;   ///< what the peak limiter says that it takes by then
};
/// A sine through the whole chain, 12 dB over `target_volts` where the input can be so loud.
Settled settled(const Subject& subject, std::size_t o, double target_volts, double seconds) {
  const OutputPlan& plan = subject.compiled.outputs[o];
  Settled s{.hz = in_band_hz(plan, subject.rig.controller.sample_rate_hz, 0.5), .seconds = seconds};
  const double gain = std::max(gain_at(subject, o, s.hz), 1e-9);
  const double target = std::numbers::sqrt2 * target_volts / plan.full_scale_volts_peak;
  const double amplitude = std::min(target * analysis::ratio_from_db(kLastingOver_db) / gain, kMostInput);
  s.driven_volts = volts(plan, amplitude * gain) / std::numbers::sqrt2;
  s.over_db = finite_db(s.driven_volts / target_volts);
  const AtLast last = at_last(subject, o, {{.frequency_hz = s.hz, .amplitude = amplitude}}, seconds);
  s.reached_volts = last.volts;
  s.peak_held_db = last.peak_held_db;
  return s;
}

/// What the input must be for a flat-topped wave, as of an overdriven desk, to arrive at the driver: `hz` and those of
/// its odd harmonics that the way lets through, with 1/k each, rounded off by C. Lanczos's factors (Applied Analysis,
/// 1956; from memory) so that they do not overshoot, each raised and turned by what the filters take from it. Three
/// harmonics have a crest of 1.2 dB, 32 of 0.3 dB; no wave has less than 0 dB. The fundamental arrives with 1.
std::vector<stimuli::Tone> arriving_flat(const Subject& subject, std::size_t o, double hz) {
  constexpr int kMostHarmonic = 63;
  constexpr double kLetsThrough = 0.25;  // of the fundamental's gain
  const double rate = subject.rig.controller.sample_rate_hz;
  std::vector<double> at_hz{hz};  // it may lie above the detector's band
  for (int k = 3; k <= kMostHarmonic && k * hz < kDetectorBand * rate; k += 2) at_hz.push_back(k * hz);
  const std::vector<std::complex<double>> gains = spectrum(linear_responses(subject)[o], at_hz, rate);
  std::size_t count = 1;
  while (count < gains.size() && std::abs(gains[count]) >= kLetsThrough * std::abs(gains[0])) ++count;
  std::vector<stimuli::Tone> tones;
  double fundamental = 1;
  for (std::size_t n = 0; n < count; ++n) {
    const auto k = static_cast<double>(2 * n + 1);
    const double turn = std::numbers::pi * k / static_cast<double>(2 * count + 1);
    const double arriving = std::sin(turn) / (turn * k);
    if (n == 0) fundamental = arriving;
    tones.push_back({.frequency_hz = at_hz[n],
                     .amplitude = arriving / fundamental / std::max(std::abs(gains[n]), 1e-9),
                     .phase_rad = -std::arg(gains[n])});
  }
  return tones;
}
struct Lasting {
  const char* name = "";
  double hz = 0, reached_volts = 0;
};
/// The one that heats the most: of a sine, which may be louder where the input bounds the harmonics, and of flat-topped
/// waves of a low and of a middle note.
Lasting hottest_lasting(const Subject& subject, std::size_t o, double target_volts) {
  constexpr double kSeconds = 1;
  const OutputPlan& plan = subject.compiled.outputs[o];
  const double target = std::numbers::sqrt2 * target_volts / plan.full_scale_volts_peak;
  const Settled sine = settled(subject, o, target_volts, kSeconds);
  Lasting hottest{"sine", sine.hz, sine.reached_volts};
  for (const double share : {0.0, 0.25, 0.5}) {
    const double hz = in_band_hz(subject, plan, share);
    std::vector<stimuli::Tone> tones = arriving_flat(subject, o, hz);
    double sum = 0;
    for (const stimuli::Tone& tone : tones) sum += tone.amplitude;
    const double amplitude = std::min(target * analysis::ratio_from_db(kLastingOver_db), kMostInput / sum);
    for (stimuli::Tone& tone : tones) tone.amplitude *= amplitude;
    const char* const name = tones.size() > 1 ? "flat-topped wave" : "sine";
    const double reached = at_last(subject, o, std::move(tones), kSeconds).volts;
    if (reached > hottest.reached_volts) hottest = {name, hz, reached};
  }
  return hottest;
}

Finding without_power_limiter(const Subject& subject, std::size_t o) {
  const OutputPlan& plan = subject.compiled.outputs[o];
  const rig::Driver& driver = subject.rig.driver_of(way_of(subject, plan));
  const Lasting hottest = hottest_lasting(subject, o, plan.driver_continuous_volts);
  const double driver_volts = hottest.reached_volts * plan.driver_share;
  Finding f{.id = "thermal-limit",
            .output = plan.name,
            .holds = hottest.reached_volts <= plan.driver_continuous_volts,
            .measured = hottest.reached_volts,
            .allowed = plan.driver_continuous_volts,
            .unit = "V RMS",
            .accepted = {},
            .text = {}};
  f.text = fmt::format(
      "There is no power limiter. A lasting {} at {:.0f} Hz comes out at {:.1f} V RMS, {:.0f} W into each driver, "
      "which takes {:g} W for long. ",
      hottest.name, hottest.hz, hottest.reached_volts, driver_volts * driver_volts / driver.impedance_ohm,
      driver.continuous_power_watts);
  if (f.holds) {
    f.text += "The peak limiter alone keeps it below its rating.";
  } else {
    f.change = {key(plan, "thermal"), "{ below_rating = \"1 dB\" }"};
    f.text += fmt::format("Its voice coil can burn while nothing clips. Set {}.", line_of(*f.change));
  }
  return f;
}

/// What an output's limiters do when they stand alone. Outputs whose limiters, driver and levels are alike, as left and
/// right of a way are, would show the same, sample for sample: that is measured once.
struct Alone {
  Heated heated;
  std::size_t touched = 0;
};
class AloneByOutput {
 public:
  explicit AloneByOutput(const Subject& subject) : subject_(subject) {}
  const Alone& of(std::size_t o) {
    const OutputPlan& plan = subject_.compiled.outputs[o];
    const dsp::OutputSettings& settings = subject_.compiled.settings().outputs[o];
    const dsp::PowerLimiterSettings& power = settings.power;
    const dsp::PeakLimiterSettings& peak = settings.peak;
    const rig::Driver* const driver = &subject_.rig.driver_of(way_of(subject_, plan));
    const double rate = subject_.rig.controller.sample_rate_hz;
    const Key key{std::tuple(power.enabled, power.threshold_rms, power.forget),
                  std::tuple(peak.enabled, peak.ceiling, peak.look_ahead_samples, peak.hold_samples, peak.release_keep,
                             peak.true_peak),
                  std::tuple(driver, *plan.thermal_volts_rms, plan.full_scale_volts_peak, plan.driver_share,
                             plan.limit_volts_peak, in_band_hz(plan, rate, 0.5))};
    const auto known = known_.find(key);
    if (known != known_.end()) return known->second;
    if (noise_.empty()) noise_ = noise_for(subject_);
    const Alone alone{heated_by_hostile_power(subject_, o, noise_), touched_below(subject_, o)};
    return known_.emplace(key, alone).first->second;
  }

 private:
  using Key =
      std::tuple<std::tuple<bool, float, float>, std::tuple<bool, float, std::uint32_t, std::uint32_t, float, bool>,
                 std::tuple<const rig::Driver*, double, double, double, double, double>>;
  const Subject& subject_;
  Row noise_;
  std::map<Key, Alone> known_;
};

Finding thermal_finding(const Subject& subject, std::size_t o, AloneByOutput& alone) {
  const OutputPlan& plan = subject.compiled.outputs[o];
  const rig::Way& way = way_of(subject, plan);
  const rig::Driver& driver = subject.rig.driver_of(way);
  const double target = *plan.thermal_volts_rms, tau = driver.thermal_time_s;
  const auto [heated, touched] = alone.of(o);
  const double settling_s = std::min(4 * tau, subject.brief ? 1 : kMostSeconds);
  const Settled sine = settled(subject, o, target, settling_s);

  // A peak threshold below the crest of that sine holds it lower still, and so may the amplifier's clip: safe, and no
  // fault of the power limiter. Nor is it that a low note's own ripple heats a coil that follows it.
  const double by_peak = way.limit ? plan.limit_volts_peak / std::numbers::sqrt2 : plan.clip_volts_peak;
  const double carried = volts(plan, static_cast<double>(dsp::kMagnitudeBound));
  const double expected = std::min({target, by_peak, sine.driven_volts, carried});
  const bool follows_the_wave = sine.hz * tau < 10;
  // What cannot be driven to within 20 dB of the threshold never meets the power limiter; and a short stimulus ends
  // before a slow coil has settled.
  const bool meets_it = sine.over_db > -20 && (!subject.brief || settling_s >= 4 * tau);
  const double short_by_db = -finite_db(sine.reached_volts / std::max(expected, 1e-9));
  const bool settles =
      follows_the_wave || !meets_it || short_by_db <= kSettlesBelow_db + kMeasured_db + sine.peak_held_db;
  const bool holds_heat = heated.share <= kMostHeat;
  const bool holds_kelvin = heated.kelvin <= kMostKelvin * CoilModel::kRiseAtRatingKelvin;

  Finding f{.id = "thermal-limit",
            .output = plan.name,
            .holds = holds_heat && holds_kelvin && settles && touched == 0,
            .measured = target * std::sqrt(heated.share),
            .allowed = target * std::sqrt(kMostHeat),
            .unit = "V RMS",
            .accepted = {},
            .text = {}};
  const double driver_volts = sine.reached_volts * plan.driver_share;
  f.text = fmt::format(
      "Driven with steps of 3 to 24 dB over the threshold of {:.1f} V RMS, from cold and from just below it, with a "
      "thermal time ({:g} s; at most {:g} s of it) on and five off, with bursts on and off the core's grid of {} frames "
      "and with noise of 12 dB crest, {:.0f} s in all, its heat comes to that of {:.1f} V RMS: {:.1f} % of what is "
      "allowed. The coil gets {:.0f} K above the air by our model, which settles at {:g} K at the driver's rating. A "
      "sine at {:.0f} Hz, {:.3g} dB over, is at {:.1f} V RMS after {:.3g} s: {:.0f} W into each driver, rated for "
      "{:g} W. ",
      target, tau, kMostBurst_s, dsp::kGridFrames, heated.seconds, target * std::sqrt(heated.share),
      100 * heated.share / kMostHeat, heated.kelvin, CoilModel::kRiseAtRatingKelvin, sine.hz, sine.over_db,
      sine.reached_volts, sine.seconds, driver_volts * driver_volts / driver.impedance_ohm,
      driver.continuous_power_watts);
  if (f.holds)
    f.text += by_peak < target ? "The peak limiter holds it lower than the power limiter would."
              : sine.over_db < 0
                  ? "Nothing that can come in brings a sine to its threshold there: the way's filters take it."
                  : "The power limiter holds.";
  else if (!holds_heat || !holds_kelvin)
    f.text +=
        "That is more than it was set to: the voice coil overheats. No line of the file mends that: do not drive "
        "loudspeakers with this build.";
  else if (touched > 0)
    f.text += fmt::format(
        "But it changes {} samples of a signal whose heat stays 0.35 dB and more below the threshold: level is given "
        "away. No line of the file mends that: do not use this build.",
        touched);
  else
    f.text += fmt::format(
        "That is {:.2f} dB less than it was set to: level is given away. No line of the file mends that: do not use "
        "this build.",
        short_by_db);
  return f;
}

}  // namespace

std::vector<Finding> check_thermal_limit(const Subject& subject) {
  AloneByOutput alone(subject);
  std::vector<Finding> findings;
  for (std::size_t o = 0; o < subject.compiled.outputs.size(); ++o) {
    if (!way_of(subject, subject.compiled.outputs[o]).thermal) {
      findings.push_back(without_power_limiter(subject, o));
      continue;
    }
    findings.push_back(thermal_finding(subject, o, alone));
  }
  return findings;
}

}  // namespace rackproof::proof
