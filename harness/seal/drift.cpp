#include "harness/seal/drift.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <charconv>
#include <cmath>
#include <map>
#include <set>
#include <sstream>

#include "harness/rig/units.hpp"

namespace rackproof::seal {
namespace {

using rig::Quantity;
using Text = std::optional<std::string>;

std::vector<std::string> split_at(const std::string& text, char at) {
  std::vector<std::string> parts;
  std::istringstream stream(text);
  for (std::string part; std::getline(stream, part, at);) parts.push_back(part);
  return parts;
}
std::optional<rig::Measure> measure_in(const std::string& text) {
  try {
    using enum Quantity;
    return rig::read_measure(
        text, {frequency, time, distance, voltage, gain, power, impedance, slope, bandwidth, temperature});
  } catch (const rig::Misread&) {
    return std::nullopt;
  }
}
std::optional<double> number_in(const std::string& text) {
  double value = 0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (error != std::errc() || end != text.data() + text.size()) return std::nullopt;
  return value;
}
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
std::string in_short(const std::string& value) {
  const Shown s = shown(value);
  return s.unit.empty() ? s.number : s.number + " " + s.unit;
}
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

/// "amplifier.lows.gain" into table, name and rest.
struct Key {
  explicit Key(const std::string& key) {
    const std::size_t first = key.find('.'), second = first == std::string::npos ? first : key.find('.', first + 1);
    table = key.substr(0, first);
    if (first != std::string::npos) name = key.substr(first + 1, second - first - 1);
    if (second != std::string::npos) rest = key.substr(second + 1);
  }
  std::string table, name, rest;
};

/// The name of what a key says, for a person.
std::string thing(const std::string& whole) {
  const Key key(whole);
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
  if (key.table == "system") return "the system's " + key.name;
  if (whole == "delay" || whole == "mute") return "its " + whole;
  if (key.table == "way" && key.rest.starts_with("output.")) {
    const std::vector<std::string> parts = split_at(key.rest, '.');
    return fmt::format("{}.{}'s own {}", key.name, parts.at(1), parts.at(2));
  }
  if (key.table == "way") return fmt::format("{}'s {}", key.name, word_in(kWayWords, key.rest));
  return whole;
}

struct Band {
  std::string type, all;
  double at_hz = 0;
};
std::string at_of(const std::string& band) {
  const std::size_t at = band.find(" at ");
  return at == band.npos ? "" : band.substr(at + 4, band.find(',', at + 4) - (at + 4));
}
Band band_of(const std::string& value) {  // "peaking at 240 Hz, gain -3.5 dB, q 1.4"
  Band band{.type = value.substr(0, value.find(' ')), .all = value};
  if (const auto hz = measure_in(at_of(value))) band.at_hz = hz->value;
  return band;
}
std::string without_at(const std::string& band) { return band.substr(std::min(band.find(", ") + 2, band.size())); }

class Comparison {
 public:
  /// `caused`: something that stands elsewhere has moved already.
  Comparison(const Facts& was, const Facts& now, bool caused) : caused_(caused) {
    for (const Fact& fact : was) {
      was_[fact.key] = fact.value;
      order_.push_back(fact.key);
    }
    for (const Fact& fact : now) {
      now_[fact.key] = fact.value;
      if (!was_.contains(fact.key)) order_.push_back(fact.key);
    }
  }

  std::vector<Move> all() {
    ways();
    for (const char* table : {"amplifier", "driver"}) named(table);
    points();
    eq_lists();
    parts();
    for (const std::string& key : order_)
      if (!key.starts_with("computed.")) plain(key);
    computed();
    return std::move(moves_);
  }

