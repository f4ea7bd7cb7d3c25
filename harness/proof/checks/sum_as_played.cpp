/// `sum-as-played`: do the ways, as loud and as late as the file drives them, add up to one loudspeaker.
///
/// Model    of one side (all feeds driven alike): each way's linear path, measured on the device that runs, without the
///          venue; times its amplifier's gain and what its drivers make of a volt at 1 m (`sensitivity`, nominal
///          impedance, `drivers` and `wiring`); later by `depth` over the speed of sound. Where all ways have a
///          measured `response`, that takes the place of all this behind the controller: it was measured through the
///          amplifier.
/// Judged   where all ways have `sensitivity`: at each point the two sides within 6 dB of one another; between the outer
///          edges no third of an octave 10 dB below the median of them all. Where they have `depth` too: within half an
///          octave of a point the sum of its two ways at most 3 dB below both in phase (4 where odd Butterworth makes
///          them 90 degrees apart, which loses 3.01 by itself), and the thirds of an octave are those of the sum with
///          its phases; else those of the powers.
/// The outer edges are the lowest way's high-pass, else its driver's `lowest`, and the highest driver's `highest`, else
/// a lowpass of the eq, else 16 kHz (common practice, no source); and at least an octave around the points.
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numbers>
#include <optional>

#include <fmt/format.h>
#include <fmt/ranges.h>

#include "dsp/design/response.hpp"
#include "harness/analysis/bands.hpp"
#include "harness/analysis/median.hpp"
#include "harness/calibration/filters.hpp"
#include "harness/calibration/levels.hpp"
#include "harness/proof/checks/checks.hpp"
#include "harness/proof/lines.hpp"
#include "harness/proof/measured_once.hpp"
#include "harness/proof/path_parts.hpp"
#include "harness/proof/stimulation.hpp"
#include "harness/proof/way_response.hpp"

namespace rackproof::proof {
namespace {

using analysis::Complex;

constexpr double kApart_db = 6, kLoss_db = 3, kHole_db = 10;
/// Two sides that are made 90 degrees apart lose 3.01 dB by themselves; a degree or two, which any high-pass far below
/// adds, is no fault of theirs.
constexpr double kLossInQuadrature_db = 4;
constexpr double kJudgedTo_hz = 16e3, kJudgedFrom_hz = 40;

/// Which of the file's keys are missing for which judgement.
struct Missing {
  std::vector<std::string> for_level, for_phase;
};
Missing missing_in(const rig::Rig& rig) {
  Missing missing;
  for (const rig::Way& way : rig.ways) {
    const std::string level = fmt::format("driver.{}.sensitivity", way.driver);
    if (!rig.driver_of(way).sensitivity_db && std::ranges::find(missing.for_level, level) == missing.for_level.end())
      missing.for_level.push_back(level);
    if (!way.depth_m && rig.ways.size() > 1) missing.for_phase.push_back(fmt::format("way.{}.depth", way.name));
  }
  return missing;
}

/// A way's sound at 1 m, line by line, up to a factor that all ways share.
struct Voice {
  std::size_t way = 0;
  std::vector<Complex> value;
};

/// One of the three judgements; positive decibels, at most `allowed_db`.
struct Judgement {
  enum class Kind { apart, loss, hole } kind = Kind::apart;
  std::size_t point = 0;  ///< of apart and loss: way `point` meets way `point` + 1
  double db = 0, allowed_db = 0, at_hz = 0;
  std::size_t louder = 0;  ///< of apart: the way
  bool holds() const { return db <= allowed_db; }
  double share() const { return db / allowed_db; }
};

class PlayedSide {
 public:
  PlayedSide(const Subject& subject, const Side& side, const std::vector<WayResponse>* measured, bool with_phase)
      : rig_(subject.rig),
        rate_hz_(subject.rig.controller.sample_rate_hz),
        measured_(measured),
        with_phase_(with_phase) {
    for (const std::size_t o : side.outputs) {
      const OutputPlan& plan = subject.unlimited.outputs[o];
      Lines lines = lines_of(responses_without_venue(subject)[o], rate_hz_);
      step_hz_ = lines.step_hz;
      voices_.push_back({plan.way_index, std::move(lines.value)});
      sound(voices_.back(), plan);
      plans_.push_back(&plan);
    }
    edges();
    for (const rig::Point& point : rig_.points) {
      const double hz = std::sqrt(point.low.at_hz * point.high.at_hz);
      const Complex low = dsp::response(sections_of(point.low, dsp::Pass::low, rate_hz_), hz, rate_hz_);
      const Complex high = dsp::response(sections_of(point.high, dsp::Pass::high, rate_hz_), hz, rate_hz_);
      in_quadrature_.push_back(std::abs(std::abs(std::arg(low / high)) - std::numbers::pi / 2) < 0.02);
    }
  }

