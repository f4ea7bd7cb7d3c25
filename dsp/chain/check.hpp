#pragma once
/// What `Chain::configure` looks at before it takes settings: which number it cannot run, and of what.
/// Theorem  settings of which `refusal_of` finds nothing are run by every level, with every block's `configure` saying
///          `ok`: finite output for every input, every sample of an enabled peak limiter at or below its ceiling, which
///          is at most digital full scale. It is cheap: one look at each number.
/// Why so   the harness has said more, in words for a person. Here stands what protects a core from numbers that it cannot
///          run: a list that was put together by hand, a preset of another rate, a flipped bit that made a NaN of
///          a number. Numbers that it can run and that nobody meant, a threshold twice as high, pass here: `is_intact` of
///          preset.hpp sees those, at power-on and ahead of a change.
#include <cstddef>
#include <cstdint>
#include <span>

#include "dsp/blocks/delay_line.hpp"
#include "dsp/blocks/peak_limiter.hpp"
#include "dsp/blocks/power_limiter.hpp"
#include "dsp/blocks/section_cascade.hpp"
#include "dsp/blocks/split.hpp"
#include "dsp/chain/chain_settings.hpp"
#include "dsp/chain/limiter_latency.hpp"
#include "dsp/chain/refusal.hpp"
namespace rackproof::dsp::inline RACKPROOF_LEVEL {

/// The first fault that was found; nothing after it counts.
class SettingsCheck {
 public:
  /// What the sizes of memory hang on, whether each number that points to another part points to one, and every factor.
  constexpr void shape(const ChainSettings& s) noexcept {
    at(Part::chain, 0);
    require(!s.feeds.empty() && s.feeds.size() <= kMaxFeeds, Field::feeds);
    require(s.loudspeakers.size() <= kMaxLoudspeakers, Field::loudspeakers);
    require(!s.outputs.empty() && s.outputs.size() <= kMaxOutputs, Field::outputs);
    if (found_.setup != Setup::ok) return;
    for (std::size_t f = 0; f < s.feeds.size(); ++f) {
      at(Part::feed, f);
      factor(s.feeds[f].gain, Field::gain);
    }
    for (std::size_t l = 0; l < s.loudspeakers.size(); ++l) {
      const LoudspeakerSettings& one = s.loudspeakers[l];
      at(Part::loudspeaker, l);
      require(one.source >= kMixOfFeeds && one.source < static_cast<std::int16_t>(s.feeds.size()), Field::source);
      require(one.mix.size() == (one.source == kMixOfFeeds ? s.feeds.size() : 0), Field::mix);
      for (std::size_t f = 0; f < one.mix.size(); ++f) factor(one.mix[f], Field::mix, f);
      require(one.points.size() < kMaxWays, Field::points);
      factor(one.gain, Field::gain);
    }
    for (std::size_t o = 0; o < s.outputs.size(); ++o) {
      at(Part::output, o);
      const bool there = s.outputs[o].loudspeaker < s.loudspeakers.size();
      require(there, Field::loudspeaker);
      if (there) require(s.outputs[o].way <= s.loudspeakers[s.outputs[o].loudspeaker].points.size(), Field::way);
      factor(s.outputs[o].gain, Field::gain);
    }
  }
  /// Every number, of settings whose shape is right.
  constexpr void numbers(const ChainSettings& s) noexcept {
    at(Part::chain, 0);
    require(s.sample_rate_hz >= kLeastRateHz && s.sample_rate_hz <= kMostRateHz, Field::sample_rate);
    for (std::size_t f = 0; f < s.feeds.size(); ++f) {
      at(Part::feed, f);
      sections(s.feeds[f].sections, Field::section);
    }
    for (std::size_t l = 0; l < s.loudspeakers.size(); ++l) {
      at(Part::loudspeaker, l);
      loudspeaker(s.loudspeakers[l]);
    }
    for (std::size_t o = 0; o < s.outputs.size(); ++o) {
      at(Part::output, o);
      output(s.loudspeakers[s.outputs[o].loudspeaker], s.outputs[o]);
      latency(s, s.outputs[o]);
    }
  }
  constexpr const Refusal& found() const noexcept { return found_; }

 private:
  using Peak = PeakLimiter<1>;
  using Power = PowerLimiter<1>;

