#include "harness/seal/change_words.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>

#include "harness/analysis/decibels.hpp"

namespace rackproof::seal {
namespace {

using rig::Quantity;
using Text = std::optional<std::string>;

/// Four digits are what a person reads: "2.638967384 ms" is 2.639 ms.
std::string short_number(double value) { return fmt::format("{:.4g}", value); }
struct Shown {
  std::string number, unit;
};
Shown shown(const std::string& value) {
  const std::size_t space = value.find(' ');
  const auto number = number_in(value.substr(0, space));
  if (!number) return {value, ""};
  return {short_number(*number), space == std::string::npos ? "" : value.substr(space + 1)};
}
}  // namespace

std::string in_short(const std::string& value) {
  const Shown s = shown(value);
  return s.unit.empty() ? s.number : s.number + " " + s.unit;
}

namespace {

/// "1.6 to 1.9 kHz", "900 Hz to 1.1 kHz"
std::string from_to(const std::string& was, const std::string& now) {
  const auto s = measure_in(was), t = measure_in(now);
  if (s && t && s->quantity == Quantity::time && t->quantity == Quantity::time) {  // all in one unit
    const bool in_ms = std::max(s->value, t->value) < 1;
    const double scale = in_ms ? 1e3 : 1;
    return fmt::format("{} to {} {}", short_number(s->value * scale), short_number(t->value * scale),
                       in_ms ? "ms" : "s");
  }
  const Shown a = shown(was), b = shown(now);
  if (a.number == b.number && a.unit == b.unit) return was + " to " + now;  // a difference that is worth all its digits
  return a.unit == b.unit ? fmt::format("{} to {}", a.number, in_short(now)) : in_short(was) + " to " + in_short(now);
}

/// What happened to a thing: "rose from 1.6 to 1.9 kHz", "is 1.5 dB higher (-3 to -1.5 dB)".
std::string happened(const std::string& was, const std::string& now) {
  const auto a = measure_in(was), b = measure_in(now);
  if (a && b && a->quantity == b->quantity) {
    const double change = b->value - a->value;
    if (a->quantity == Quantity::gain)
      return fmt::format("is {} dB {} ({})", short_number(std::abs(change)), change > 0 ? "higher" : "lower",
                         from_to(was, now));
    if (a->quantity == Quantity::time)
      return fmt::format("is {} ({})", change > 0 ? "longer" : "shorter", from_to(was, now));
    return fmt::format("{} from {}", change > 0 ? "rose" : "fell", from_to(was, now));
  }
  const auto x = number_in(was), y = number_in(now);
  if (x && y) return fmt::format("{} from {}", *y > *x ? "rose" : "fell", from_to(was, now));
  return fmt::format("went from {} to {}", was, now);
}

/// The same where one of the two may be missing.
std::string happened(const Text& was, const Text& now) {
  if (was && now) return happened(*was, *now);
  return was ? "is no longer given; it was " + in_short(*was) : "is now given: " + in_short(now.value_or("nothing"));
}

const std::map<std::string, std::string> kControllerWords{
    {"sample_rate", "the controller's sample rate"},
    {"block", "the controller's block"},
    {"input_full_scale", "the controller's input full scale"},
    {"output_full_scale", "the controller's output full scale"},
    {"temperature", "the temperature for delays given as distances"}};
const std::map<std::string, std::string> kAmplifierWords{{"gain", "gain"},
                                                         {"attenuator", "attenuator"},
                                                         {"attenuator_fixed", "fixed attenuator"},
                                                         {"bridged", "bridging"},
                                                         {"rated", "word on what its figures stand for (rated)"}};
const std::map<std::string, std::string> kDriverWords{
    {"impedance", "impedance"},       {"continuous_power", "continuous power"}, {"peak_power", "peak power"},
    {"thermal_time", "thermal time"}, {"lowest", "lowest frequency"},           {"highest", "highest frequency"},
    {"sensitivity", "sensitivity"}};
const std::map<std::string, std::string> kWayWords{
    {"feeds", "feeds"},
    {"amplifier", "amplifier"},
    {"driver", "driver"},
    {"drivers", "number of drivers"},
    {"wiring", "wiring of its drivers"},
    {"depth", "depth"},
    {"response", "measured response"},
    {"mute", "mute"},
    {"gain", "gain"},
    {"polarity", "polarity"},
    {"delay", "delay"},
    {"highpass.at", "high-pass"},
    {"highpass.alignment", "high-pass alignment"},
    {"highpass.slope", "high-pass slope"},
    {"limit.below_clip", "limiter's distance below clip"},
    {"limit.look_ahead", "limiter's look-ahead"},
    {"limit.hold", "limiter's hold"},
    {"limit.release", "limiter's release"},
    {"limit.true_peak", "limiter's view between the samples (true_peak)"},
    {"thermal.below_rating", "power limiter's distance below the rating"}};
/// Parts of a way that come and go as a whole.
const std::map<std::string, std::string> kPartWords{
    {"highpass", "high-pass"}, {"limit", "peak limiter"}, {"thermal", "power limiter"}};

std::string word_in(const std::map<std::string, std::string>& words, const std::string& key) {
  const auto found = words.find(key);
  return found == words.end() ? key : found->second;
}

/// The name of what a key says, for a person.
std::string thing(const std::string& whole) {
  const FactKey key(whole);
  if (key.table == "controller") return word_in(kControllerWords, key.name);
  if (key.table == "feeds") return fmt::format("the channel of feed {}", key.name);
  if (key.table == "amplifier") {
    if (key.rest.starts_with("ratings.")) {
      const std::vector<std::string> parts = split_at(key.rest, '.');
      return fmt::format("the {} of rating {} of amplifier {}", parts.at(2), parts.at(1), key.name);
    }
    return fmt::format("amplifier {}'s {}", key.name, word_in(kAmplifierWords, key.rest));
  }
  if (key.table == "driver") return fmt::format("driver {}'s {}", key.name, word_in(kDriverWords, key.rest));
  if (key.table == "live") return "the connection of " + key.rest;
  if (key.table == "system") return "the system's " + key.name;
  if (whole == "delay" || whole == "mute") return "its " + whole;
  if (key.table == "way" && key.rest.starts_with("output.")) {
    const std::vector<std::string> parts = split_at(key.rest, '.');
    return fmt::format("{}.{}'s own {}", key.name, parts.at(1), parts.at(2));
  }
  if (key.table == "way") return fmt::format("{}'s {}", key.name, word_in(kWayWords, key.rest));
  return whole;
}

std::string point_title(const std::string& pair) {
  const std::size_t slash = pair.find('/');
  return fmt::format("{} to {} point", pair.substr(0, slash), pair.substr(slash + 1));
}

/// One function a kind of change; `was` and `now` are the move's.
struct Words {
  const Text& was;
  const Text& now;
  std::string before() const { return was.value_or("?"); }
  std::string after() const { return now.value_or("?"); }

