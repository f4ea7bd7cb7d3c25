#include "harness/proof/advice.hpp"

#include <algorithm>
#include <cmath>

#include <fmt/format.h>

#include "harness/analysis/decibels.hpp"
#include "harness/calibration/levels.hpp"

namespace rackproof::proof {
namespace {

/// What the histogram behind a percentile may be wrong by: no whole decibel is asked for on its account.
constexpr double kSlackDb = 0.02;
double whole_up(double db) { return std::ceil(db - kSlackDb); }
double whole_down(double db) { return std::floor(db + kSlackDb); }

/// "a", "a and b", "a, b and 3 more"
std::string listed(const std::vector<std::string>& names) {
  constexpr std::size_t kNamed = 4;
  const std::size_t told = names.size() > kNamed ? kNamed - 1 : names.size();
  std::string text;
  for (std::size_t n = 0; n < told; ++n) text += (n == 0 ? "" : n + 1 == names.size() ? " and " : ", ") + names[n];
  if (told < names.size()) text += fmt::format(" and {} more", names.size() - told);
  return text;
}

/// A way over a recording, by the output of it that is held the most.
struct HeldWay {
  const OutputPlan* plan = nullptr;
  const Holding* worst = nullptr;
  std::vector<std::string> outputs;
};

class Adviser {
 public:
  Adviser(const rig::Rig& rig, const CompiledRig& compiled, std::span<const Holding> holdings)
      : rig_(rig), compiled_(compiled), holdings_(holdings), ways_(rig.ways.size()) {
    for (std::size_t o = 0; o < holdings.size(); ++o) {
      const OutputPlan& plan = compiled.outputs[o];
      HeldWay& way = ways_[plan.way_index];
      way.outputs.push_back(plan.name);
      if (way.worst != nullptr && way.worst->together.p95_db >= holdings[o].together.p95_db) continue;
      way.plan = &plan;
      way.worst = &holdings[o];
    }
    std::erase_if(ways_, [](const HeldWay& way) { return way.worst == nullptr; });
  }

  std::vector<Advice> all() {
    feed_down();
    for (const HeldWay& way : ways_) {
      if (way.worst->power.p95_db >= kBusyDb)
        heat(way);
      else if (way.worst->peak.p95_db >= kBusyDb)
        peaks(way);
    }
    limits_agree();
    return std::move(advice_);
  }

 private:
  void add(const char* code, std::vector<std::string> outputs, std::optional<double> decibels, std::string text) {
    advice_.push_back({code, std::move(outputs), decibels, std::move(text)});
  }

  void feed_down() {
    std::vector<std::string> outputs;
    std::vector<bool> heard(rig_.feeds.size(), false);
    const Holding* worst = nullptr;
    for (std::size_t o = 0; o < holdings_.size(); ++o) {
      if (holdings_[o].together.p95_db < kBusyDb) continue;
      const OutputPlan& plan = compiled_.outputs[o];
      outputs.push_back(plan.name);
      for (std::size_t f = 0; f < heard.size(); ++f)
        if (plan.hears(f)) heard[f] = true;
      if (worst == nullptr || holdings_[o].together.p95_db > worst->together.p95_db) worst = &holdings_[o];
    }
    if (worst == nullptr) return;
    std::vector<std::string> feeds;
    for (std::size_t f = 0; f < heard.size(); ++f)
      if (heard[f]) feeds.push_back(rig_.feeds[f].name);
    const double down_db = whole_up(worst->together.p95_db);
    std::string text = fmt::format(
        "{}: more than 1 dB is held for {}{:.0f} % of the time, {:.1f} dB or more for 5 % of it. Turn {} "
        "down {:g} dB: the limiters then rest for 95 % of the time.",
        listed(outputs), outputs.size() > 1 ? "up to " : "", 100 * worst->together.over_1_db, worst->together.p95_db,
        feed_words(feeds), down_db);
    add("feed-down", std::move(outputs), down_db, std::move(text));
  }
  std::string feed_words(const std::vector<std::string>& feeds) const {
    if (feeds.size() == 1) return "the feed " + feeds[0];
    return "the feeds " + listed(feeds);
  }

  void heat(const HeldWay& way) {
    add("stronger-drivers", way.outputs, {},
        fmt::format("{}: the coils of {} are at their continuous rating, and the power limiter holds {:.1f} dB on "
                    "average. A larger amplifier gains nothing; more or stronger drivers would.",
                    way.plan->way, driver_of(way).name, way.worst->power.mean_db));
  }

