#include "harness/calibration/compile.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

#include <fmt/format.h>

#include "dsp/blocks/delay_line.hpp"
#include "dsp/blocks/peak_limiter.hpp"
#include "dsp/blocks/power_limiter.hpp"
#include "dsp/blocks/section_cascade.hpp"
#include "dsp/blocks/split.hpp"
#include "dsp/design/fractional_delay.hpp"
#include "dsp/design/time_constants.hpp"
#include "harness/calibration/filters.hpp"
#include "harness/calibration/levels.hpp"
#include "harness/calibration/warnings.hpp"

namespace rackproof {
namespace {

using Sections = std::vector<dsp::Section>;

/// The nearest single at or below a positive value: a threshold is never rounded up.
float not_above(double value) {
  const float nearest = static_cast<float>(value);
  return static_cast<double>(nearest) > value ? std::nextafter(nearest, 0.0f) : nearest;
}

std::vector<dsp::Biquad> biquads_of(std::span<const dsp::Section> sections) {
  std::vector<dsp::Biquad> list;
  std::transform(sections.begin(), sections.end(), std::back_inserter(list), dsp::biquad_of);
  return list;
}
void add_biquads(std::vector<dsp::Biquad>& list, std::span<const dsp::Section> sections) {
  for (const dsp::Section& s : sections) list.push_back(dsp::biquad_of(s));
}

/// Whole samples and a rest that only taps can make; what is nearer than a millionth to a whole sample is one.
struct Delay {
  double samples = 0;
  bool fractional() const { return samples != std::floor(samples); }
  /// Whole samples that a delay line is left with; below 0 where the taps alone are later than the delay.
  std::int64_t line() const {
    return static_cast<std::int64_t>(samples) - (fractional() ? std::int64_t{dsp::kFractionLatency} : 0);
  }
};

class Compiler {
 public:
  Compiler(const rig::Rig& rig, const rig::Venue* venue, Bypass bypass)
      : rig_(rig),
        venue_(bypass == Bypass::venue || bypass == Bypass::all ? nullptr : venue),
        bypass_(bypass),
        nothing_(bypass == Bypass::all),
        rate_hz_(rig.controller.sample_rate_hz) {}

  CompiledRig all() {
    count();
    layers();
    split();
    for (std::size_t w = 0; w < rig_.ways.size(); ++w) {
      const rig::Way& way = rig_.ways[w];
      if (way.sum_of_feeds) {
        output(w, dsp::kMeanOfFeeds);
      } else {
        for (std::size_t f = 0; f < rig_.feeds.size(); ++f) output(w, static_cast<std::int16_t>(f));
      }
    }
    keep_in_step();
    dsp::ChainSettings& settings = made_.settings_;
    settings.sample_rate_hz = rig_.controller.sample_rate_hz;
    settings.latency_samples = made_.latency_samples;
    settings.feeds = made_.feeds_;
    settings.points = made_.points_;
    settings.outputs = made_.outputs_;
    made_.warnings = warnings_for(rig_, venue_, made_);
    return std::move(made_);
  }

 private:
  /// What a feed passes ahead of the split: the part that all share, and its own.
  struct Layer {
    double gain_db = 0;
    Sections sections;
    friend bool operator==(const Layer&, const Layer&) = default;
  };

  void count() const {
    const auto most = [](std::size_t read, std::size_t right, const char* of, const rig::Source& at) {
      if (read > right) rig::refuse(at, fmt::format("{} {}", read, of), fmt::format("at most {} {}", right, of));
    };
    std::size_t outputs = 0;
    for (const rig::Way& way : rig_.ways) outputs += way.sum_of_feeds ? 1 : rig_.feeds.size();
    most(rig_.ways.size(), dsp::kMaxWays, "ways", rig_.ways.back().source);
    most(rig_.feeds.size(), dsp::kMaxFeeds, "feeds", rig_.feeds.back().source);
    most(outputs, dsp::kMaxOutputs, "outputs (ways times feeds)", rig_.ways.back().source);
  }