 private:
  Text was(const std::string& key) const { return look_up(was_, key); }
  Text now(const std::string& key) const { return look_up(now_, key); }
  static Text look_up(const std::map<std::string, std::string>& facts, const std::string& key) {
    const auto found = facts.find(key);
    return found == facts.end() ? std::nullopt : Text(found->second);
  }
  bool moved(const std::string& key) const {
    const Text a = was(key), b = now(key);
    return a && b ? !same_value(key, *a, *b) : a.has_value() != b.has_value();
  }
  void tell(const std::string& key, Text a, Text b, std::string text) {
    moves_.push_back({key, std::move(a), std::move(b), std::move(text)});
  }
  void done(const std::string& prefix) {
    for (const std::string& key : order_)
      if (key.starts_with(prefix)) told_.insert(key);
  }
  /// The names under `table.`, of either state.
  std::set<std::string> names(const std::string& table, const std::map<std::string, std::string>& facts) const {
    std::set<std::string> found;
    for (const auto& [key, value] : facts)
      if (const Key parts(key); parts.table == table) found.insert(parts.name);
    return found;
  }
  /// `tell` what only one state has; `done` with all of its facts.
  template <class Words>
  void come_and_gone(const std::string& table, Words words) {
    const std::set<std::string> before = names(table, was_), after = names(table, now_);
    const auto key = [&](const std::string& name) { return fmt::format("{}.{}", table, name); };
    for (const std::string& name : before)
      if (!after.contains(name)) {
        tell(key(name), name, std::nullopt, words(name, false));
        done(key(name) + ".");
      }
    for (const std::string& name : after)
      if (!before.contains(name)) {
        tell(key(name), std::nullopt, name, words(name, true));
        done(key(name) + ".");
      }
  }

  void ways() {
    const std::vector<std::string> before = split_at(was("ways").value_or(""), ' '),
                                   after = split_at(now("ways").value_or(""), ' ');
    const auto among = [](const std::vector<std::string>& list, const std::string& name) {
      return std::find(list.begin(), list.end(), name) != list.end();
    };
    come_and_gone("way", [](const std::string& name, bool added) {
      return fmt::format("the way {} {}", name, added ? "was added" : "is gone");
    });
    std::vector<std::string> kept_before, kept_after;
    for (const std::string& name : before)
      among(after, name) ? kept_before.push_back(name) : done("computed." + name + ".");
    for (const std::string& name : after)
      among(before, name) ? kept_after.push_back(name) : done("computed." + name + ".");
    if (kept_before != kept_after)
      tell("way", was("ways"), now("ways"),
           fmt::format("the ways changed places: from low to high {} became {}", fmt::join(kept_before, ", "),
                       fmt::join(kept_after, ", ")));
    told_.insert("ways");
  }
  void named(const std::string& table) {
    come_and_gone(table, [&](const std::string& name, bool added) {
      return fmt::format("the {} {} {}", table, name, added ? "was added" : "is gone");
    });
  }

  void points() {
    const auto title = [](const std::string& pair) {
      const std::size_t slash = pair.find('/');
      return fmt::format("{} to {} point", pair.substr(0, slash), pair.substr(slash + 1));
    };
    std::set<std::string> pairs;
    for (const std::string& key : order_)
      if (const Key parts(key); parts.table == "crossover" && parts.name.find('/') != std::string::npos)
        pairs.insert(parts.name);
    for (const std::string& pair : pairs) {
      const std::string base = "crossover." + pair;
      const std::string low = base + ".low.", high = base + ".high.";
      if (!was(low + "at") && !now(low + "at")) continue;  // no point: its facts are told one by one
      if (!was(low + "at") || !now(low + "at")) {
        const bool added = !was(low + "at");
        const Text at = added ? now(low + "at") : was(low + "at");
        tell(base, added ? Text() : at, added ? at : Text(),
             fmt::format("{} {} {}{}", added ? "a" : "the", title(pair),
                         added ? "was added at " : "is gone; it was at ", in_short(at.value_or(""))));
        done(base + ".");
        continue;
      }
      for (const char* what : {"at", "alignment", "slope"}) {
        const std::string a = low + what, b = high + what;
        const std::string of = std::string(what) == "at" ? "" : std::string(" ") + what;
        if (moved(a) && moved(b) && was(a) == was(b) && now(a) == now(b)) {
          tell(fmt::format("{}.{}", base, what), was(a), now(a),
               fmt::format("the {}{} {}", title(pair), of.empty() ? of : "'s" + of, happened(was(a), now(a))));
        } else {
          for (const auto& [key, side] : {std::pair(a, "low"), std::pair(b, "high")})
            if (moved(key))
              tell(key, was(key), now(key),
                   fmt::format("the {} side of the {}{} {}", side, title(pair), of.empty() ? of : ", its" + of + ",",
                               happened(was(key), now(key))));
        }
      }
      done(base + ".");
    }
  }