  void peaks(const HeldWay& way) {
    const OutputPlan& plan = *way.plan;
    const std::string& amplifier = rig_.amplifier_of(way_of(way)).name;
    const double wanted_db = whole_up(way.worst->peak.p95_db);
    if (plan.limited_by == LimitedBy::driver) {
      add("stronger-drivers", way.outputs, {},
          fmt::format("{}: what the driver {} takes, {:.1f} V peak, sets the limit. A larger amplifier gains nothing; "
                      "more or stronger drivers would.",
                      plan.way, driver_of(way).name, plan.limit_volts_peak));
      return;
    }
    const double room_db = whole_down(driver_room_db(way));
    if (room_db < 1) {
      add("stronger-drivers", way.outputs, {},
          fmt::format("{}: the driver {} takes hardly more than it gets. A larger amplifier gains nothing; more or "
                      "stronger drivers would.",
                      plan.way, driver_of(way).name));
      return;
    }
    const bool peak_known = plan.driver_peak_volts > 0;
    const std::string& driver = driver_of(way).name;
    const std::string unknown = fmt::format(
        " First give the peak power of {} (driver.{}.peak_power): without it nobody knows whether it takes that.",
        driver, driver);
    const double more_db = std::min(wanted_db, room_db);
    const std::string driver_ends =
        room_db < wanted_db ? fmt::format(" Driver {} takes no more than that.", driver) : std::string();
    if (plan.limited_by == LimitedBy::converter) {
      const double amplifier_db =
          whole_down(analysis::db_from_ratio(plan.clip_volts_peak / plan.full_scale_volts_peak) -
                     way_of(way).limit->below_clip_db);
      const double gain_db = std::min(more_db, amplifier_db);
      if (gain_db < 1) return;
      add("more-gain", way.outputs, peak_known ? std::optional(gain_db) : std::nullopt,
          fmt::format("{}: the converter's full scale, {:.1f} V peak at the amplifier's output, sets the limit; the "
                      "amplifier {} makes {:.1f} V peak. Give it {:g} dB more gain, and say so in amplifier.{}.{}",
                      plan.way, plan.full_scale_volts_peak, amplifier, plan.clip_volts_peak, gain_db, amplifier,
                      plan.attenuator_db < 0 ? "attenuator." : "gain.") +
              (peak_known ? driver_ends : unknown));
      return;
    }
    std::string text = fmt::format(
        "{}: the clip of amplifier {} sets the limit. One that makes {:g} dB more, {:.0f} W into {:.3g} ohm{} in place "
        "of {:g} W, passes {} of what is held.",
        plan.way, amplifier, more_db, plan.rating_watts * analysis::power_from_db(more_db), plan.rating_ohm,
        rig_.amplifier_of(way_of(way)).doubled() ? " a side" : "", plan.rating_watts,
        more_db < wanted_db ? "part" : "most");
    if (plan.limit_volts_peak * analysis::ratio_from_db(more_db) > plan.full_scale_volts_peak)
      text += fmt::format(" It needs more gain as well: the converter's full scale makes {:.1f} V peak of this one.",
                          plan.full_scale_volts_peak);
    add("larger-amplifier", way.outputs, peak_known ? std::optional(more_db) : std::nullopt,
        text + (peak_known ? driver_ends : unknown));
  }
  /// By how much the limit could rise before the driver's peak power or, by what the limiter now takes of the RMS, its
  /// continuous power is reached. A peak power that is not given leaves it open.
  double driver_room_db(const HeldWay& way) const {
    const OutputPlan& plan = *way.plan;
    const double peak_db =
        plan.driver_peak_volts > 0 ? analysis::db_from_ratio(plan.driver_peak_volts / plan.limit_volts_peak) : 1e3;
    const double heat_volts = plan.thermal_volts_rms.value_or(plan.driver_continuous_volts);
    const double heat_db = way.worst->rms_volts > 0 ? analysis::db_from_ratio(heat_volts / way.worst->rms_volts) : 1e3;
    return heat_db < way.worst->peak.mean_db ? std::min(peak_db, heat_db) : peak_db;
  }

  /// In the loud passages, for 5 % of the time.
  void limits_agree() {
    const auto loud_db = [](const HeldWay& way) { return way.worst->together.p95_db; };
    const auto [least, most] = std::ranges::minmax_element(ways_, {}, loud_db);
    if (least == most || loud_db(*most) - loud_db(*least) < kUnlikeDb) return;
    const std::string& held = most->plan->way;
    const std::string& free = least->plan->way;
    add("limits-agree", {most->plan->name, least->plan->name}, loud_db(*most) - loud_db(*least),
        fmt::format(
            "Where it is loud {} is held {:.1f} dB and {} {:.1f} dB: the sound changes with the level, towards {}. "
            "Let the limits agree: less feed, more amplifier or driver for {}, or a lower limit for {} "
            "(way.{}.limit.below_clip).",
            held, loud_db(*most), free, loud_db(*least),
            most->plan->way_index > least->plan->way_index ? "the lows" : "the highs", held, free, free));
  }

  const rig::Way& way_of(const HeldWay& way) const { return rig_.ways[way.plan->way_index]; }
  const rig::Driver& driver_of(const HeldWay& way) const { return rig_.driver_of(way_of(way)); }

  const rig::Rig& rig_;
  const CompiledRig& compiled_;
  std::span<const Holding> holdings_;
  std::vector<HeldWay> ways_;
  std::vector<Advice> advice_;
};

}  // namespace

std::vector<Advice> advice_of(const rig::Rig& rig, const CompiledRig& compiled, std::span<const Holding> holdings) {
  if (rig.loudspeakers.empty()) return Adviser(rig, compiled, holdings).all();
  std::vector<Advice> all;
  std::size_t first = 0;  // outputs stand loudspeaker by loudspeaker
  for (const rig::Rig& part : rig.loudspeakers) {
    const CompiledRig alone = compile(part, nullptr, Bypass::none, compiled.latency_samples);
    const std::size_t outputs = alone.outputs.size();
    for (Advice& advice : Adviser(part, alone, holdings.subspan(first, outputs)).all()) {
      advice.text = fmt::format("Loudspeaker {}: {}", part.loudspeaker, advice.text);
      all.push_back(std::move(advice));
    }
    first += outputs;
  }
  return all;
}

}  // namespace rackproof::proof