  std::vector<Judgement> judge() const {
    std::vector<Judgement> all;
    for (std::size_t p = 0; p < rig_.points.size(); ++p) {
      all.push_back(apart(p));
      if (with_phase_) all.push_back(loss(p, {}));
    }
    if (const auto hole = deepest_hole()) all.push_back(*hole);
    return all;
  }

  /// What was found, in a clause.
  std::string found(const Judgement& j) const {
    const auto at = [&] { return hertz_text(j.at_hz); };
    switch (j.kind) {
      case Judgement::Kind::apart:
        return fmt::format("at {} {} plays {:.1f} dB louder than {} ({:g} at most)", at(), name(j.louder), j.db,
                           name(j.louder == j.point ? j.point + 1 : j.point), j.allowed_db);
      case Judgement::Kind::loss:
        return fmt::format(
            "around {} the sum of {} and {} is up to {:.1f} dB below both in phase, at {} ({:g} at most)",
            hertz_text(point_hz(j.point)), name(j.point), name(j.point + 1), j.db, at(), j.allowed_db);
      default:
        return fmt::format(
            "from {} to {} the third of an octave at {} lies the deepest, {:.1f} dB below the median ({:g} "
            "at most)",
            hertz_text(low_hz_), hertz_text(high_hz_), at(), j.db, j.allowed_db);
    }
  }

  /// What it means and what to change.
  void cure(const Judgement& j, Finding& f) const {
    switch (j.kind) {
      case Judgement::Kind::apart:
        return level(j, f);
      case Judgement::Kind::loss:
        return phase(j, f);
      default:
        return fill(j, f);
    }
  }

 private:
  const std::string& name(std::size_t way) const { return rig_.ways[way].name; }
  double point_hz(std::size_t p) const { return std::sqrt(rig_.points[p].low.at_hz * rig_.points[p].high.at_hz); }
  double hz(std::size_t line) const { return step_hz_ * static_cast<double>(line); }
  std::size_t line_at(double frequency_hz) const {
    return static_cast<std::size_t>(
        std::clamp(std::round(frequency_hz / step_hz_), 1.0, static_cast<double>(voices_[0].value.size() - 1)));
  }

  void sound(Voice& voice, const OutputPlan& plan) const {
    const double depth_samples =
        rig_.ways[voice.way].depth_m.value_or(0) / rig::speed_of_sound(rig_.controller.temperature_degc) * rate_hz_;
    const double per_sample =
        measured_ != nullptr
            ? 1.0
            : plan.full_scale_volts_peak * analysis::ratio_from_db(plan.level_at_1m_per_volt_db.value_or(0));
    for (std::size_t k = 0; k < voice.value.size(); ++k) {
      if (measured_ != nullptr)
        voice.value[k] *= (*measured_)[voice.way].at(std::max(hz(k), step_hz_));
      else
        voice.value[k] *=
            std::polar(per_sample, -2 * std::numbers::pi * std::remainder(hz(k) / rate_hz_ * depth_samples, 1.0));
    }
  }

