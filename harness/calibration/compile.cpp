#include "harness/calibration/compile.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <stdexcept>
#include <utility>

#include <fmt/format.h>

#include "dsp/blocks/delay_line.hpp"
#include "dsp/blocks/peak_limiter.hpp"
#include "dsp/blocks/power_limiter.hpp"
#include "dsp/blocks/section_cascade.hpp"
#include "dsp/blocks/split.hpp"
#include "dsp/chain/limiter_latency.hpp"
#include "dsp/chain/refusal.hpp"
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
  Compiler(const rig::Rig& rig, const rig::Venue* venue, Bypass bypass, std::uint32_t least_latency_samples)
      : rig_(rig),
        venue_(bypass == Bypass::venue || bypass == Bypass::all ? nullptr : venue),
        bypass_(bypass),
        nothing_(bypass == Bypass::all),
        rate_hz_(rig.controller.sample_rate_hz),
        least_latency_(least_latency_samples) {}

  CompiledRig all() {
    count();
    feeds();
    const std::span<const rig::Rig> parts = rig_.parts();
    for (std::size_t p = 0; p < parts.size(); ++p) {
      begin(parts[p]);
      for (std::size_t w = 0; w < parts[p].ways.size(); ++w) outputs(p, w);
    }
    keep_in_step();
    dsp::ChainSettings& settings = made_.settings_;
    settings.sample_rate_hz = rig_.controller.sample_rate_hz;
    settings.latency_samples = made_.latency_samples;
    settings.feeds = made_.feeds_;
    settings.loudspeakers = made_.loudspeakers_;
    settings.outputs = made_.outputs_;
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
    const std::span<const rig::Rig> parts = rig_.parts();
    for (const rig::Rig& part : parts) {
      for (const rig::Way& way : part.ways) outputs += way.outputs(rig_.feeds.size());
      most(part.ways.size(), dsp::kMaxWays, "ways", part.ways.back().source);
    }
    most(rig_.feeds.size(), dsp::kMaxFeeds, "feeds", rig_.feeds.back().source);
    most(parts.size(), dsp::kMaxLoudspeakers, "loudspeakers", parts.back().source);
    most(outputs, dsp::kMaxOutputs, "outputs (ways times feeds)", parts.back().ways.back().source);
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

  /// The system's layer of the plain form lies on the feeds, each loudspeaker's own behind them.
  void feeds() {
    if (venue_ != nullptr) venue_all_ = layer_of(venue_->all);
    Layer system;
    if (rig_.loudspeakers.empty() && rig_.loudspeaker.empty()) system = system_of(rig_);
    for (const rig::Feed& feed : rig_.feeds) {
      Layer own;
      if (venue_ != nullptr)
        if (const auto found = venue_->feed.find(feed.name); found != venue_->feed.end()) own = layer_of(found->second);
      Sections path = venue_all_.sections;
      path.insert(path.end(), own.sections.begin(), own.sections.end());
      path.insert(path.end(), system.sections.begin(), system.sections.end());
      const double gain_db = venue_all_.gain_db + own.gain_db + system.gain_db;
      made_.feeds_.push_back({factor_of(gain_db, feed.source), store(std::move(path))});
      own_.push_back(std::move(own));
    }
    feeds_alike_ = std::adjacent_find(own_.begin(), own_.end(), std::not_equal_to<>()) == own_.end();
  }
  Layer layer_of(const rig::FeedLayer& from) const {
    Layer layer;
    layer.gain_db = from.gain_db;
    append(layer.sections, from.eq);
    return layer;
  }
  Layer system_of(const rig::Rig& part) const {
    Layer layer;
    if (nothing_ || bypass_ == Bypass::system) return layer;
    layer.gain_db = part.system_gain_db;
    append(layer.sections, part.system_eq);
    return layer;
  }

  /// What the ways of one loudspeaker share.
  void begin(const rig::Rig& part) {
    part_ = &part;
    tonight_ = {};
    venue_layer_ = nullptr;
    if (venue_ != nullptr)
      if (const auto found = venue_->loudspeaker.find(part.loudspeaker); found != venue_->loudspeaker.end()) {
        venue_layer_ = &found->second;
        tonight_ = layer_of(found->second);
      }
    system_ = system_of(part);
    std::vector<dsp::PointSettings>& points = made_.point_store_.emplace_back();
    first_loudspeaker_ = made_.loudspeakers_.size();
    if (nothing_) return;
    for (std::size_t p = 0; p < part.points.size(); ++p) {
      const rig::Point& point = part.points[p];
      dsp::PointSettings settings;
      settings.low_pass = store(stored_form(sections_of(point.low, dsp::Pass::low, rate_hz_)));
      settings.high_pass = store(stored_form(sections_of(point.high, dsp::Pass::high, rate_hz_)));
      if (p > 0 && part.phase_matched) {
        const dsp::CrossoverSum sum = sum_of(point, part.ways[p].inverted == part.ways[p + 1].inverted, rate_hz_);
        if (sum.is_all_pass) settings.all_pass = store(stored_form(dsp::rounded(sum.all_pass)));
      }
      points.push_back(settings);
    }
  }
  /// The settings' loudspeaker of this part that takes `source`, made where there is none.
  std::uint8_t loudspeaker_taking(std::int16_t source, const std::vector<float>& mix) {
    for (std::size_t l = first_loudspeaker_; l < made_.loudspeakers_.size(); ++l)
      if (made_.loudspeakers_[l].source == source && std::ranges::equal(made_.loudspeakers_[l].mix, mix))
        return static_cast<std::uint8_t>(l);
    dsp::LoudspeakerSettings made;
    made.source = source;
    if (!mix.empty()) made.mix = made_.mix_store_.emplace_back(mix);
    made.points = made_.point_store_.back();
    if (!part_->loudspeaker.empty()) {
      Sections sections = tonight_.sections;
      sections.insert(sections.end(), system_.sections.begin(), system_.sections.end());
      made.gain = factor_of(tonight_.gain_db + system_.gain_db, part_->source);
      made.sections = store(std::move(sections));
    }
    made_.loudspeakers_.push_back(made);
    if (made_.loudspeakers_.size() > dsp::kMaxLoudspeakers)
      rig::refuse(part_->source, "ways that take more feeds and mixes than the core carries",
                  fmt::format("at most {} of them in all loudspeakers", dsp::kMaxLoudspeakers));
    return static_cast<std::uint8_t>(made_.loudspeakers_.size() - 1);
  }

  void outputs(std::size_t part, std::size_t w) {
    const rig::Way& way = part_->ways[w];
    if (way.sum_of_feeds) {
      output(part, w, dsp::kMeanOfFeeds, nullptr);
    } else if (!way.mix.empty()) {
      output(part, w, dsp::kMixOfFeeds, nullptr);
    } else {
      for (std::size_t f = 0; f < rig_.feeds.size(); ++f) {
        if (!way.only.empty() && std::find(way.only.begin(), way.only.end(), f) == way.only.end()) continue;
        const auto own = way.output.find(rig_.feeds[f].name);
        output(part, w, static_cast<std::int16_t>(f), own == way.output.end() ? nullptr : &own->second);
      }
    }
  }
  /// `own`: what the output has on top of its way's, or null.
  void output(std::size_t part, std::size_t w, std::int16_t source, const rig::OutputLayer* own) {
    const rig::Way& way = part_->ways[w];
    OutputPlan plan;
    plan.loudspeaker = part_->loudspeaker;
    plan.way = way.name;
    plan.part = part;
    plan.way_index = w;
    plan.source = source;
    const std::string box = plan.loudspeaker.empty() ? way.name : plan.loudspeaker + "." + way.name;
    if (source < 0) {
      plan.feed = source == dsp::kMeanOfFeeds ? "sum" : "mix";
      plan.name = box;
    } else {
      plan.feed = rig_.feeds[static_cast<std::size_t>(source)].name;
      plan.name = box + "." + plan.feed;
    }
    if (source == dsp::kMixOfFeeds) {
      plan.mix.assign(rig_.feeds.size(), 0.0);
      for (const rig::MixedFeed& one : way.mix) plan.mix[one.feed] = analysis::ratio_from_db(one.gain_db);
    }
    plan.muted =
        part_->muted || way.muted || (own != nullptr && own->muted) || (venue_layer_ != nullptr && venue_layer_->muted);
    fill_levels(*part_, way, plan);
    plan.low_edge_hz = std::max(w > 0 ? part_->points[w - 1].high.at_hz : 0, way.highpass ? way.highpass->at_hz : 0);
    plan.high_edge_hz = w < part_->points.size() ? part_->points[w].low.at_hz : 0;

    dsp::OutputSettings settings;
    settings.way = static_cast<std::uint8_t>(nothing_ ? 0 : w);
    settings.loudspeaker = loudspeaker_taking(source, {plan.mix.begin(), plan.mix.end()});
    settings.muted = plan.muted;
    double own_gain_db = 0, set_delay_s = part_->delay_s + way.delay_s;
    if (own != nullptr) set_delay_s += own->delay_s;
    if (venue_layer_ != nullptr) set_delay_s += venue_layer_->delay_s;
    if (!nothing_) {
      Sections sections;
      if (way.highpass) append(sections, sections_of(*way.highpass, dsp::Pass::high, rate_hz_));
      append(sections, way.eq);
      own_gain_db = way.gain_db;
      bool inverted = way.inverted;
      plan.delay_s = set_delay_s;
      if (own != nullptr) {
        append(sections, own->eq);
        own_gain_db += own->gain_db;
        inverted = inverted != own->inverted;
      }
      settings.sections = store(std::move(sections));
      plan.polarity = inverted ? -1 : 1;
      settings.gain = static_cast<float>(plan.polarity) * factor_of(own_gain_db, way.source);
    }
    path(plan, settings, way, own_gain_db);
    limiters(plan, settings, way);
    made_.outputs.push_back(std::move(plan));
    made_.outputs_.push_back(settings);
    own_layers_.push_back(own);
    set_delays_s_.push_back(set_delay_s);
  }

  /// The plan of the linear path: for a mix, and for a mean of unlike feeds, what they share, and apart what they do
  /// not.
  void path(OutputPlan& plan, const dsp::OutputSettings& settings, const rig::Way& way, double own_gain_db) const {
    plan.gain_db = nothing_ ? 0 : venue_all_.gain_db + tonight_.gain_db + system_.gain_db + own_gain_db;
    const bool mixed = plan.source == dsp::kMixOfFeeds, mean = plan.source == dsp::kMeanOfFeeds;
    if (!mixed && (!mean || feeds_alike_)) {
      const std::size_t feed = mean ? 0 : static_cast<std::size_t>(plan.source);
      plan.gain_db += own_[feed].gain_db;
      plan.sections = biquads_of(made_.feeds_[feed].sections);
    } else {
      plan.sections = biquads_of(venue_all_.sections);
      if (part_->loudspeaker.empty()) add_biquads(plan.sections, system_.sections);
      for (std::size_t f = 0; f < own_.size(); ++f) {
        const auto share = std::find_if(way.mix.begin(), way.mix.end(), [f](const auto& one) { return one.feed == f; });
        if (mixed && share == way.mix.end()) continue;
        plan.feed_paths.push_back(
            {rig_.feeds[f].name, own_[f].gain_db + (mixed ? share->gain_db : 0), biquads_of(own_[f].sections)});
      }
    }
    const dsp::LoudspeakerSettings& loudspeaker = made_.loudspeakers_[settings.loudspeaker];
    add_biquads(plan.sections, loudspeaker.sections);
    dsp::for_each_part_of_path(loudspeaker.points, plan.way_index,
                               [&](std::span<const dsp::Section> part) { add_biquads(plan.sections, part); });
    add_biquads(plan.sections, settings.sections);
    constexpr std::size_t kMost = dsp::SectionCascade<1>::kMaxSections;
    if (plan.sections.size() > kMost) {
      rig::refuse(way.source, fmt::format("{} filter sections from feed to limiter", plan.sections.size()),
                  fmt::format("at most {}", kMost));
    }
  }

  /// Of gains of several layers together, as the core can hold it.
  static float factor_of(double gain_db, const rig::Source& at) {
    const double most_db = analysis::db_from_ratio(static_cast<double>(dsp::kMostFactor));
    if (gain_db > most_db) {
      rig::refuse(at, fmt::format("gains that add up to {:+.1f} dB", gain_db),
                  fmt::format("at most {:+.0f} dB of system, venue, way and output together", most_db));
    }
    return static_cast<float>(analysis::ratio_from_db(gain_db));
  }

  /// A threshold as a share of full scale, where the core can hold it.
  static float threshold(double share, float least, const rig::Source& at) {
    if (!(share >= static_cast<double>(least))) {
      rig::refuse(at, fmt::format("a threshold of {:.0f} dBFS", analysis::db_from_ratio(share)),
                  fmt::format("at least {:.0f} dBFS: look at the ratings, the gain and output_full_scale",
                              analysis::db_from_ratio(static_cast<double>(least))));
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
      const rig::Driver& driver = part_->driver_of(way);
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
    std::int64_t latency = least_latency_;
    for (std::size_t o = 0; o < made_.outputs.size(); ++o) {
      const Delay& delay = delays.emplace_back(delay_of(o));
      latency = std::max({latency, own_latency(o), own_latency(o) - delay.line()});
    }
    made_.latency_samples = static_cast<std::uint32_t>(latency);
    for (std::size_t o = 0; o < made_.outputs.size(); ++o) {
      OutputPlan& plan = made_.outputs[o];
      dsp::OutputSettings& settings = made_.outputs_[o];
      const Delay delay = nothing_ ? Delay{} : delays[o];
      if (!settings.peak.enabled) settings.peak = {.ceiling = settings.peak.ceiling, .true_peak = false};
      const std::int64_t own = dsp::limiter_latency(settings);
      plan.delay_samples = delay.samples;
      settings.delay.whole_samples = static_cast<std::uint32_t>(latency - own + delay.line());
      settings.delay.fractional = delay.fractional();
      const double fraction = delay.samples - std::floor(delay.samples);
      if (delay.fractional() && !dsp::fractional_delay(fraction, settings.delay.taps))
        throw std::logic_error("a delay that is no number has passed the reader");
    }
  }
  /// Of its limiters, as the file has them, whether they are left out or not; a way without any has none.
  std::int64_t own_latency(std::size_t output) const {
    const OutputPlan& plan = made_.outputs[output];
    const rig::Way& way = rig_.parts()[plan.part].ways[plan.way_index];
    dsp::OutputSettings as_in_file = made_.outputs_[output];
    as_in_file.peak.enabled = way.limit.has_value();
    as_in_file.power.enabled = way.thermal.has_value();
    return dsp::limiter_latency(as_in_file);
  }
  Delay delay_of(std::size_t output) const {
    const OutputPlan& plan = made_.outputs[output];
    const rig::Way& way = rig_.parts()[plan.part].ways[plan.way_index];
    // Room is left for the longest look-ahead of another way.
    constexpr double kMost = dsp::DelayLine::kMaxWholeSamples - 2 * double{dsp::PeakLimiter<1>::kMaxLookAheadSamples};
    const rig::OutputLayer* const own = own_layers_[output];
    const double samples = samples_in(set_delays_s_[output], kMost,
                                      own != nullptr && own->delay_s > 0 ? own->source : way.source, "delay");
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
  const std::uint32_t least_latency_;
  Layer venue_all_;
  std::vector<Layer> own_;  ///< the venue's, by feed
  bool feeds_alike_ = true;
  const rig::Rig* part_ = nullptr;                      ///< the loudspeaker at hand
  const rig::LoudspeakerLayer* venue_layer_ = nullptr;  ///< the venue's for it, or null
  Layer tonight_, system_;                              ///< the venue's and the system's for it
  std::size_t first_loudspeaker_ = 0;                   ///< of the settings, that is of it
  std::vector<const rig::OutputLayer*> own_layers_;     ///< by output, or null
  std::vector<double> set_delays_s_;  ///< by output, as the files say it, also where a bypass leaves it out
  CompiledRig made_;
};

}  // namespace

CompiledRig compile(const rig::Rig& rig, const rig::Venue* venue, Bypass bypass, std::uint32_t least_latency_samples) {
  CompiledRig made = Compiler(rig, venue, bypass, least_latency_samples).all();
  const rig::Venue* const heard = bypass == Bypass::venue || bypass == Bypass::all ? nullptr : venue;
  if (bypass != Bypass::none) {  // warnings are of the files: what a bypass leaves out is missing from neither
    made.warnings = compile(rig, heard, Bypass::none, made.latency_samples).warnings;
    return made;
  }
  if (rig.loudspeakers.empty()) {
    made.warnings = warnings_for(rig, heard, made);
    return made;
  }
  std::vector<PartWarnings> parts;
  for (const rig::Rig& part : rig.loudspeakers)
    parts.push_back({part.loudspeaker, compile(part, venue, bypass, made.latency_samples).warnings});
  made.warnings = warnings_for_all(rig, heard, made, parts);
  return made;
}

}  // namespace rackproof
