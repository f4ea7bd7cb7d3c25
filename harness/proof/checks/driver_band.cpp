/// `driver-band`: what reaches a driver outside the band that its sheet gives, measured on the linear path that runs,
/// without tonight's venue, which protects nothing, being gone tomorrow, and with it, for what it adds.
///
/// Against the median level of the way where driver and way both play, or, where that is lower, against what it would be
/// without what eq lifts elsewhere in the band (a horn's shelf hides nothing at its other end): at least 12 dB down from
/// an octave outside `lowest` and `highest` on, and in the octave between no more than 3 dB up. Below its band a cone
/// moves too far and a compression driver's diaphragm breaks; above it, it breaks up and beams. What lies above 20 kHz
/// is not judged: no programme has power there that counts (common practice, no source).
#include <algorithm>
#include <cmath>
#include <limits>

#include <fmt/format.h>

#include "harness/analysis/bands.hpp"
#include "harness/analysis/median.hpp"
#include "harness/proof/checks/checks.hpp"
#include "harness/proof/lines.hpp"
#include "harness/proof/measured_once.hpp"
#include "harness/proof/path_parts.hpp"
#include "harness/proof/stimulation.hpp"

namespace rackproof::proof {
namespace {

constexpr double kFarOutside_db = -12, kJustOutside_db = 3;
constexpr double kLowest_hz = 20, kHighest_hz = 20e3;  ///< where a sheet or a way gives no edge

struct Level {
  double db = -400, hz = 0;
  double allowed_db = 0;
  double excess_db() const { return db - allowed_db; }
};

class BandOfDriver {
 public:
  /// `venue`: the subject's, or null for what is left once it is gone.
  BandOfDriver(const Subject& subject, std::size_t output, const rig::Venue* venue)
      : subject_(subject),
        venue_(venue),
        plan_(subject.unlimited.outputs[output]),
        driver_(subject.rig.driver_of(way_of(subject, plan_))),
        rate_hz_(subject.rig.controller.sample_rate_hz),
        lines_(lines_of((venue != nullptr ? linear_responses(subject) : responses_without_venue(subject))[output],
                        rate_hz_)) {
    band();
  }

  Finding finding() {
    Finding f{.id = "driver-band", .output = plan_.name, .unit = "dB", .accepted = {}, .text = {}};
    if (!driver_.lowest_hz && !driver_.highest_hz) {
      f.holds = true;
      f.judged = false;
      f.text = fmt::format(
          "Cannot be judged: the band of driver {0} is not given. driver.{0}.lowest and driver.{0}.highest would let it "
          "judge whether {1} feeds it what it cannot play.",
          driver_.name, plan_.name);
      return f;
    }
    f.text = fmt::format("Against the level of {} from {} to {}{}{}: ", plan_.name, hertz_text(from_hz_),
                         hertz_text(to_hz_), lifted_ ? ", less what its eq lifts there" : "",
                         subject_.venue != nullptr && venue_ == nullptr ? ", without tonight's venue" : "");
    std::vector<Level> judged;
    if (driver_.lowest_hz) below(*driver_.lowest_hz, judged, f.text);
    if (driver_.highest_hz) above(*driver_.highest_hz, judged, f.text);
    f.text += ". ";
    f.holds = std::ranges::all_of(judged, [](const Level& level) { return level.excess_db() <= 0; });
    const Level& worst = *std::ranges::max_element(judged, {}, &Level::excess_db);
    f.measured = worst.db;
    f.allowed = worst.allowed_db;
    if (f.holds) {
      f.text += fmt::format("Driver {} gets little of what it cannot play.", driver_.name);
      for (const auto& [given, key] :
           {std::pair(driver_.lowest_hz, "lowest"), std::pair(driver_.highest_hz, "highest")})
        if (!given) f.left_open = fmt::format("driver.{}.{} would let it judge the other side.", driver_.name, key);
      if (!f.left_open.empty()) f.text += " " + f.left_open;
    } else {
      const bool low = driver_.lowest_hz && worst.hz <= *driver_.lowest_hz;
      f.text += low ? fmt::format(
                          "Driver {} may be used from {} up; at {} it gets too much. Below its band it moves further "
                          "than it can and breaks. ",
                          driver_.name, hertz_text(*driver_.lowest_hz), hertz_text(worst.hz))
                    : fmt::format(
                          "Driver {} may be used up to {}; at {} it gets too much. Above its band it breaks up, beams "
                          "and distorts. ",
                          driver_.name, hertz_text(*driver_.highest_hz), hertz_text(worst.hz));
      cure(low, worst, f);
    }
    return f;
  }