  Judgement apart(std::size_t p) const {
    const std::size_t line = line_at(point_hz(p));
    const double low = std::abs(voices_[p].value[line]), high = std::abs(voices_[p + 1].value[line]);
    const double db = finite_db(low) - finite_db(high);
    return {Judgement::Kind::apart, p, std::abs(db), kApart_db, point_hz(p), db > 0 ? p : p + 1};
  }

  /// The worst within half an octave of point `p`, of its two ways, the upper one times `turned`(hz).
  template <class Turned>
  Judgement loss_with(std::size_t p, Turned&& turned) const {
    Judgement j{Judgement::Kind::loss, p, 0, kLoss_db, point_hz(p), 0};
    if (in_quadrature_[p]) j.allowed_db = kLossInQuadrature_db;
    const double half_octave = std::numbers::sqrt2;
    const std::size_t first = line_at(point_hz(p) / half_octave), last = line_at(point_hz(p) * half_octave);
    // Smooth in between: a few hundred lines say it all.
    const std::size_t stride = std::max<std::size_t>((last - first) / 256, 1);
    for (std::size_t k = first; k <= last; k += stride) {
      const Complex low = voices_[p].value[k], high = voices_[p + 1].value[k] * turned(hz(k));
      const double both = std::abs(low) + std::abs(high);
      if (!(both > 0)) continue;
      const double db = -finite_db(std::abs(low + high) / both);
      if (db > j.db) {
        j.db = db;
        j.at_hz = hz(k);
      }
    }
    return j;
  }
  Judgement loss(std::size_t p, std::optional<Complex> factor) const {
    return loss_with(p, [&](double) { return factor.value_or(1.0); });
  }

  /// The way whose band holds `frequency_hz`.
  std::size_t way_at(double frequency_hz) const {
    std::size_t way = 0;
    while (way < rig_.points.size() && point_hz(way) < frequency_hz) ++way;
    return way;
  }
  double lowest_of(const std::vector<rig::EqBand>& eq, rig::EqType type, double otherwise) const {
    for (const rig::EqBand& band : eq)
      if (band.type == type) otherwise = std::min(otherwise, band.at_hz);
    return otherwise;
  }
  void edges() {
    constexpr double kNone = std::numeric_limits<double>::infinity();
    const rig::Way &bottom = rig_.ways.front(), &top = rig_.ways.back();
    const double by_eq =
        lowest_of(rig_.system_eq, rig::EqType::highpass, lowest_of(bottom.eq, rig::EqType::highpass, kNone));
    low_hz_ = bottom.highpass ? bottom.highpass->at_hz
              : by_eq < kNone ? by_eq
                              : rig_.driver_of(bottom).lowest_hz.value_or(kJudgedFrom_hz);
    const double cut =
        lowest_of(rig_.system_eq, rig::EqType::lowpass, lowest_of(top.eq, rig::EqType::lowpass, kJudgedTo_hz));
    high_hz_ = rig_.driver_of(top).highest_hz.value_or(cut);
    if (!rig_.points.empty()) {
      low_hz_ = std::min(low_hz_, rig_.points.front().low.at_hz / 2);
      high_hz_ = std::max(high_hz_, std::min(2 * rig_.points.back().high.at_hz, kJudgedTo_hz));
    }
    if (measured_ != nullptr) {  // beyond a measurement's ends there is none
      low_hz_ = std::max(low_hz_, measured_->front().from_hz());
      high_hz_ = std::min(high_hz_, measured_->back().to_hz());
    }
    low_hz_ = std::max(low_hz_, 20.0);
    high_hz_ = std::min({high_hz_, 20e3, 0.45 * rate_hz_});
  }
  std::optional<Judgement> deepest_hole() const {
    const std::size_t count = voices_[0].value.size();
    std::vector<double> power_to(count + 1, 0.0);  // of the lines below each
    for (std::size_t k = 0; k < count; ++k) {
      Complex sum = 0;
      double power = 0;
      for (const Voice& voice : voices_) {
        sum += voice.value[k];
        power += std::norm(voice.value[k]);
      }
      power_to[k + 1] = power_to[k] + (with_phase_ ? std::norm(sum) : power);
    }
    const double half = std::pow(2, 1.0 / 6);
    std::vector<double> levels, centres;
    for (const double centre : analysis::log_frequencies(low_hz_ * half, high_hz_ / half, 12)) {
      const std::size_t first = line_at(centre / half), end = line_at(centre * half) + 1;
      const double mean = (power_to[end] - power_to[first]) / static_cast<double>(end - first);
      levels.push_back(0.5 * finite_db(mean));
      centres.push_back(centre);
    }
    if (levels.empty()) return {};
    const auto least = static_cast<std::size_t>(std::ranges::min_element(levels) - levels.begin());
    return Judgement{Judgement::Kind::hole, 0, analysis::median(levels) - levels[least], kHole_db, centres[least], 0};
  }

