/// `crossover-sum` and `crossover-level`: do the ways, added up, give back what came in, and do they meet where and as
/// loud as their filters are known to.
///
/// The electrical sum is that of the crossover by itself: points, polarities and all-passes as the file has them;
/// gains, delays, eq and high-pass filters, which correct drivers and boxes, taken out. It is held to 0 dB +-0.5 dB,
/// from an octave below the lowest point to an octave above the highest.
/// The acoustic sum, where all ways have a measured response, is that of everything in the file (gains, delays, eq,
/// high-pass filters; no venue) times those responses. It is held to +-3 dB around its own median in the same band, as
/// the pass band of a loudspeaker usually is (common practice, no source); it is not smoothed.
#include <algorithm>
#include <array>
#include <bit>
#include <cmath>
#include <complex>
#include <optional>

#include <fmt/format.h>
#include <fmt/ranges.h>

#include "dsp/design/response.hpp"
#include "harness/analysis/bands.hpp"
#include "harness/analysis/decibels.hpp"
#include "harness/analysis/median.hpp"
#include "harness/calibration/filters.hpp"
#include "harness/proof/checks/checks.hpp"
#include "harness/proof/impulse_response.hpp"
#include "harness/proof/measured_once.hpp"
#include "harness/proof/stimulation.hpp"
#include "harness/proof/way_response.hpp"