  void eq_lists() {
    std::set<std::string> lists;
    for (const std::string& key : order_) {
      const std::size_t at = key.rfind(".eq.");
      if (at != std::string::npos && !told_.contains(key)) lists.insert(key.substr(0, at + 3));
    }
    for (const std::string& list : lists) {
      std::vector<Band> before, after;
      for (const std::string& key : order_) {
        if (!key.starts_with(list + ".")) continue;
        if (const Text value = was(key)) before.push_back(band_of(*value));
        if (const Text value = now(key)) after.push_back(band_of(*value));
      }
      done(list + ".");
      const std::vector<std::string> parts = split_at(list, '.');
      const std::string output = parts.size() > 4 && parts[2] == "output" ? "." + parts[3] : "";
      const std::string whose = list == "system.eq" ? "the system's" : Key(list).name + output + "'s";
      std::erase_if(before, [&](const Band& band) {
        const auto same = std::find_if(after.begin(), after.end(), [&](const Band& b) { return b.all == band.all; });
        if (same == after.end()) return false;
        after.erase(same);
        return true;
      });
      for (const Band& band : before) {
        // The same band, changed: of its kind, and within half an octave.
        const auto distance = [&](const Band& other) {
          return other.type == band.type ? std::abs(std::log2(other.at_hz / band.at_hz)) : 1e9;
        };
        const auto nearest = std::min_element(after.begin(), after.end(),
                                              [&](const Band& a, const Band& b) { return distance(a) < distance(b); });
        if (nearest == after.end() || distance(*nearest) > 0.5) {
          tell(list, band.all, std::nullopt, fmt::format("{} eq lost its {}", whose, band.all));
          continue;
        }
        const std::string shape = without_at(band.all), shape_now = without_at(nearest->all);
        std::string text = fmt::format("{} {} at {}", whose, band.type, in_short(at_of(band.all)));
        const bool elsewhere = at_of(band.all) != at_of(nearest->all);
        if (elsewhere) text += " moved to " + in_short(at_of(nearest->all));
        if (shape != shape_now)
          text += fmt::format("{} went from {} to {}", elsewhere ? ", and" : "", shape, shape_now);
        tell(list, band.all, nearest->all, text);
        after.erase(nearest);
      }
      for (const Band& band : after)
        tell(list, std::nullopt, band.all, fmt::format("{} eq has a new {}", whose, band.all));
    }
  }

  void parts() {
    for (const std::string& way : names("way", now_)) {
      for (const auto& [part, word] : kPartWords) {
        const std::string prefix = fmt::format("way.{}.{}.", way, part);
        const auto any = [&](const std::map<std::string, std::string>& facts) {
          const auto first = facts.lower_bound(prefix);
          return first != facts.end() && first->first.starts_with(prefix);
        };
        if (any(was_) == any(now_) || !names("way", was_).contains(way)) continue;
        const bool added = any(now_);
        const std::string what =
            part == "highpass" ? in_short((added ? now(prefix + "at") : was(prefix + "at")).value_or("")) : part;
        tell(prefix.substr(0, prefix.size() - 1), added ? Text() : what, added ? what : Text(),
             fmt::format("{} {} a {}{}", way, added ? "has now" : "no longer has", word,
                         part == "highpass" ? " at " + what : ""));
        done(prefix);
      }
    }
  }

  void plain(const std::string& key) {
    if (told_.contains(key) || !moved(key)) return;
    const Text a = was(key), b = now(key);
    std::string text;
    if (!a || !b) {
      text = fmt::format("{} {}", thing(key), happened(a, b));
    } else if (*b == "true" || *b == "false") {
      text = fmt::format("{} is now {}", thing(key), *b == "true" ? "on" : "off");
    } else if (Key(key).table == "feeds") {
      text = fmt::format("{} went from {} to {}", thing(key), *a, *b);
    } else {
      text = fmt::format("{} {}", thing(key), happened(*a, *b));
    }
    tell(key, a, b, text);
  }