  /// What may be meant to be there: all parts of a way but those that its points are.
  std::vector<PathPart> own_parts(std::size_t way) const {
    std::vector<PathPart> parts = parts_of_path(rig_, nullptr, way, "");
    std::erase_if(parts,
                  [](const PathPart& part) { return part.key.starts_with("crossover.") || part.sections.empty(); });
    return parts;
  }

  void level(const Judgement& j, Finding& f) const {
    const std::size_t quieter = j.louder == j.point ? j.point + 1 : j.point;
    f.text += fmt::format(
        "Ways so far apart in level do not meet: around the point {} alone is heard, and eq that fills what is missing "
        "drives a driver harder. ",
        name(j.louder));
    // A filter of one way's own that stands at the point, of which the other has none.
    std::vector<PathPart> of_louder = own_parts(j.louder), of_quieter = own_parts(quieter);
    const auto shared = [](const PathPart& part) { return part.key.starts_with("system."); };
    std::erase_if(of_louder, shared);
    std::erase_if(of_quieter, shared);
    std::string cause = what_adds(of_louder, j.at_hz, rate_hz_);
    if (const std::string takes = what_takes(of_quieter, j.at_hz, rate_hz_); !takes.empty())
      cause += (cause.empty() ? "" : ", ") + takes;
    if (!cause.empty()) {
      f.text += fmt::format("There {}: look at that first.", cause);
      for (const auto& [parts, sign] : {std::pair(&of_louder, 1.0), std::pair(&of_quieter, -1.0)})
        if (const PathPart* eq = strongest_eq(*parts, j.at_hz, rate_hz_, sign);
            eq != nullptr && std::abs(j.db - sign * eq->level_db(j.at_hz, rate_hz_)) <= j.allowed_db)
          f.change = {eq->key, ""};
      return;
    }
    if (measured_ == nullptr)
      f.text += fmt::format("{}. ", chain_text(j.louder)) + fmt::format("{}. ", chain_text(quieter));
    // The gain that needs the least: down with the louder one, or up with the other.
    const double down = rig_.ways[j.louder].gain_db - j.db, up = rig_.ways[quieter].gain_db + j.db;
    const bool lower = std::abs(down) <= std::abs(up) + 1e-9;
    f.change = {fmt::format("way.{}.gain", name(lower ? j.louder : quieter)),
                fmt::format("\"{:+.1f} dB\"", lower ? down : up)};
    f.text += fmt::format("If these figures are right, set {}.", line_of(*f.change));
  }
  /// Where a way's level comes from.
  std::string chain_text(std::size_t way) const {
    const rig::Way& own = rig_.ways[way];
    const rig::Driver& driver = rig_.driver_of(own);
    return fmt::format(
        "{}: way.{}.gain {:+g} dB, amplifier.{} {:+.1f} dB, driver.{}.sensitivity {:g} dB at {:g} ohm, {} driver{}{}",
        own.name, own.name, own.gain_db, own.amplifier, plan_of(way).amplifier_gain_db, own.driver,
        *driver.sensitivity_db, driver.impedance_ohm, own.drivers, own.drivers > 1 ? "s" : "",
        own.drivers > 1 ? own.in_series ? " in series" : " in parallel" : "");
  }
  const OutputPlan& plan_of(std::size_t way) const { return *plans_[way]; }

