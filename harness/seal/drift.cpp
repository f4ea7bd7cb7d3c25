#include "harness/seal/drift.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>
#include <set>

#include "harness/seal/change_words.hpp"

namespace rackproof::seal {
namespace {

using Text = std::optional<std::string>;

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
    for (const char* table : {"amplifier", "driver"}) come_and_gone(table);
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
  void tell(const std::string& key, const Text& a, const Text& b, const Change& change) {
    moves_.push_back({key, a, b, words_of(change, a, b)});
  }
  void done(const std::string& prefix) {
    for (const std::string& key : order_)
      if (key.starts_with(prefix)) told_.insert(key);
  }
  /// The names under `table.`, of either state.
  std::set<std::string> names(const std::string& table, const std::map<std::string, std::string>& facts) const {
    std::set<std::string> found;
    for (const auto& [key, value] : facts)
      if (const FactKey parts(key); parts.table == table) found.insert(parts.name);
    return found;
  }
  /// `tell` what only one state has; `done` with all of its facts.
  void come_and_gone(const std::string& table) {
    const std::set<std::string> before = names(table, was_), after = names(table, now_);
    const auto key = [&](const std::string& name) { return fmt::format("{}.{}", table, name); };
    for (const std::string& name : before)
      if (!after.contains(name)) {
        tell(key(name), name, std::nullopt, CameOrWent{table, name, false});
        done(key(name) + ".");
      }
    for (const std::string& name : after)
      if (!before.contains(name)) {
        tell(key(name), std::nullopt, name, CameOrWent{table, name, true});
        done(key(name) + ".");
      }
  }