namespace rackproof::proof {
namespace {

using Complex = std::complex<double>;
using Spectra = std::vector<std::vector<Complex>>;  ///< one a way, on one grid

constexpr double kElectrical_db = 0.5, kAcoustic_db = 3.0;
constexpr double kLevel_db = 0.1;  ///< of a side, at its point and an octave into what it takes away
constexpr double kTold_db = -90;   ///< a level below that is not judged
constexpr double kMeetLeast_db = -10, kMeetMost_db = -1;  ///< of sides set apart: in phase they then add to -4 .. +5 dB

/// From an octave below the lowest point to an octave above the highest, with the points themselves: nulls stand there.
std::vector<double> band_of_points(const rig::Rig& rig) {
  std::vector<double> at;
  for (const rig::Point& point : rig.points) at.insert(at.end(), {point.low.at_hz, point.high.at_hz});
  const auto [lowest, highest] = std::ranges::minmax(at);
  const double most = 0.45 * rig.controller.sample_rate_hz;
  std::vector<double> grid = analysis::log_frequencies(lowest / 2, std::min(2 * highest, most), 96);
  for (const double hz : at)
    if (hz < most) grid.push_back(hz);
  std::ranges::sort(grid);
  return grid;
}

Spectra spectra_of(const Side& side, const std::vector<Impulse>& responses, const std::vector<double>& grid,
                   double rate_hz) {
  Spectra ways;
  for (const std::size_t o : side.outputs) ways.push_back(spectrum(responses[o], grid, rate_hz));
  return ways;
}

/// How far a sum is from flat.
struct Flatness {
  double most_db = 0, most_hz = 0, least_db = 0, least_hz = 0;
  double worst_db() const { return std::max(std::abs(most_db), std::abs(least_db)); }
};
/// `turned`: a bit a way whose polarity is turned over.
Flatness flatness(const Spectra& ways, const std::vector<double>& grid, bool around_median, unsigned turned = 0) {
  std::vector<double> level_db;
  for (std::size_t i = 0; i < grid.size(); ++i) {
    Complex sum = 0;
    for (std::size_t w = 0; w < ways.size(); ++w) sum += (turned >> w & 1u) != 0 ? -ways[w][i] : ways[w][i];
    level_db.push_back(finite_db(std::abs(sum)));
  }
  const double flat_db = around_median ? analysis::median(level_db) : 0;
  const auto [least, most] = std::ranges::minmax_element(level_db);
  const auto at = [&](auto place) { return grid[static_cast<std::size_t>(place - level_db.begin())]; };
  return {*most - flat_db, at(most), *least - flat_db, at(least)};
}

std::string flatness_text(const Flatness& f) {
  const auto decibels = [](double db) { return fmt::format("{:+.2f} dB", std::round(db * 100) / 100 + 0.0); };
  return fmt::format("{} at {} and {} at {}", decibels(f.most_db), hertz_text(f.most_hz),
                     f.least_db < -60 ? "a null (more than 60 dB missing)" : decibels(f.least_db),
                     hertz_text(f.least_hz));
}

/// Ways to turn over so that the sum holds: so that the fewest are inverted then, the fewest are touched, and the lows
/// stay as they are.
std::optional<unsigned> turns_that_hold(const rig::Rig& rig, const Spectra& ways, const std::vector<double>& grid,
                                        bool around_median, double allowed_db) {
  unsigned inverted = 0;
  for (std::size_t w = 0; w < rig.ways.size(); ++w) inverted |= rig.ways[w].inverted ? 1u << w : 0u;
  const auto cost = [&](unsigned turned) { return std::pair(std::popcount(inverted ^ turned), std::popcount(turned)); };
  std::optional<unsigned> best;
  for (unsigned turned = (1u << ways.size()) - 1; turned > 0; --turned)
    if ((!best || cost(turned) < cost(*best)) && flatness(ways, grid, around_median, turned).worst_db() <= allowed_db)
      best = turned;
  return best;
}

struct Remedy {
  std::string text;
  std::optional<Change> change = {};
};
Remedy remedy(const Subject& subject, const Spectra& ways, const std::vector<double>& grid, bool acoustic) {
  const rig::Rig& rig = subject.rig;
  if (const auto turned = turns_that_hold(rig, ways, grid, acoustic, acoustic ? kAcoustic_db : kElectrical_db)) {
    std::vector<Change> changes;
    std::vector<std::string> lines;
    for (std::size_t w = 0; w < ways.size(); ++w)
      if ((*turned >> w & 1u) != 0) {
        changes.push_back(
            {fmt::format("way.{}.polarity", rig.ways[w].name), rig.ways[w].inverted ? "\"normal\"" : "\"inverted\""});
        lines.push_back(line_of(changes.back()));
      }
    return {fmt::format(
                "Two ways cancel where both play; whoever turns that range up wastes power. Set {}: the same "
                "signals then add up. If a driver's wiring already turns it over, say so under [accept] crossover-sum.",
                fmt::join(lines, " and ")),
            changes.size() == 1 ? std::optional(changes.front()) : std::nullopt};
  }
  if (acoustic)
    return {
        "Look at the dip's frequency: near a point it is time or polarity (way.NAME.delay, way.NAME.polarity), "
        "inside a way's own band it is level or the driver (way.NAME.gain, way.NAME.eq)."};
  return {
      fmt::format("No polarity mends it. Give both sides of each of crossover.points the same `at` with alignment = "
                  "\"linkwitz-riley\" and slope = \"24 dB/oct\"{}; or, where the drivers' own slopes do the rest, "
                  "measure them, name the files as way.NAME.response, or say why it is right under [accept] "
                  "crossover-sum.",
                  rig.phase_matched ? "" : ", and crossover.phase_matched = true")};
}

/// What the high-pass filters, which the electrical sum leaves out, do to it: for information.
std::string with_highpass(const Subject& subject, const std::vector<double>& grid) {
  const rig::Rig& rig = subject.rig;
  std::vector<std::string> near;
  for (std::size_t w = 0; w < rig.ways.size(); ++w) {
    const auto& highpass = rig.ways[w].highpass;
    if (highpass && highpass->at_hz > grid.front() / 4)
      near.push_back(fmt::format("way.{}.highpass at {}", rig.ways[w].name, hertz_text(highpass->at_hz)));
  }
  if (near.empty()) return "";
  const rig::Rig variant = crossover_alone(rig, {.highpass = true, .delay = true});
  const std::vector<Impulse> responses = impulse_responses_of(subject, variant);
  const Side side = sides_of(rig, subject.unlimited).front();
  const Flatness f = flatness(spectra_of(side, responses, grid, rig.controller.sample_rate_hz), grid, false);
  return fmt::format(
      " For information: with {} and the delays of the file in it, it reads {}; a high-pass turns the phase of its way "
      "up to two octaves above its corner, which a lower corner or a little delay of that way brings back, and delays "
      "that answer to where the boxes stand show here as dips.",
      fmt::join(near, ", "), flatness_text(f));
}

Finding nothing_to_add(const char* id, const char* unit) {
  return {.id = id,
          .output = {},
          .holds = true,
          .measured = 0,
          .allowed = 0,
          .unit = unit,
          .accepted = {},
          .text = "One way alone: there is no crossover point."};
}
/// What is split and never comes together again.
Finding never_together(const rig::Rig& rig, const CompiledRig& compiled) {
  std::size_t most = 0;
  for (std::size_t f = 0; f < rig.feeds.size(); ++f)
    most = std::max(most, static_cast<std::size_t>(std::ranges::count_if(
                              compiled.outputs, [f](const OutputPlan& plan) { return plan.hears(f); })));
  std::vector<std::string> hear;
  for (const rig::Way& way : rig.ways) {
    std::vector<std::string> feeds;
    for (const std::size_t feed : way.only) feeds.push_back(rig.feeds[feed].name);
    for (const rig::MixedFeed& one : way.mix) feeds.push_back(rig.feeds[one.feed].name);
    hear.push_back(
        fmt::format("{} hears {}", way.name, feeds.empty() ? "all" : fmt::format("{}", fmt::join(feeds, " and "))));
  }
  return {.id = "crossover-sum",
          .output = {},
          .holds = false,
          .measured = static_cast<double>(rig.ways.size() - most),
          .allowed = 0,
          .unit = "ways missing",
          .accepted = {},
          .text = fmt::format("No feed reaches all ways ({}): what is split here never comes back whole. Give the ways "
                              "feeds that they share, or, where a way has a feed of its own on purpose, say so under "
                              "[accept] crossover-sum.",
                              fmt::join(hear, ", "))};
}

}  // namespace

std::vector<Finding> check_crossover_sum(const Subject& subject) {
  const rig::Rig& rig = subject.rig;
  const double rate_hz = rig.controller.sample_rate_hz;
  const auto measured = way_responses(rig);
  if (rig.points.empty()) return {nothing_to_add("crossover-sum", "dB")};
  const bool acoustic = measured.has_value();
  const std::vector<double> grid = band_of_points(rig);
  const std::vector<Impulse>& responses = acoustic ? responses_without_venue(subject) : crossover_responses(subject);
  const std::vector<Side> sides = sides_of(rig, subject.unlimited);
  if (sides.empty()) return {never_together(rig, subject.unlimited)};
  std::vector<Finding> findings;
  for (std::size_t s = 0; s < sides.size(); ++s) {
    Spectra ways = spectra_of(sides[s], responses, grid, rate_hz);
    if (acoustic)
      for (std::size_t w = 0; w < ways.size(); ++w)
        for (std::size_t i = 0; i < grid.size(); ++i) ways[w][i] *= (*measured)[w].at(grid[i]);
    const Flatness f = flatness(ways, grid, acoustic);
    Finding finding{.id = "crossover-sum", .output = {}, .unit = "dB", .accepted = {}, .text = {}};
    finding.measured = f.worst_db();
    finding.allowed = acoustic ? kAcoustic_db : kElectrical_db;
    finding.holds = finding.measured <= finding.allowed;
    Remedy cure;
    if (!finding.holds) cure = remedy(subject, ways, grid, acoustic);
    finding.change = cure.change;
    finding.text =
        fmt::format("{}The {} sum of the ways from {} to {} stays within {:g} dB of {}: {}. {}{}",
                    sides.size() > 1 ? fmt::format("Side {}: ", sides[s].feed) : "",
                    acoustic ? "acoustic (processing times the measured responses of the ways)" : "electrical",
                    hertz_text(grid.front()), hertz_text(grid.back()), finding.allowed,
                    acoustic ? "its median level" : "the level that came in", flatness_text(f),
                    finding.holds ? "What is split comes back whole." : cure.text,
                    acoustic || s > 0 ? "" : with_highpass(subject, grid));
    if (!finding.holds) {
      const std::size_t claim = finding.text.find(" stays within");
      finding.text.replace(claim, std::string(" stays within").size(), " does not stay within");
    }
    findings.push_back(std::move(finding));
  }
  return findings;
}

namespace {

/// What a side reads at its own `at`: by its alignment's definition.
double design_db(const rig::Filter& filter) {
  return filter.alignment == rig::Alignment::linkwitz_riley ? analysis::db_from_ratio(0.5)
                                                            : analysis::db_from_power(0.5);
}
bool alike(const rig::Filter& a, const rig::Filter& b) {
  return a.at_hz == b.at_hz && a.alignment == b.alignment && a.slope_db_per_oct == b.slope_db_per_oct;
}

/// One way's side of a point.
struct Edge {
  std::size_t point;
  bool low_pass;  ///< the way's upper edge: its side is the point's low one
};
const rig::Filter& side_of(const rig::Rig& rig, Edge edge) {
  return edge.low_pass ? rig.points[edge.point].low : rig.points[edge.point].high;
}
/// What the way's filters, from its points, make of a sine, as designed; but for the side of point `but`.
double designed_db(const rig::Rig& rig, std::size_t way, double hz, std::optional<std::size_t> but = {}) {
  const double rate_hz = rig.controller.sample_rate_hz;
  double level_db = 0;
  for (std::size_t p = 0; p < rig.points.size() && p <= way; ++p) {
    if (p == but) continue;
    const auto sections = p == way ? sections_of(rig.points[p].low, dsp::Pass::low, rate_hz)
                                   : sections_of(rig.points[p].high, dsp::Pass::high, rate_hz);
    level_db += finite_db(std::abs(dsp::response(sections, hz, rate_hz)));
  }
  return level_db;
}

struct Meeting {
  double at_hz, level_db;
};
/// Where the low way stops being the louder one: the span is cut into nine, seven times over.
Meeting meeting_of(const Impulse& low, const Impulse& high, const rig::Point& point, double rate_hz) {
  double from = std::min(point.low.at_hz, point.high.at_hz) / 4;
  double to = std::min(4 * std::max(point.low.at_hz, point.high.at_hz), 0.49 * rate_hz);
  for (int cut = 0; cut < 7; ++cut) {
    std::array<double, 8> hz{};
    for (std::size_t k = 0; k < hz.size(); ++k) hz[k] = from * std::pow(to / from, static_cast<double>(k + 1) / 9);
    const auto lows = spectrum(low, hz, rate_hz), highs = spectrum(high, hz, rate_hz);
    std::size_t k = 0;
    while (k < hz.size() && std::abs(lows[k]) > std::abs(highs[k])) ++k;
    from = k == 0 ? from : hz[k - 1];
    to = k == hz.size() ? to : hz[k];
  }
  return {from, finite_db(std::abs(spectrum(low, std::span(&from, 1), rate_hz).front()))};
}

}  // namespace

std::vector<Finding> check_crossover_level(const Subject& subject) {
  const rig::Rig& rig = subject.rig;
  if (rig.points.empty()) return {nothing_to_add("crossover-level", "dB")};
  const double rate_hz = rig.controller.sample_rate_hz;
  const std::vector<Impulse>& responses = crossover_responses(subject);
  const std::vector<OutputPlan>& plans = subject.unlimited.outputs;
  /// The output of another way that hears a feed that this one hears; where there is none, any of that way.
  const auto play_together = [&](const OutputPlan& a, const OutputPlan& b) {
    for (std::size_t f = 0; f < rig.feeds.size(); ++f)
      if (a.hears(f) && b.hears(f)) return true;
    return false;
  };
  const auto partner = [&](const OutputPlan& of, std::size_t way) {
    const auto of_way = [&](const OutputPlan& other) { return other.way_index == way; };
    auto found =
        std::ranges::find_if(plans, [&](const OutputPlan& other) { return of_way(other) && play_together(other, of); });
    if (found == plans.end()) found = std::ranges::find_if(plans, of_way);
    return static_cast<std::size_t>(found - plans.begin());
  };
  std::vector<Finding> findings;
  for (std::size_t o = 0; o < plans.size(); ++o) {
    const OutputPlan& plan = plans[o];
    Finding finding{.id = "crossover-level",
                    .output = plan.name,
                    .holds = true,
                    .measured = 0,
                    .allowed = kLevel_db,
                    .unit = "dB",
                    .accepted = {},
                    .text = {}};
    std::vector<Edge> edges;
    if (plan.way_index > 0) edges.push_back({plan.way_index - 1, false});
    if (plan.way_index < rig.points.size()) edges.push_back({plan.way_index, true});
    for (const Edge edge : edges) {
      const rig::Filter& filter = side_of(rig, edge);
      const rig::Point& point = rig.points[edge.point];
      const auto level_at = [&](double hz) {
        return finite_db(std::abs(spectrum(responses[o], std::span(&hz, 1), rate_hz).front()));
      };
      const double expected = design_db(filter) + designed_db(rig, plan.way_index, filter.at_hz, edge.point);
      const double level = level_at(filter.at_hz);
      const double beyond_hz = edge.low_pass ? std::min(2 * filter.at_hz, 0.45 * rate_hz) : filter.at_hz / 2;
      const double beyond = level_at(beyond_hz), expected_beyond = designed_db(rig, plan.way_index, beyond_hz);
      const std::size_t other = partner(plan, edge.low_pass ? plan.way_index + 1 : plan.way_index - 1);
      const OutputPlan& upper = plans[edge.low_pass ? other : o];
      const OutputPlan& lower = plans[edge.low_pass ? o : other];
      const Meeting meeting =
          meeting_of(responses[edge.low_pass ? o : other], responses[edge.low_pass ? other : o], point, rate_hz);
      // What is far below what passes elsewhere is what single precision leaves of it.
      const double off_at = expected > kTold_db ? level - expected : 0;
      const double off_beyond = expected_beyond > kTold_db ? beyond - expected_beyond : 0;
      const double off = std::max({off_at, off_beyond}, [](double a, double b) { return std::abs(a) < std::abs(b); });
      finding.text += fmt::format(
          "{}At {} {} reads {:.2f} dB ({} {} dB/oct: {:.2f}), at {} {:.1f} dB; {} and {} meet at {}, both at {:.1f} "
          "dB. ",
          finding.text.empty() ? "" : " ", hertz_text(filter.at_hz), plan.name, level, word_of(filter.alignment),
          filter.slope_db_per_oct, expected, hertz_text(beyond_hz), beyond, lower.name, upper.name,
          hertz_text(meeting.at_hz), meeting.level_db);
      const bool apart = !alike(point.low, point.high);
      if (std::abs(off) > kLevel_db) {
        finding.holds = false;
        finding.text += fmt::format(
            "That is {:+.2f} dB off what its filters are designed for: the ways do not meet as designed. This is a "
            "fault of the processing, not of the "
            "file. ",
            off);
      }
      finding.measured = std::max(finding.measured, std::abs(off));
      if (apart && (meeting.level_db < kMeetLeast_db || meeting.level_db > kMeetMost_db)) {
        finding.holds = false;
        finding.measured = meeting.level_db;
        finding.allowed = meeting.level_db < kMeetLeast_db ? kMeetLeast_db : kMeetMost_db;
        finding.text += fmt::format(
            "Sides set apart should meet between {:g} and {:g} dB: {}. Move low.at or high.at in "
            "crossover.points[{}], or say why under [accept] crossover-level. ",
            kMeetLeast_db, kMeetMost_db,
            meeting.level_db < kMeetLeast_db ? "between them nobody plays" : "both play a wide range together",
            edge.point + 1);
      } else if (apart) {
        finding.text += "The sides are set apart; see crossover-sum for what they add up to. ";
      }
      const double lead_db = upper.gain_db + upper.amplifier_gain_db - lower.gain_db - lower.amplifier_gain_db;
      finding.text += fmt::format("At the amplifiers {} stands {:+.1f} dB against {} (gains of ways and amplifiers).",
                                  upper.way, lead_db, lower.way);
    }
    findings.push_back(std::move(finding));
  }
  return findings;
}

}  // namespace rackproof::proof
