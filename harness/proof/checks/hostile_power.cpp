#include "harness/proof/checks/hostile_power.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <functional>
#include <memory>
#include <numbers>
#include <utility>
#include <vector>

#include "harness/analysis/decibels.hpp"
#include "harness/analysis/phasor.hpp"
#include "harness/proof/thermal_model.hpp"
#include "harness/stimuli/noise.hpp"

namespace rackproof::proof {
namespace {

constexpr double kSteps_db[] = {3, 6, 12, 24};

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

}  // namespace

Heated heated_by_hostile_power(const Subject& subject, std::size_t o, std::span<const float> noise) {
  constexpr std::size_t kAbreast = 8, kFrames = 4096;  // eight stimuli at a time, those of like length together
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

Row hostile_noise(const Subject& subject) {
  const double rate = subject.rig.controller.sample_rate_hz;
  const double seconds = subject.brief ? 1 : 8;
  return samples_of(stimuli::with_crest_factor(stimuli::pink_noise(rate, 11), analysis::ratio_from_db(12)),
                    static_cast<std::size_t>(seconds * rate));
}

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

}  // namespace rackproof::proof