  /// The one change that leaves the least loss.
  void phase(const Judgement& j, Finding& f) const {
    struct Candidate {
      double db;
      std::string text;
      std::optional<Change> change;
    };
    std::vector<Candidate> candidates;
    const std::size_t p = j.point;
    for (const std::size_t way : {p, p + 1})
      for (const PathPart& part : own_parts(way)) {
        if (part.key.starts_with("system.")) continue;
        const Judgement without = loss_with(p, [&](double frequency_hz) {
          const Complex h = part.at(frequency_hz, rate_hz_);
          if (std::abs(h) < 1e-6) return Complex(1.0);
          const Complex turn = h / std::abs(h);  // its phase alone: the level is the other judgement's
          return way == p ? turn : 1.0 / turn;
        });
        candidates.push_back({without.db,
                              fmt::format("{} turns the phase there: take it out, or move it.", part.named()),
                              Change{part.key, ""}});
      }
    for (const std::size_t way : {p + 1, p}) {
      const Change change{fmt::format("way.{}.polarity", name(way)),
                          rig_.ways[way].inverted ? "\"normal\"" : "\"inverted\""};
      candidates.push_back(
          {loss(p, -1.0).db,
           fmt::format("The two are opposed there: set {}, unless a driver's wiring already turns it over.",
                       line_of(change)),
           change});
      if (rig_.ways[p + 1].inverted) break;  // rather back to normal than inverted
    }
    const double period_s = 1 / point_hz(p);
    constexpr int kSteps = 48, kPeriods = 3;
    for (int step = -kPeriods * kSteps; step <= kPeriods * kSteps; ++step) {
      const double later_s = step * period_s / kSteps;  // of the upper way
      if (step == 0) continue;
      const Judgement moved = loss_with(p, [&](double frequency_hz) {
        return std::polar(1.0, -2 * std::numbers::pi * std::remainder(frequency_hz * later_s, 1.0));
      });
      const double upper_s = rig_.ways[p + 1].delay_s + later_s, lower_s = rig_.ways[p].delay_s - later_s;
      // The one of the two that is late already goes back; if neither can, the other one waits.
      constexpr double kNothing_s = 1e-9;  // what rounding leaves of a delay that goes back to 0
      const bool move_upper = later_s > 0 ? lower_s < -kNothing_s : upper_s >= -kNothing_s;
      const Change change{fmt::format("way.{}.delay", name(move_upper ? p + 1 : p)),
                          fmt::format("\"{:.4g} ms\"", 1e3 * std::max(move_upper ? upper_s : lower_s, 0.0))};
      // A longer shift must be worth it.
      candidates.push_back(
          {moved.db + 0.003 * std::abs(step),
           fmt::format("{} comes too {}: set {}.", name(p + 1), later_s < 0 ? "late" : "early", line_of(change)),
           change});
    }
    const Candidate& best = *std::ranges::min_element(candidates, {}, &Candidate::db);
    f.text += "Where both play, the two take from each other what they should add. ";
    if (best.db > j.allowed_db) {
      f.text += fmt::format(
          "No single delay, polarity or filter mends it: look at delay, polarity, eq and depth of ways {} and {}.",
          name(p), name(p + 1));
      return;
    }
    f.text += best.text + " Where the boxes do not stand in one line, their distance counts too: measure, and align.";
    f.change = best.change;
  }