  constexpr void at(Part part, std::size_t index) noexcept {
    part_ = part;
    index_ = static_cast<std::uint8_t>(index);
  }
  constexpr void require(bool holds, Field field, std::size_t element = 0) noexcept {
    if (holds || found_.setup != Setup::ok) return;
    found_ = {Setup::out_of_range, part_, index_, field, static_cast<std::uint8_t>(element)};
  }
  /// Every comparison here is false for a NaN.
  static constexpr bool within(float x, float least, float most) noexcept { return x >= least && x <= most; }
  constexpr void factor(float x, Field field, std::size_t element = 0) noexcept {
    require(within(x, -kMostFactor, kMostFactor), field, element);
  }
  static constexpr bool can_run(const Section& s) noexcept {
    const bool mixes = within(s.mix_v, -kMostFactor, kMostFactor) && within(s.mix_1, -kMostFactor, kMostFactor) &&
                       within(s.mix_2, -kMostFactor, kMostFactor);
    return mixes && is_stable(s);
  }
  constexpr void sections(std::span<const Section> list, Field field) noexcept {
    for (std::size_t k = 0; k < list.size(); ++k) require(can_run(list[k]), field, k);
    require(list.size() <= SectionCascade<1>::kMaxSections, field, SectionCascade<1>::kMaxSections - 1);
  }
  constexpr void of_point(std::span<const Section> list, Field field, std::size_t point) noexcept {
    for (const Section& section : list) require(can_run(section), field, point);
    require(list.size() <= SectionCascade<1>::kMaxSections, field, point);
  }
  constexpr void loudspeaker(const LoudspeakerSettings& one) noexcept {
    sections(one.sections, Field::section);
    for (std::size_t p = 0; p < one.points.size(); ++p) {
      of_point(one.points[p].low_pass, Field::low_pass, p);
      of_point(one.points[p].high_pass, Field::high_pass, p);
      of_point(one.points[p].all_pass, Field::all_pass, p);
    }
  }
  constexpr void output(const LoudspeakerSettings& from, const OutputSettings& out) noexcept {
    sections(out.sections, Field::section);
    require(out.sections.size() + sections_of_path(from.points, out.way) <= SectionCascade<1>::kMaxSections,
            Field::section, SectionCascade<1>::kMaxSections - 1);
    require(out.delay.whole_samples <= DelayLine::kMaxWholeSamples, Field::delay);
    if (out.delay.fractional)
      for (std::size_t k = 0; k < out.delay.taps.size(); ++k)
        require(within(out.delay.taps[k], -DelayLine::kMostTap, DelayLine::kMostTap), Field::tap, k);
    require(out.peak.look_ahead_samples <= Peak::kMaxLookAheadSamples, Field::look_ahead);
    require(out.peak.hold_samples <= Peak::kMaxHoldSamples, Field::hold);
    if (out.peak.enabled) {
      require(within(out.peak.ceiling, Peak::kMinCeiling, kMostCeiling), Field::ceiling);
      require(out.peak.release_keep >= 0.0f && out.peak.release_keep < 1.0f, Field::release);
    }
    if (out.power.enabled) {
      require(within(out.power.threshold_rms, Power::kMinThreshold, kMagnitudeBound), Field::power_threshold);
      require(within(out.power.forget, Power::kLeastForget, Power::kMostForget), Field::thermal_time);
    }
  }
  /// No output can be earlier than the latency that the chain is said to have, nor its own limiter later than that.
  constexpr void latency(const ChainSettings& s, const OutputSettings& out) noexcept {
    if (s.latency_samples == 0) return;  // it was not said
    const std::uint32_t of_limiter = limiter_latency(out);
    const std::uint32_t of_taps = out.delay.fractional ? kFractionLatency : 0;
    require(of_limiter <= s.latency_samples, Field::latency);
    require(out.delay.whole_samples + of_taps + of_limiter >= s.latency_samples, Field::latency);
  }

  Refusal found_;
  Part part_ = Part::none;
  std::uint8_t index_ = 0;
};

/// Of the shape alone: what `required_bytes` looks at.
constexpr Refusal shape_refusal_of(const ChainSettings& settings) noexcept {
  SettingsCheck check;
  check.shape(settings);
  return check.found();
}
/// Of everything but the level and the memory.
constexpr Refusal refusal_of(const ChainSettings& settings) noexcept {
  SettingsCheck check;
  check.shape(settings);
  if (check.found().setup == Setup::ok) check.numbers(settings);
  return check.found();
}

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