  void ways() {
    const std::vector<std::string> before = split_at(was("ways").value_or(""), ' '),
                                   after = split_at(now("ways").value_or(""), ' ');
    const auto among = [](const std::vector<std::string>& list, const std::string& name) {
      return std::find(list.begin(), list.end(), name) != list.end();
    };
    come_and_gone("way");
    std::vector<std::string> kept_before, kept_after;
    for (const std::string& name : before)
      among(after, name) ? kept_before.push_back(name) : done("computed." + name + ".");
    for (const std::string& name : after)
      among(before, name) ? kept_after.push_back(name) : done("computed." + name + ".");
    if (kept_before != kept_after) tell("way", was("ways"), now("ways"), WaysReordered{kept_before, kept_after});
    told_.insert("ways");
  }
  void points() {
    std::set<std::string> pairs;
    for (const std::string& key : order_)
      if (const FactKey parts(key); parts.table == "crossover" && parts.name.find('/') != std::string::npos)
        pairs.insert(parts.name);
    for (const std::string& pair : pairs) {
      const std::string base = "crossover." + pair;
      const std::string low = base + ".low.", high = base + ".high.";
      if (!was(low + "at") && !now(low + "at")) continue;  // no point: its facts are told one by one
      if (!was(low + "at") || !now(low + "at")) {
        const bool added = !was(low + "at");
        const Text at = added ? now(low + "at") : was(low + "at");
        tell(base, added ? Text() : at, added ? at : Text(), PointCameOrWent{pair, added});
        done(base + ".");
        continue;
      }
      for (const char* what : {"at", "alignment", "slope"}) {
        const std::string a = low + what, b = high + what;
        if (moved(a) && moved(b) && was(a) == was(b) && now(a) == now(b)) {
          tell(fmt::format("{}.{}", base, what), was(a), now(a), PointMoved{pair, what});
        } else {
          if (moved(a)) tell(a, was(a), now(a), PointMoved{pair, what, PointSide::low});
          if (moved(b)) tell(b, was(b), now(b), PointMoved{pair, what, PointSide::high});
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
      std::vector<FactBand> before, after;
      for (const std::string& key : order_) {
        if (!key.starts_with(list + ".")) continue;
        if (const Text value = was(key)) before.emplace_back(*value);
        if (const Text value = now(key)) after.emplace_back(*value);
      }
      done(list + ".");
      const std::vector<std::string> parts = split_at(list, '.');
      const std::string output = parts.size() > 4 && parts[2] == "output" ? "." + parts[3] : "";
      const std::string whose = list == "system.eq" ? "the system" : FactKey(list).name + output;
      std::erase_if(before, [&](const FactBand& band) {
        const auto same =
            std::find_if(after.begin(), after.end(), [&](const FactBand& b) { return b.all == band.all; });
        if (same == after.end()) return false;
        after.erase(same);
        return true;
      });
      for (const FactBand& band : before) {
        // The same band, changed: of its kind, and within half an octave.
        const auto distance = [&](const FactBand& other) {
          return other.type == band.type ? std::abs(std::log2(other.at_hz / band.at_hz)) : 1e9;
        };
        const auto nearest = std::min_element(after.begin(), after.end(), [&](const FactBand& a, const FactBand& b) {
          return distance(a) < distance(b);
        });
        if (nearest == after.end() || distance(*nearest) > 0.5) {
          tell(list, band.all, std::nullopt, BandCameOrWent{whose, false});
          continue;
        }
        tell(list, band.all, nearest->all, BandChanged{whose, band, *nearest});
        after.erase(nearest);
      }
      for (const FactBand& band : after) tell(list, std::nullopt, band.all, BandCameOrWent{whose, true});
    }
  }

  void parts() {
    for (const std::string& way : names("way", now_)) {
      for (const std::string part : {"highpass", "limit", "thermal"}) {
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
             PartCameOrWent{way, part, added});
        done(prefix);
      }
    }
  }

  void plain(const std::string& key) {
    if (told_.contains(key) || !moved(key)) return;
    tell(key, was(key), now(key), KeyMoved{key});
  }

  /// Volts and levels always, being what protects; what the rest is made of is in the list already, or else is told.
  void computed() {
    const bool caused = caused_ || !moves_.empty();
    for (const std::string& way : split_at(now("ways").value_or(""), ' ')) {
      const std::string base = "computed." + way + ".";
      if (told_.contains(base + "load")) continue;
      level(way, "limit", "_peak", Level::threshold);
      level(way, "thermal", "_rms", Level::power_threshold);
      level(way, "clip", "_peak", Level::clip_point);
      if (moved(base + "limited_by"))
        tell(base + "limited_by", was(base + "limited_by"), now(base + "limited_by"), LimitedBy{way});
      if (moved(base + "load")) tell(base + "load", was(base + "load"), now(base + "load"), LoadMoved{way});
      for (const char* what : {"delay_samples", "gain_db"})
        if (moved(base + what) && !caused)
          tell(base + what, was(base + what), now(base + what), ComputedAlone{way, what});
      bool sections = false;
      for (const std::string& key : order_) sections = sections || (key.starts_with(base + "section.") && moved(key));
      if (sections && !caused) tell(base + "section", "sealed", "other", SectionsAlone{way});
    }
    if (const std::string key = "computed.latency_samples"; moved(key)) tell(key, was(key), now(key), LatencyMoved{});
  }
  /// Volts at the terminals, or where they stayed the same, the level on the meter.
  void level(const std::string& way, const std::string& which, const std::string& form, Level which_level) {
    const std::string base = "computed." + way + ".";
    const std::string volts = base + which + "_volts" + form;
    const std::string dbfs = base + which + "_dbfs" + form;
    const Text a = was(volts), b = now(volts);
    if (!a || !b) return;  // the limiter that came or went is told
    if (moved(volts))
      tell(volts, a, b, LevelMoved{way, which_level, true});
    else if (moved(dbfs))
      tell(dbfs, was(dbfs), now(dbfs), LevelMoved{way, which_level, false});
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
      const FactKey key(fact.key);
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
      moves.push_back({key, name, std::nullopt, words_of(CameOrWent{"loudspeaker", name, false}, name, std::nullopt)});
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
      moves.push_back({"loudspeaker." + name, std::nullopt, name,
                       words_of(CameOrWent{"loudspeaker", name, true}, std::nullopt, name)});
  return moves;
}

}  // namespace rackproof::seal