  std::span<const dsp::Section> store(Sections sections) {
    return made_.section_store_.emplace_back(std::move(sections));  // its buffer stays where it is, whatever moves
  }
  /// A band of 0 dB is left out: it does nothing, to the bit.
  void append(Sections& to, const std::vector<rig::EqBand>& eq) const {
    for (const rig::EqBand& band : eq) {
      const dsp::Section section = section_of(band, rate_hz_);
      if (section != dsp::Section{}) to.push_back(section);
    }
  }
  static void append(Sections& to, const dsp::SectionList& list) {
    to.insert(to.end(), list.view().begin(), list.view().end());
  }
  Sections stored_form(const dsp::SectionList& list) const {
    Sections sections;
    append(sections, list);
    return sections;
  }

  void layers() {
    if (venue_ != nullptr) venue_all_.gain_db = venue_->all.gain_db, append(venue_all_.sections, venue_->all.eq);
    if (!nothing_ && bypass_ != Bypass::system)
      system_.gain_db = rig_.system_gain_db, append(system_.sections, rig_.system_eq);
    for (const rig::Feed& feed : rig_.feeds) {
      Layer own;
      if (venue_ != nullptr) {
        if (const auto found = venue_->feed.find(feed.name); found != venue_->feed.end()) {
          own.gain_db = found->second.gain_db;
          append(own.sections, found->second.eq);
        }
      }
      Sections path = venue_all_.sections;
      path.insert(path.end(), own.sections.begin(), own.sections.end());
      path.insert(path.end(), system_.sections.begin(), system_.sections.end());
      made_.feeds_.push_back(
          {static_cast<float>(from_db(venue_all_.gain_db + own.gain_db + system_.gain_db)), store(std::move(path))});
      own_.push_back(std::move(own));
    }
    feeds_alike_ = std::adjacent_find(own_.begin(), own_.end(), std::not_equal_to<>()) == own_.end();
  }

  void split() {
    if (nothing_) return;
    for (std::size_t p = 0; p < rig_.points.size(); ++p) {
      const rig::Point& point = rig_.points[p];
      dsp::PointSettings settings;
      settings.low_pass = store(stored_form(sections_of(point.low, dsp::Pass::low, rate_hz_)));
      settings.high_pass = store(stored_form(sections_of(point.high, dsp::Pass::high, rate_hz_)));
      if (p > 0 && rig_.phase_matched) {
        const dsp::CrossoverSum sum = sum_of(point, rig_.ways[p].inverted == rig_.ways[p + 1].inverted, rate_hz_);
        if (sum.is_all_pass) settings.all_pass = store(stored_form(dsp::rounded(sum.all_pass)));
      }
      made_.points_.push_back(settings);
    }
  }

  void output(std::size_t w, std::int16_t source) {
    const rig::Way& way = rig_.ways[w];
    OutputPlan plan;
    plan.way = way.name;
    plan.way_index = w;
    plan.source = source;
    plan.feed = source == dsp::kMeanOfFeeds ? "sum" : rig_.feeds[static_cast<std::size_t>(source)].name;
    plan.name = source == dsp::kMeanOfFeeds ? way.name : way.name + "." + plan.feed;
    fill_levels(rig_, way, plan);
    plan.low_edge_hz = std::max(w > 0 ? rig_.points[w - 1].high.at_hz : 0, way.highpass ? way.highpass->at_hz : 0);
    plan.high_edge_hz = w < rig_.points.size() ? rig_.points[w].low.at_hz : 0;

    dsp::OutputSettings settings;
    settings.way = static_cast<std::uint8_t>(nothing_ ? 0 : w);
    settings.source = source;
    if (!nothing_) {
      Sections sections;
      if (way.highpass) append(sections, sections_of(*way.highpass, dsp::Pass::high, rate_hz_));
      append(sections, way.eq);
      settings.sections = store(std::move(sections));
      plan.polarity = way.inverted ? -1 : 1;
      settings.gain = static_cast<float>(plan.polarity * from_db(way.gain_db));
      plan.delay_s = way.delay_s;
    }
    path(plan, settings, way);
    limiters(plan, settings, way);
    made_.outputs.push_back(std::move(plan));
    made_.outputs_.push_back(settings);
  }