 private:
  /// Where driver and way both play; where they do not meet, the driver's own band.
  void band() {
    constexpr double kLeastWidth = 1.2599;  // a third of an octave
    const double lowest = driver_.lowest_hz.value_or(kLowest_hz), highest = driver_.highest_hz.value_or(kHighest_hz);
    const double most_hz = 0.45 * rate_hz_;
    from_hz_ = std::max(lowest, plan_.low_edge_hz);
    to_hz_ = std::min({highest, plan_.high_edge_hz > 0 ? plan_.high_edge_hz : highest, most_hz});
    if (to_hz_ < from_hz_ * kLeastWidth) {
      from_hz_ = std::min(lowest, most_hz);
      to_hz_ = std::min(highest, most_hz);
    }
    std::vector<PathPart> parts = parts_of_path(subject_.rig, venue_, plan_.way_index, plan_.feed);
    std::erase_if(parts, [](const PathPart& part) { return !part.is_eq; });
    const auto lift_db = [&](double hz) {
      double sum = 0;
      for (const PathPart& part : parts) sum += std::max(0.0, part.level_db(hz, rate_hz_));
      return sum;
    };
    std::vector<double> levels, unlifted;
    std::vector<double> grid = analysis::log_frequencies(from_hz_, to_hz_, 24);
    if (grid.empty()) grid.push_back(from_hz_);
    for (const double hz : grid) {
      levels.push_back(level_db(lines_.nearest(hz)));
      unlifted.push_back(levels.back() - lift_db(hz));
    }
    const double all_db = analysis::median(levels), even_db = analysis::median(unlifted);
    low_db_ = std::min(all_db, even_db + lift_db(from_hz_));
    high_db_ = std::min(all_db, even_db + lift_db(to_hz_));
    lifted_ = std::min(low_db_, high_db_) < all_db - 0.1;
  }
  double level_db(std::size_t line) const { return finite_db(std::abs(lines_.value[line])); }
  /// The loudest line from `from_hz` to `to_hz`, against `own_db`; nothing where no line lies there.
  std::optional<Level> loudest(double from_hz, double to_hz, double own_db, double allowed_db) const {
    const std::size_t first = std::max<std::size_t>(lines_.from(from_hz), 1);
    const std::size_t end = std::min(lines_.from(to_hz + lines_.step_hz / 2), lines_.value.size());
    if (first >= end) return {};
    std::size_t loudest = first;
    for (std::size_t k = first; k < end; ++k)
      if (std::norm(lines_.value[k]) > std::norm(lines_.value[loudest])) loudest = k;
    return Level{level_db(loudest) - own_db, lines_.hz(loudest), allowed_db};
  }
  static void note(const std::optional<Level>& level, const std::string& where, std::vector<Level>& judged,
                   std::string& text) {
    if (!level) return;
    text += fmt::format("{}{:+.1f} dB {}, at {} ({:+g} at most)", judged.empty() ? "" : "; ", level->db, where,
                        hertz_text(level->hz), level->allowed_db);
    judged.push_back(*level);
  }
  void below(double lowest_hz, std::vector<Level>& judged, std::string& text) const {
    note(loudest(0, lowest_hz / 2, low_db_, kFarOutside_db),
         fmt::format("an octave below {} and lower", hertz_text(lowest_hz)), judged, text);
    note(loudest(lowest_hz / 2, lowest_hz, low_db_, kJustOutside_db), "just below it", judged, text);
  }
  void above(double highest_hz, std::vector<Level>& judged, std::string& text) const {
    const double most_hz = std::min(kHighest_hz, 0.5 * rate_hz_);
    if (2 * highest_hz < most_hz)
      note(loudest(2 * highest_hz, most_hz, high_db_, kFarOutside_db),
           fmt::format("an octave above {} and higher", hertz_text(highest_hz)), judged, text);
    std::optional<Level> above = loudest(highest_hz, std::min(2 * highest_hz, most_hz), high_db_, kJustOutside_db);
    // The last octave of a horn is often lifted, as its beam narrows: what goes on as it was is not outside.
    if (2 * highest_hz >= kHighest_hz && above)
      if (const auto edge = loudest(highest_hz / 2, highest_hz, high_db_, 0)) above->db -= std::max(edge->db, 0.0);
    if (highest_hz < most_hz) note(above, fmt::format("just above {}", hertz_text(highest_hz)), judged, text);
    if (judged.empty()) {  // nothing to judge: at the level that may be
      text += fmt::format("{} is beyond what is judged here, {}", hertz_text(highest_hz), hertz_text(most_hz));
      judged.push_back({kFarOutside_db, highest_hz, kFarOutside_db});
    }
  }