  /// Volts and levels always, being what protects; what the rest is made of is in the list already, or else is told.
  void computed() {
    const bool caused = caused_ || !moves_.empty();
    for (const std::string& way : split_at(now("ways").value_or(""), ' ')) {
      const std::string base = "computed." + way + ".";
      if (told_.contains(base + "load")) continue;
      level(base, "limit", "_peak", way + "'s threshold", "V peak");
      level(base, "thermal", "_rms", way + "'s power threshold", "V RMS");
      level(base, "clip", "_peak", way + "'s clip point", "V peak");
      if (moved(base + "limited_by"))
        tell(base + "limited_by", was(base + "limited_by"), now(base + "limited_by"),
             fmt::format("{}'s threshold is now set by its {}, no longer by its {}", way,
                         now(base + "limited_by").value_or("?"), was(base + "limited_by").value_or("?")));
      if (moved(base + "load"))
        tell(base + "load", was(base + "load"), now(base + "load"),
             fmt::format("{}'s load {}", way, happened(was(base + "load"), now(base + "load"))));
      for (const char* what : {"delay_samples", "gain_db"})
        if (moved(base + what) && !caused)
          tell(base + what, was(base + what), now(base + what),
               fmt::format("{}'s computed {} {}, though nothing in the file did: another version of the program?", way,
                           what, happened(was(base + what).value_or("?"), now(base + what).value_or("?"))));
      bool sections = false;
      for (const std::string& key : order_) sections = sections || (key.starts_with(base + "section.") && moved(key));
      if (sections && !caused)
        tell(base + "section", "sealed", "other",
             fmt::format(
                 "{}'s filters come out as other numbers, though nothing in the file moved: another version of the "
                 "program?",
                 way));
    }
    if (const std::string key = "computed.latency_samples"; moved(key))
      tell(key, was(key), now(key),
           fmt::format("the latency of all outputs {} samples",
                       happened(was(key).value_or("?"), now(key).value_or("?"))));
  }
  /// Volts at the terminals, or where they stayed the same, the level on the meter.
  void level(const std::string& base, const std::string& which, const std::string& form, const std::string& title,
             const std::string& unit) {
    const std::string volts = base + which + "_volts" + form, dbfs = base + which + "_dbfs" + form;
    const Text a = was(volts), b = now(volts);
    if (!a || !b) return;  // the limiter that came or went is told
    if (moved(volts)) {
      const double db = 20 * std::log10(number_in(*b).value_or(1) / number_in(*a).value_or(1));
      tell(volts, *a, *b,
           fmt::format("{} is {} dB {} ({} {})", title, fmt::format("{:.2g}", std::abs(db)),
                       db > 0 ? "higher" : "lower", from_to(*a, *b), unit));
    } else if (moved(dbfs)) {
      tell(dbfs, was(dbfs), now(dbfs),
           fmt::format("{} is the same in volts, but at another level of the converter ({} dBFS)", title,
                       from_to(was(dbfs).value_or("?"), now(dbfs).value_or("?"))));
    }
  }

  std::map<std::string, std::string> was_, now_;
  std::vector<std::string> order_;
  std::set<std::string> told_;
  std::vector<Move> moves_;
  bool caused_ = false;
};

/// Facts by loudspeaker, in their order, with keys as in a rig of the plain form; under no name those of the whole rig.
struct Loudspeakers {
  std::vector<std::string> names;
  std::map<std::string, Facts> facts;

  explicit Loudspeakers(const Facts& all) {
    for (const Fact& fact : all) {
      const Key key(fact.key);
      const bool own = key.table == "loudspeaker" && !key.rest.empty();
      const std::string name = own ? key.name : "";
      if (own && !facts.contains(name)) names.push_back(name);
      facts[name].push_back(own ? Fact{key.rest, fact.value} : fact);
    }
  }
  bool have(const std::string& name) const { return facts.contains(name); }
  Facts of(const std::string& name) const {
    const auto found = facts.find(name);
    return found == facts.end() ? Facts{} : found->second;
  }
};

}  // namespace

std::vector<Move> moves_between(const Facts& was, const Facts& now) {
  const Loudspeakers before(was), after(now);
  std::vector<Move> moves = Comparison(before.of(""), after.of(""), false).all();
  const bool caused = !moves.empty();
  for (const std::string& name : before.names) {
    const std::string key = "loudspeaker." + name;
    if (!after.have(name)) {
      moves.push_back({key, name, std::nullopt, fmt::format("the loudspeaker {} is gone", name)});
      continue;
    }
    for (Move& move : Comparison(before.of(name), after.of(name), caused).all()) {
      move.key = fmt::format("{}.{}", key, move.key);
      move.text = fmt::format("loudspeaker {}: {}", name, move.text);
      moves.push_back(std::move(move));
    }
  }
  for (const std::string& name : after.names)
    if (!before.have(name))
      moves.push_back({"loudspeaker." + name, std::nullopt, name, fmt::format("the loudspeaker {} was added", name)});
  return moves;
}

}  // namespace rackproof::seal