  void fill(const Judgement& j, Finding& f) const {
    const std::size_t way = way_at(j.at_hz);
    std::vector<PathPart> parts = parts_of_path(rig_, nullptr, way, "");
    std::erase_if(parts, [](const PathPart& part) { return part.sections.empty(); });
    const std::string takes = what_takes(parts, j.at_hz, rate_hz_);
    if (const PathPart* eq = strongest_eq(parts, j.at_hz, rate_hz_, -1);
        eq != nullptr && j.db + eq->level_db(j.at_hz, rate_hz_) <= j.allowed_db)
      f.change = {eq->key, ""};
    f.text += takes.empty()
                  ? fmt::format(
                        "That is a hole in what should be the band of way {}: look at way.{}.gain and at the "
                        "points and levels around it.",
                        name(way), name(way))
                  : fmt::format("That is a hole in what should be the band of way {}: there {}.", name(way), takes);
  }

  const rig::Rig& rig_;
  double rate_hz_, step_hz_ = 1;
  const std::vector<WayResponse>* measured_;
  bool with_phase_;
  std::vector<bool> in_quadrature_;  ///< of a point: its two sides are made 90 degrees apart
  std::vector<Voice> voices_;
  std::vector<const OutputPlan*> plans_;
  double low_hz_ = 0, high_hz_ = 0;  ///< the outer edges
};

std::string would_let(const std::vector<std::string>& keys, const char* what) {
  return fmt::format("{} would let it judge {}", fmt::join(keys, ", "), what);
}

}  // namespace

std::vector<Finding> check_sum_as_played(const Subject& subject) {
  const auto measured = way_responses(subject.rig);
  const Missing missing = missing_in(subject.rig);
  Finding blank{.id = "sum-as-played", .output = {}, .unit = "dB", .accepted = {}, .text = {}};
  if (!measured && !missing.for_level.empty()) {
    blank.holds = true;
    blank.judged = false;
    blank.text = "Cannot be judged: how loud the ways play is not given. " +
                 would_let(missing.for_level, "whether the ways meet at one level and leave no hole");
    if (!missing.for_phase.empty()) blank.text += "; " + would_let(missing.for_phase, "whether they add up in phase");
    blank.text += ". So would a measured response of all ways (way.NAME.response).";
    return {blank};
  }
  const bool with_phase = measured.has_value() || missing.for_phase.empty();
  const std::vector<Side> sides = sides_of(subject.rig, subject.unlimited);
  if (sides.empty()) {
    blank.holds = true;
    blank.judged = false;
    blank.text = "Cannot be judged: no feed reaches all ways, so that they never play together. See crossover-sum.";
    return {blank};
  }
  std::vector<Finding> findings;
  for (const Side& side : sides) {
    const PlayedSide played(subject, side, measured ? &*measured : nullptr, with_phase);
    const std::vector<Judgement> all = played.judge();
    Finding f = blank;
    f.text = sides.size() > 1 ? fmt::format("Side {}: ", side.feed) : "";
    if (all.empty()) {
      f.holds = true;
      f.judged = false;
      f.text += "Cannot be judged: between the outer edges of the band there is not a third of an octave.";
      findings.push_back(std::move(f));
      continue;
    }
    f.holds = std::ranges::all_of(all, &Judgement::holds);
    // Of those that fall a level comes first: with it the others may fall away.
    const auto fell = std::ranges::find(all, false, &Judgement::holds);
    const Judgement& told = f.holds ? *std::ranges::max_element(all, {}, &Judgement::share) : *fell;
    f.measured = told.db;
    f.allowed = told.allowed_db;
    std::vector<std::string> found;
    for (const Judgement& j : all) found.push_back(played.found(j));
    f.text += fmt::format("As it plays, {}. ", fmt::join(found, "; "));
    if (f.holds) f.text += "The ways play as one.";
    if (!f.holds) played.cure(told, f);
    if (!with_phase) {
      f.left_open = would_let(missing.for_phase, "whether the ways add up in phase") + ".";
      f.text += " " + f.left_open;
    }
    findings.push_back(std::move(f));
  }
  return findings;
}

}  // namespace rackproof::proof