  /// What a person would change: a band that boosts there, or the filter that should take more.
  void cure(bool low, const Level& worst, Finding& f) const {
    std::vector<PathPart> parts = parts_of_path(subject_.rig, venue_, plan_.way_index, plan_.feed);
    std::erase_if(parts, [](const PathPart& part) { return !part.is_eq; });
    const PathPart* booster = strongest_eq(parts, worst.hz, rate_hz_, 1);
    if (booster != nullptr && booster->level_db(worst.hz, rate_hz_) > worst.excess_db()) f.change = {booster->key, ""};
    double boost_db = 0;
    for (const PathPart& part : parts) boost_db += std::max(0.0, part.level_db(worst.hz, rate_hz_));
    if (const std::string adds = what_adds(parts, worst.hz, rate_hz_); boost_db >= worst.excess_db() && !adds.empty()) {
      f.text += fmt::format("There {}: take that out.", adds);
      return;
    }
    f.change.reset();
    const std::string takes = what_takes(parts, std::sqrt(from_hz_ * to_hz_), rate_hz_);
    if (worst.allowed_db == kJustOutside_db || !takes.empty()) {
      f.text += takes.empty() ? fmt::format("Its own band is quieter: look at {} and at the points.", key(plan_, "eq"))
                              : fmt::format("Its own band is quieter, for there {}.", takes);
      return;
    }
    const rig::Way& way = way_of(subject_, plan_);
    const double limit_hz = low ? *driver_.lowest_hz : *driver_.highest_hz;
    const std::string at = fmt::format("\"{}\"", hertz_text(limit_hz));
    const bool has_point = low ? plan_.way_index > 0 : plan_.way_index < subject_.rig.points.size();
    const bool own = low && way.highpass && (!has_point || way.highpass->at_hz > plan_.low_edge_hz * (1 - 1e-9));
    if (!has_point && !own) {
      f.change = low ? std::optional(
                           Change{key(plan_, "highpass"),
                                  fmt::format("{{ at = {}, alignment = \"butterworth\", slope = \"24 dB/oct\" }}", at)})
                     : std::nullopt;
      f.text += low ? fmt::format("Set {}.", line_of(*f.change))
                    : fmt::format("Give {} a band {{ type = \"lowpass\", at = {}, q = 0.707 }}.", key(plan_, "eq"), at);
      return;
    }
    const std::size_t p = low ? plan_.way_index - 1 : plan_.way_index;
    std::string where = key(plan_, "highpass");
    const rig::Filter* filter = own ? &*way.highpass : nullptr;
    if (!own) {
      const rig::Point& point = subject_.rig.points[p];
      filter = low ? &point.high : &point.low;
      where = fmt::format("crossover.points[{}]", p + 1);
      if (point.low.at_hz != point.high.at_hz || point.low.slope_db_per_oct != point.high.slope_db_per_oct ||
          point.low.alignment != point.high.alignment)
        where += low ? ".high" : ".low";
    }
    const bool inside = low ? filter->at_hz >= limit_hz : filter->at_hz <= limit_hz;
    if (inside || filter->slope_db_per_oct < 18) {
      f.change = {where + ".slope", "\"24 dB/oct\""};
      f.text += fmt::format("Set {}{}.", line_of(*f.change),
                            inside ? "" : fmt::format(", and its at to {} or {}", at, low ? "higher" : "lower"));
    } else {
      f.change = {where + ".at", at};
      f.text += fmt::format("Set {} or {}.", line_of(*f.change), low ? "higher" : "lower");
    }
  }

  const Subject& subject_;
  const rig::Venue* venue_;
  const OutputPlan& plan_;
  const rig::Driver& driver_;
  double rate_hz_;
  Lines lines_;
  double from_hz_ = 0, to_hz_ = 0;
  double low_db_ = 0, high_db_ = 0;  ///< what is judged below and above the band is set against these
  bool lifted_ = false;
};

}  // namespace

std::vector<Finding> check_driver_band(const Subject& subject) {
  std::vector<Finding> findings;
  for (std::size_t o = 0; o < subject.unlimited.outputs.size(); ++o) {
    Finding alone = BandOfDriver(subject, o, nullptr).finding();
    findings.push_back(alone.holds && subject.venue != nullptr ? BandOfDriver(subject, o, subject.venue).finding()
                                                               : std::move(alone));
  }
  return findings;
}

}  // namespace rackproof::proof