  /// The plan of the linear path: for a mean of unlike feeds what they share, and apart what they do not.
  void path(OutputPlan& plan, const dsp::OutputSettings& settings, const rig::Way& way) const {
    plan.gain_db = nothing_ ? 0 : venue_all_.gain_db + system_.gain_db + way.gain_db;
    if (plan.source != dsp::kMeanOfFeeds || feeds_alike_) {
      const std::size_t feed = plan.source == dsp::kMeanOfFeeds ? 0 : static_cast<std::size_t>(plan.source);
      plan.gain_db += own_[feed].gain_db;
      plan.sections = biquads_of(made_.feeds_[feed].sections);
    } else {
      plan.sections = biquads_of(venue_all_.sections);
      add_biquads(plan.sections, system_.sections);
      for (std::size_t f = 0; f < own_.size(); ++f) {
        plan.feed_paths.push_back({rig_.feeds[f].name, own_[f].gain_db, biquads_of(own_[f].sections)});
      }
    }
    dsp::for_each_part_of_path(made_.points_, plan.way_index,
                               [&](std::span<const dsp::Section> part) { add_biquads(plan.sections, part); });
    add_biquads(plan.sections, settings.sections);
    constexpr std::size_t kMost = dsp::SectionCascade<1>::kMaxSections;
    if (plan.sections.size() > kMost) {
      rig::refuse(way.source, fmt::format("{} filter sections from feed to limiter", plan.sections.size()),
                  fmt::format("at most {}", kMost));
    }
  }

  /// A threshold as a share of full scale, where the core can hold it.
  static float threshold(double share, float least, const rig::Source& at) {
    if (!(share >= static_cast<double>(least))) {
      rig::refuse(at, fmt::format("a threshold of {:.0f} dBFS", to_db(share)),
                  fmt::format("at least {:.0f} dBFS: look at the ratings, the gain and output_full_scale",
                              to_db(static_cast<double>(least))));
    }
    return std::min(dsp::kMagnitudeBound, not_above(share));  // at that bound it never acts, as above it
  }

  void limiters(const OutputPlan& plan, dsp::OutputSettings& settings, const rig::Way& way) const {
    using Peak = dsp::PeakLimiter<1>;
    const bool active = !nothing_ && bypass_ != Bypass::limits;
    dsp::PeakLimiterSettings& peak = settings.peak;
    peak.true_peak = false;
    if (way.limit) {
      const rig::Source& at = way.limit->source;
      peak.enabled = active;
      peak.ceiling =
          std::min(1.0f, threshold(plan.limit_volts_peak / plan.full_scale_volts_peak, Peak::kMinCeiling, at));
      peak.look_ahead_samples = whole_samples(way.limit->look_ahead_s, Peak::kMaxLookAheadSamples, at, "look_ahead");
      peak.hold_samples = whole_samples(way.limit->hold_s, Peak::kMaxHoldSamples, at, "hold");
      peak.true_peak = way.limit->true_peak;
      if (!dsp::keep_per_sample(way.limit->release_s, rate_hz_, peak.release_keep)) {
        refuse(at, "release", way.limit->release_s, "a time from 0 s to 100 s");
      }
    }
    if (way.thermal) {
      const rig::Driver& driver = rig_.driver_of(way);
      dsp::PowerLimiterSettings& power = settings.power;
      power.enabled = active;
      power.threshold_rms = threshold(*plan.thermal_volts_rms / plan.full_scale_volts_peak,
                                      dsp::PowerLimiter<1>::kMinThreshold, way.thermal->source);
      if (!dsp::forget_per_grid(driver.thermal_time_s, rate_hz_, power.forget)) {
        refuse(driver.source, "thermal_time", driver.thermal_time_s, "a time from 0 s to a day");
      }
    }
  }