  std::string operator()(const CameOrWent& c) const {
    return fmt::format("the {} {} {}", c.kind, c.name, c.added ? "was added" : "is gone");
  }
  std::string operator()(const WaysReordered& c) const {
    return fmt::format("the ways changed places: from low to high {} became {}", fmt::join(c.before, ", "),
                       fmt::join(c.after, ", "));
  }
  std::string operator()(const PointCameOrWent& c) const {
    return fmt::format("{} {} {}{}", c.added ? "a" : "the", point_title(c.pair),
                       c.added ? "was added at " : "is gone; it was at ", in_short((c.added ? now : was).value_or("")));
  }
  std::string operator()(const PointMoved& c) const {
    const bool its_place = c.what == "at";
    if (c.side == PointSide::both)
      return fmt::format("the {}{} {}", point_title(c.pair), its_place ? "" : "'s " + c.what, happened(was, now));
    return fmt::format("the {} side of the {}{} {}", c.side == PointSide::low ? "low" : "high", point_title(c.pair),
                       its_place ? "" : ", its " + c.what + ",", happened(was, now));
  }
  std::string operator()(const BandCameOrWent& c) const {
    return c.added ? fmt::format("{}'s eq has a new {}", c.whose, after())
                   : fmt::format("{}'s eq lost its {}", c.whose, before());
  }
  std::string operator()(const BandChanged& c) const {
    std::string text = fmt::format("{}'s {} at {}", c.whose, c.was.type, in_short(c.was.at));
    const bool elsewhere = c.was.at != c.now.at;
    if (elsewhere) text += " moved to " + in_short(c.now.at);
    if (c.was.shape != c.now.shape)
      text += fmt::format("{} went from {} to {}", elsewhere ? ", and" : "", c.was.shape, c.now.shape);
    return text;
  }
  std::string operator()(const PartCameOrWent& c) const {
    return fmt::format("{} {} a {}{}", c.way, c.added ? "has now" : "no longer has", word_in(kPartWords, c.part),
                       c.part == "highpass" ? " at " + (c.added ? after() : before()) : "");
  }
  std::string operator()(const KeyMoved& c) const {
    const FactKey key(c.key);
    if (key.table == "accept")
      return fmt::format("a fall of {} is {}", key.name,
                         !was   ? "accepted now: " + after()
                         : !now ? "no longer accepted"
                                : fmt::format("accepted for another reason: {} (it was: {})", after(), before()));
    if (key.table == "way" && key.rest == "response")
      return fmt::format("{} {}", thing(c.key),
                         !was   ? "is now given"
                         : !now ? "is no longer given"
                                : "is another one: other bytes in its file");
    if (!was || !now) return fmt::format("{} {}", thing(c.key), happened(was, now));
    if (*now == "true" || *now == "false")
      return fmt::format("{} is now {}", thing(c.key), *now == "true" ? "on" : "off");
    if (key.table == "feeds") return fmt::format("{} went from {} to {}", thing(c.key), *was, *now);
    return fmt::format("{} {}", thing(c.key), happened(*was, *now));
  }
  std::string operator()(const LimitedBy& c) const {
    return fmt::format("{}'s threshold is now set by its {}, no longer by its {}", c.way, after(), before());
  }
  std::string operator()(const LoadMoved& c) const { return fmt::format("{}'s load {}", c.way, happened(was, now)); }
  std::string operator()(const ComputedAlone& c) const {
    return fmt::format("{}'s computed {} {}, though nothing in the file did: another version of the program?", c.way,
                       c.what, happened(before(), after()));
  }
  std::string operator()(const SectionsAlone& c) const {
    return fmt::format(
        "{}'s filters come out as other numbers, though nothing in the file moved: another version of the program?",
        c.way);
  }
  std::string operator()(const LatencyMoved&) const {
    return fmt::format("the latency of all outputs {} samples", happened(before(), after()));
  }
  std::string operator()(const LevelMoved& c) const {
    const char* const title = c.level == Level::threshold         ? "threshold"
                              : c.level == Level::power_threshold ? "power threshold"
                                                                  : "clip point";
    if (!c.in_volts)
      return fmt::format("{}'s {} is the same in volts, but at another level of the converter ({} dBFS)", c.way, title,
                         from_to(before(), after()));
    const double db = analysis::db_from_ratio(number_in(after()).value_or(1) / number_in(before()).value_or(1));
    return fmt::format("{}'s {} is {} dB {} ({} {})", c.way, title, fmt::format("{:.2g}", std::abs(db)),
                       db > 0 ? "higher" : "lower", from_to(before(), after()),
                       c.level == Level::power_threshold ? "V RMS" : "V peak");
  }
};

}  // namespace

std::string words_of(const Change& change, const Text& was, const Text& now) {
  return std::visit(Words{was, now}, change);
}

}  // namespace rackproof::seal
