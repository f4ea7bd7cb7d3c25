/// Limiters and delays: thresholds that guard nothing or give the amplifier away, times that a limiter or a loudspeaker
/// cannot have.
#include <algorithm>
#include <functional>
#include <numbers>

#include "harness/calibration/advice.hpp"

#include "harness/analysis/decibels.hpp"

namespace rackproof::advice {
namespace {

using std::numbers::sqrt2;

// Noise of the usual 6 dB crest peaks at twice its RMS; twice the power of that again is far out.
constexpr double kOverContinuous_db = 9.0309;
// A power limiter that far above the loudest sine hardly ever acts: the amplifier makes a quarter of what the driver
// takes, or a figure is wrong. Common practice, no source.
constexpr double kPowerOverPeak_db = 6;
// 24-bit converters have some 110 dB; what is never used of it comes out as noise. Common practice, no source.
constexpr double kLowThreshold_dbfs = -34;
// 6 dB are three quarters of the power. A margin for a driver without peak_power goes down to the peak of its
// continuous sine, not below.
constexpr double kMostBelow_db = 6;

// Common practice, no source: attack a quarter to a whole period of the band's low edge, release 8 to 16 attacks.
constexpr double kLeastLookAhead_periods = 1.0 / 30, kUsualLookAhead_periods = 0.25;
constexpr double kMostLookAhead_periods = 4, kLongLookAhead_s = 5e-3, kLongestLookAhead_s = 12e-3;
constexpr double kLeastRelease_periods = 2;
constexpr double kLongestRelease_s = 1, kLongestHighRelease_s = 0.5, kHighWaysFrom_hz = 500;
constexpr double kLongestHold_s = 50e-3, kMostHold_periods = 2;

// Drivers of one box stand less than a metre apart, subs and flown mains some ten. Common practice, no source.
constexpr double kBoxFrom_hz = 300, kApartInBox_s = 4e-3, kApart_s = 25e-3, kFarthest_s = 0.3;
// The last delayed loudspeakers of large fields stand some 150 m out: 0.44 s. Common practice, no source.
constexpr double kFarthestOfAll_s = 0.5;

// Below it one is not above the other: no rating is that exact.
constexpr double kTellsApart_db = 0.05;

void protection(const Subject& subject, const rig::Way& way, const OutputPlan& plan) {
  const rig::Driver& driver = subject.rig.driver_of(way);
  const rig::Amplifier& amplifier = subject.rig.amplifier_of(way);
  const double sine_volts = plan.limit_volts_peak / sqrt2;  // RMS of the loudest sine that the peak threshold passes
  if (!way.limit) {
    subject.warn(
        "no-limiter",
        "way {} has no peak limiter: nothing keeps amplifier {} from clipping at {:.1f} V peak{}. Give way.{} a "
        "limit, for instance limit = {{ below_clip = \"2 dB\" }}.",
        way.name, amplifier.name, plan.clip_volts_peak,
        plan.driver_peak_volts > 0 &&
                analysis::db_from_ratio(plan.clip_volts_peak / plan.driver_peak_volts) > kTellsApart_db
            ? fmt::format(", above the {:.1f} V peak that driver {} takes", plan.driver_peak_volts, driver.name)
            : "",
        way.name);
  }
  if (!way.thermal && plan.limit_volts_peak > plan.driver_continuous_volts) {
    subject.warn(
        "no-power-limiter",
        "way {} may feed driver {} for any time with {:.1f} V RMS of a clipped signal, {:.1f} V RMS of a sine: {:.1f} dB "
        "above its continuous rating ({:.1f} V RMS). Its coil may burn. Give way.{} a power limiter, thermal = {{ "
        "below_rating = \"1 dB\" }}.",
        way.name, driver.name, plan.limit_volts_peak, sine_volts,
        analysis::db_from_ratio(plan.limit_volts_peak / plan.driver_continuous_volts), plan.driver_continuous_volts,
        way.name);
  }
  if (plan.thermal_volts_rms && plan.limited_by != LimitedBy::driver &&
      analysis::db_from_ratio(*plan.thermal_volts_rms / sine_volts) > kPowerOverPeak_db) {
    subject.warn(
        "power-above-peak",
        "way {}: the power limiter ({:.1f} V RMS) stands {:.0f} dB above what the peak limiter passes of a sine "
        "({:.1f} V RMS), so it never acts. No harm if amplifier {} is that much smaller than driver {}; else look at "
        "below_clip in way.{}.limit and at continuous_power and impedance in driver.{}.",
        way.name, *plan.thermal_volts_rms, analysis::db_from_ratio(*plan.thermal_volts_rms / sine_volts), sine_volts,
        amplifier.name, driver.name, way.name, driver.name);
  }
  const double over_continuous_db = analysis::db_from_ratio(plan.limit_volts_peak / plan.driver_continuous_volts);
  if (!driver.peak_power_watts && over_continuous_db > kOverContinuous_db) {
    subject.warn(
        "amplifier-large",
        "way {}: peaks of {:.1f} V reach driver {}, {:.1f} dB above its continuous volts, and its peak power is not "
        "given: a burst may tear what heat does not burn. Give peak_power in driver.{}, or a larger below_clip in "
        "way.{}.limit.",
        way.name, plan.limit_volts_peak, driver.name, over_continuous_db, driver.name, way.name);
  }
}

void given_away(const Subject& subject, const rig::Way& way, const OutputPlan& plan) {
  const rig::Driver& driver = subject.rig.driver_of(way);
  const rig::Amplifier& amplifier = subject.rig.amplifier_of(way);
  if (plan.limited_by == LimitedBy::converter) {
    subject.warn(
        "converter-below-clip",
        "way {}: the controller's full scale makes {:.1f} V peak, so amplifier {} cannot be driven to its threshold: "
        "{:.1f} dB of it are never used, and the converter clips first without the limiter. Raise output_full_scale in "
        "controller, or the gain of amplifier.{}.",
        way.name, plan.full_scale_volts_peak, amplifier.name,
        plan.clip_dbfs_peak - (way.limit ? way.limit->below_clip_db : 0), amplifier.name);
  }
  if (plan.limit_dbfs_peak < kLowThreshold_dbfs) {
    subject.warn(
        "threshold-low",
        "way {} limits at {:.1f} dBFS: that much of the converter's range is never used, and its noise is that much "
        "louder. Lower output_full_scale in controller, or turn amplifier {} down and fix it there (attenuator, "
        "attenuator_fixed = true).",
        way.name, plan.limit_dbfs_peak, amplifier.name);
  }
  if (way.limit && way.limit->below_clip_db > kMostBelow_db && plan.limited_by == LimitedBy::amplifier &&
      plan.limit_volts_peak < sqrt2 * plan.driver_continuous_volts * (1 - 1e-9)) {
    subject.warn(
        "clip-given-away",
        "way {} stays {:g} dB below the clip of amplifier {}, at {:.1f} V peak: {:.0f} % of its power is never used, "
        "though driver {} takes {:.1f} V peak for long. Usual is 1 to 3 dB. Look at below_clip in way.{}.limit.",
        way.name, way.limit->below_clip_db, amplifier.name, plan.limit_volts_peak,
        100 * (1 - analysis::power_from_db(-way.limit->below_clip_db)), driver.name,
        sqrt2 * plan.driver_continuous_volts, way.name);
  }
  if (way.thermal && way.thermal->below_rating_db > kMostBelow_db) {
    subject.warn(
        "rating-given-away",
        "way {}: the power limiter stands {:g} dB below what driver {} is rated for: {:.0f} % of its power is never "
        "used. Usual is 0 to 3 dB. Look at below_rating in way.{}.thermal, or write the driver's true "
        "continuous_power.",
        way.name, way.thermal->below_rating_db, driver.name,
        100 * (1 - analysis::power_from_db(-way.thermal->below_rating_db)), way.name);
  }
}

}  // namespace

void levels(const Subject& subject) {
  for (std::size_t w = 0; w < subject.rig.ways.size(); ++w) {
    protection(subject, subject.rig.ways[w], subject.output_of(w));
    given_away(subject, subject.rig.ways[w], subject.output_of(w));
  }
}

void limiters(const Subject& subject) {
  for (std::size_t w = 0; w < subject.rig.ways.size(); ++w) {
    const rig::Way& way = subject.rig.ways[w];
    const double low_edge_hz = edges_of(subject, w).low_hz;
    if (!way.limit || low_edge_hz == 0) continue;
    const double period_s = 1 / low_edge_hz, look_ahead_s = way.limit->look_ahead_s, hold_s = way.limit->hold_s;
    const double release_s = way.limit->release_s;
    if (look_ahead_s < kLeastLookAhead_periods * period_s) {
      subject.warn(
          "look-ahead-short",
          "way {}: {:.3g} ms of look-ahead are under a thirtieth of a period at the band's low edge ({}): limiting "
          "there is heard as clicks. Usual is a quarter of a period or more: look_ahead = \"{:.2g} ms\" in "
          "way.{}.limit.",
          way.name, look_ahead_s * 1e3, rig::hertz_text(low_edge_hz), kUsualLookAhead_periods * period_s * 1e3,
          way.name);
    }
    if (look_ahead_s > kLongestLookAhead_s ||
        (look_ahead_s > kLongLookAhead_s && look_ahead_s > kMostLookAhead_periods * period_s)) {
      subject.warn(
          "look-ahead-long",
          "way {}: {:.3g} ms of look-ahead are {:.2g} periods of the band's low edge ({}), and delay every output by "
          "as much. A quarter of a period to two are enough: look_ahead = \"{:.2g} ms\" in way.{}.limit.",
          way.name, look_ahead_s * 1e3, look_ahead_s / period_s, rig::hertz_text(low_edge_hz),
          std::min(10.0, std::max(0.5, kUsualLookAhead_periods * period_s * 1e3)), way.name);
    }
    if (hold_s + release_s < kLeastRelease_periods * period_s) {
      subject.warn(
          "release-short",
          "way {}: hold and release together ({:.3g} ms) are under two periods of the band's low edge ({}): the "
          "limiter follows the wave itself and distorts it. Set release = \"{:.0f} ms\" or more in way.{}.limit.",
          way.name, (hold_s + release_s) * 1e3, rig::hertz_text(low_edge_hz), 2 * period_s * 1e3, way.name);
    }
    const double longest_s = low_edge_hz >= kHighWaysFrom_hz ? kLongestHighRelease_s : kLongestRelease_s;
    if (release_s > longest_s) {
      subject.warn(
          "release-long",
          "way {}: a release of {:.3g} s keeps the band from {} down long after the peak that asked for it. Usual is "
          "50 to 500 ms. Look at release in way.{}.limit; slow protection is what thermal is for.",
          way.name, release_s, rig::hertz_text(low_edge_hz), way.name);
    }
    if (hold_s > std::max(kLongestHold_s, kMostHold_periods * period_s)) {
      subject.warn(
          "hold-long",
          "way {}: a hold of {:.3g} ms is {:.2g} periods of the band's low edge ({}); one is enough. Every single peak "
          "takes the level down for so long. Look at hold in way.{}.limit.",
          way.name, hold_s * 1e3, hold_s / period_s, rig::hertz_text(low_edge_hz), way.name);
    }
  }
}

namespace {
/// Of the outputs of two ways that one feed reaches, the two that are the furthest apart.
double furthest_apart_s(const rig::Rig& rig, const rig::Way& a, const rig::Way& b) {
  const auto delay_s = [](const rig::Way& way, const std::string& feed) {
    const auto own = way.output.find(feed);
    return way.delay_s + (own == way.output.end() ? 0 : own->second.delay_s);
  };
  double apart_s = std::abs(a.delay_s - b.delay_s);
  if (a.output.empty() && b.output.empty()) return apart_s;
  apart_s = 0;
  for (const rig::Feed& feed : rig.feeds)
    apart_s = std::max(apart_s, std::abs(delay_s(a, feed.name) - delay_s(b, feed.name)));
  return apart_s;
}
/// All delays of an output together; the loudspeaker's and tonight's are looked at here alone.
void whole_delay(const Subject& subject) {
  const rig::Rig& rig = subject.rig;
  const OutputPlan& plan = *std::ranges::max_element(subject.compiled.outputs, {}, &OutputPlan::delay_s);
  if (plan.delay_s <= kFarthestOfAll_s * (1 + 1e-9)) return;
  struct Part {
    std::string key;
    double delay_s = 0;
    bool told_alone = false;
  };
  const rig::Way& way = rig.ways[plan.way_index];
  std::vector<Part> parts{{"loudspeaker." + rig.loudspeaker, rig.delay_s},
                          {"way." + way.name, way.delay_s, way.delay_s > kFarthest_s}};
  if (const auto own = way.output.find(plan.feed); own != way.output.end())
    parts.push_back(
        {fmt::format("way.{}.output.{}", way.name, plan.feed), own->second.delay_s, own->second.delay_s > kFarthest_s});
  if (subject.venue != nullptr)
    if (const auto own = subject.venue->loudspeaker.find(rig.loudspeaker); own != subject.venue->loudspeaker.end())
      parts.push_back({"venue.loudspeaker." + rig.loudspeaker, own->second.delay_s});
  std::ranges::stable_sort(parts, std::greater<>(), &Part::delay_s);
  if (parts.front().told_alone) return;
  std::erase_if(parts, [](const Part& part) { return part.delay_s == 0; });
  std::string sum;
  for (const Part& part : parts)
    sum += fmt::format("{}{:.0f} ms by {}", sum.empty() ? "" : " and ", part.delay_s * 1e3, part.key);
  subject.warn(
      "delay-long",
      "output {} waits {:.0f} ms ({}), what sound takes for {:.0f} m: hardly any loudspeaker waits longer than "
      "for 150 m. Look at the unit of delay in {}.",
      plan.name, plan.delay_s * 1e3, sum, plan.delay_s * rig::speed_of_sound(rig.controller.temperature_degc),
      parts.front().key);
}
}  // namespace

void delays(const Subject& subject) {
  whole_delay(subject);
  const std::vector<rig::Way>& ways = subject.rig.ways;
  const double speed = rig::speed_of_sound(subject.rig.controller.temperature_degc);
  for (std::size_t w = 0; w < ways.size(); ++w) {
    if (ways[w].delay_s > kFarthest_s) {
      subject.warn("delay-long",
                   "way {} waits {:.0f} ms, what sound takes for {:.0f} m. Look at the unit of delay in way.{}.",
                   ways[w].name, ways[w].delay_s * 1e3, ways[w].delay_s * speed, ways[w].name);
    }
    for (const auto& [feed, own] : ways[w].output)
      if (own.delay_s > kFarthest_s)
        subject.warn(
            "delay-long",
            "output {} of way {} waits {:.0f} ms on top of its way, what sound takes for {:.0f} m. Look at the "
            "unit of delay in way.{}.output.{}.",
            feed, ways[w].name, own.delay_s * 1e3, own.delay_s * speed, ways[w].name, feed);
    if (w == 0) continue;
    const double apart_s = furthest_apart_s(subject.rig, ways[w], ways[w - 1]);
    const double at_hz = subject.rig.points[w - 1].high.at_hz;
    if (apart_s > (at_hz > kBoxFrom_hz ? kApartInBox_s : kApart_s)) {
      subject.warn(
          "delays-apart",
          "ways {} and {} are {:.1f} ms apart, {:.2f} m and {:.1f} periods of their point at {}: no two drivers that "
          "share a band stand so far apart. Look at delay (and its unit) in way.{} and way.{}.",
          ways[w - 1].name, ways[w].name, apart_s * 1e3, apart_s * speed, apart_s * at_hz, rig::hertz_text(at_hz),
          ways[w - 1].name, ways[w].name);
    }
  }
}

}  // namespace rackproof::advice