  /// Theorem: latency = max over outputs of max(own, own + 7 - floor(delay) where taps make its fraction), which is the
  /// least that leaves every delay line at 0 or more when all outputs are to be equally late.
  void keep_in_step() {
    std::vector<Delay> delays;
    std::int64_t latency = 0;
    for (std::size_t o = 0; o < made_.outputs.size(); ++o) {
      const rig::Way& way = rig_.ways[made_.outputs[o].way_index];
      const Delay& delay = delays.emplace_back(delay_of(way));
      latency = std::max({latency, own_latency(o), own_latency(o) - delay.line()});
    }
    made_.latency_samples = static_cast<std::uint32_t>(latency);
    for (std::size_t o = 0; o < made_.outputs.size(); ++o) {
      OutputPlan& plan = made_.outputs[o];
      dsp::OutputSettings& settings = made_.outputs_[o];
      const Delay delay = nothing_ ? Delay{} : delays[o];
      const std::int64_t own = settings.peak.enabled ? own_latency(o) : 0;
      if (!settings.peak.enabled) settings.peak = {.ceiling = settings.peak.ceiling, .true_peak = false};
      plan.delay_samples = delay.samples;
      settings.delay.whole_samples = static_cast<std::uint32_t>(latency - own + delay.line());
      settings.delay.fractional = delay.fractional();
      if (delay.fractional()) settings.delay.taps = dsp::fractional_delay(delay.samples - std::floor(delay.samples));
    }
  }
  /// Of its limiter, which a way without one does not have.
  std::int64_t own_latency(std::size_t output) const {
    const dsp::PeakLimiterSettings& peak = made_.outputs_[output].peak;
    return dsp::PeakLimiter<1>::latency_samples({peak.look_ahead_samples, peak.hold_samples, peak.true_peak});
  }
  Delay delay_of(const rig::Way& way) const {
    // Room is left for the longest look-ahead of another way.
    constexpr double kMost = dsp::DelayLine::kMaxWholeSamples - 2 * double{dsp::PeakLimiter<1>::kMaxLookAheadSamples};
    const double samples = samples_in(way.delay_s, kMost, way.source, "delay");
    const double whole = std::round(samples);
    return {std::abs(samples - whole) < 1e-6 ? whole : samples};
  }

  double samples_in(double time_s, double most, const rig::Source& at, const char* key) const {
    double samples = 0;
    if (!dsp::samples_in(time_s, rate_hz_, samples) || samples > most) {
      refuse(at, key, time_s, fmt::format("0 s to {:.4g} s at {:g} Hz", most / rate_hz_, rate_hz_));
    }
    return samples;
  }
  std::uint32_t whole_samples(double time_s, std::uint32_t most, const rig::Source& at, const char* key) const {
    return static_cast<std::uint32_t>(std::lround(samples_in(time_s, most, at, key)));
  }
  [[noreturn]] static void refuse(rig::Source at, const char* key, double read_s, const std::string& right) {
    at.key += std::string(at.key.empty() ? "" : ".") + key;
    rig::refuse(at, fmt::format("{:g} s", read_s), right);
  }

  const rig::Rig& rig_;
  const rig::Venue* venue_;
  const Bypass bypass_;
  const bool nothing_;
  const double rate_hz_;
  Layer venue_all_, system_;
  std::vector<Layer> own_;  ///< the venue's, by feed
  bool feeds_alike_ = true;
  CompiledRig made_;
};

}  // namespace

CompiledRig compile(const rig::Rig& rig, const rig::Venue* venue, Bypass bypass) {
  return Compiler(rig, venue, bypass).all();
}

}  // namespace rackproof
