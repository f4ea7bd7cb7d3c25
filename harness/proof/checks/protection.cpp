/// `driver-highpass`: what keeps a driver from moving further than it can below its band, measured. `load`: what an
/// amplifier channel sees.
///
/// Below its corner a high-pass is judged by what it takes at a quarter of it, against the median level of the way's
/// band: 20 dB for the lowest way (a second-order filter takes 24, a first-order one 12: a cone's excursion grows by
/// 12 dB an octave downwards), 10 dB for a way above, where the crossover's high side protects; under 20 dB it is said.
/// Also at half of it: 6 dB, as a first-order filter takes 7; 4 dB for a way above whose high side is of first order, so
/// that what its band is equalised by does not count. A venue protects nothing, being gone tomorrow; what it adds is
/// judged as well.
#include <algorithm>
#include <cmath>

#include <fmt/format.h>

#include "harness/analysis/bands.hpp"
#include "harness/analysis/median.hpp"
#include "harness/calibration/levels.hpp"
#include "harness/proof/checks/checks.hpp"
#include "harness/proof/impulse_response.hpp"
#include "harness/proof/measured_once.hpp"
#include "harness/proof/path_parts.hpp"
#include "harness/proof/stimulation.hpp"

namespace rackproof::proof {
namespace {

constexpr double kLowest_db = -20, kAbove_db = -10, kAtHalf_db = -6, kAboveOfFirstOrder_db = -4;
constexpr double kAssumedCorner_hz = 20;  ///< where nothing in the file is a high-pass

/// The corner that the file gives the way's protection; 0: none.
double corner_hz(const rig::Rig& rig, const OutputPlan& output) {
  double corner = output.low_edge_hz;
  for (const auto* eq : {&rig.ways[output.way_index].eq, &rig.system_eq})
    for (const rig::EqBand& band : *eq)
      if (band.type == rig::EqType::highpass && (output.high_edge_hz == 0 || band.at_hz < output.high_edge_hz))
        corner = std::max(corner, band.at_hz);
  return corner;
}

/// What must be gone at half of the corner.
double at_half_db(const rig::Rig& rig, const OutputPlan& output) {
  const rig::Way& way = rig.ways[output.way_index];
  const bool of_first_order =
      output.way_index > 0 && !way.highpass && rig.points[output.way_index - 1].high.slope_db_per_oct == 6;
  return of_first_order ? kAboveOfFirstOrder_db : kAtHalf_db;
}

/// Frequencies of the way's band, never none: a band that begins above what the sample rate carries is its own edge.
std::vector<double> band_grid(double edge_hz, double top_hz, double rate_hz) {
  const double most_hz = 0.49 * rate_hz;
  if (top_hz <= edge_hz) top_hz = std::clamp(8 * edge_hz, 0.4 * rate_hz, most_hz);
  std::vector<double> grid = analysis::log_frequencies(edge_hz, std::min(top_hz, most_hz), 12);
  if (grid.empty()) grid.push_back(edge_hz);
  return grid;
}

std::string added_text(const std::string& adds) { return adds.empty() ? "" : "; " + adds + " down there"; }

/// How far below the band the signal is at one frequency, with or without tonight's venue.
struct Below {
  double hz = 0, db = 0, allowed_db = 0;
  const char* share = "a quarter";  ///< of the corner
  const rig::Venue* venue = nullptr;
  double excess_db() const { return db - allowed_db; }
};

double median_db(std::span<const double> h, const std::vector<double>& grid, double rate_hz) {
  std::vector<double> levels;
  for (const auto& value : spectrum(h, grid, rate_hz)) levels.push_back(finite_db(std::abs(value)));
  return analysis::median(std::move(levels));
}

}  // namespace

std::vector<Finding> check_driver_highpass(const Subject& subject) {
  const rig::Rig& rig = subject.rig;
  const double rate_hz = rig.controller.sample_rate_hz;
  const std::vector<Impulse>& without = responses_without_venue(subject);
  std::vector<Finding> findings;
  for (std::size_t o = 0; o < without.size(); ++o) {
    const OutputPlan& output = subject.unlimited.outputs[o];
    const bool lowest = output.way_index == 0;
    const double given_hz = corner_hz(rig, output), edge_hz = given_hz > 0 ? given_hz : kAssumedCorner_hz;
    const double top_hz = output.high_edge_hz > 0 ? output.high_edge_hz : std::min(8 * edge_hz, 0.4 * rate_hz);
    const std::vector<double> grid = band_grid(edge_hz, top_hz, rate_hz);
    const auto below = [&](const Impulse& h, double band_db, const rig::Venue* venue, bool at_half) {
      const double hz = edge_hz / (at_half ? 2 : 4);
      return Below{hz, finite_db(std::abs(spectrum(h, std::span(&hz, 1), rate_hz).front())) - band_db,
                   at_half  ? at_half_db(rig, output)
                   : lowest ? kLowest_db
                            : kAbove_db,
                   at_half ? "half" : "a quarter", venue};
    };
    double band_db = median_db(without[o], grid, rate_hz);
    Below worst = below(without[o], band_db, nullptr, false);
    const auto fall_of = [&](const Below& other) {
      if (worst.excess_db() <= 0 && other.excess_db() > 0) worst = other;
    };
    fall_of(below(without[o], band_db, nullptr, true));
    if (subject.venue != nullptr) {
      const Impulse& with = linear_responses(subject)[o];
      band_db = std::max(band_db, median_db(with, grid, rate_hz));  // what it takes from the band moves no driver
      fall_of(below(with, band_db, subject.venue, false));
      fall_of(below(with, band_db, subject.venue, true));
    }
    const double below_hz = worst.hz;
    Finding finding{.id = "driver-highpass", .output = output.name, .unit = "dB", .accepted = {}, .text = {}};
    finding.measured = worst.db;
    finding.allowed = worst.allowed_db;
    finding.holds = worst.excess_db() <= 0;
    const std::string& driver = rig.ways[output.way_index].driver;
    finding.text = fmt::format("{}: at {}, {} of {}, the signal is {:.1f} dB {} the way's band{}. ", output.name,
                               hertz_text(below_hz), worst.share,
                               given_hz > 0 ? "its corner of " + hertz_text(given_hz) : "20 Hz (no high-pass is given)",
                               std::abs(finding.measured), finding.measured <= 0 ? "down on" : "above",
                               worst.venue != nullptr ? ", with tonight's venue" : "");
    std::vector<PathPart> bands = parts_of_path(rig, worst.venue, output.way_index, output.feed);
    std::erase_if(bands, [](const PathPart& part) { return !part.is_eq; });
    const std::string lifts = what_adds(bands, below_hz, rate_hz);
    if (!finding.holds) {
      finding.text += fmt::format(
          "Below its band driver {} moves far and radiates little: it may strike its stops or tear at a level that the "
          "limiters pass. ",
          driver);
      if (const PathPart* most = strongest_eq(bands, below_hz, rate_hz, 1); given_hz > 0 && !lifts.empty() && most) {
        finding.change = {most->key, ""};
        finding.text += fmt::format("There {}: take that out, or lower it.", lifts);
      } else if (lowest) {
        // A driver's own band says more than a usual figure.
        const double at_hz = rig.driver_of(rig.ways[output.way_index]).lowest_hz.value_or(30);
        finding.change = {
            key(output, "highpass"),
            fmt::format("{{ at = \"{:g} Hz\", alignment = \"butterworth\", slope = \"24 dB/oct\" }}", at_hz)};
        finding.text += fmt::format("Set {} where the box ends (its maker or builder knows), for instance {}.",
                                    finding.change->key, finding.change->value);
      } else {
        finding.text += fmt::format(
            "Give crossover.points[{}] a steeper high side (slope), or set way.{}.highpass{}.", output.way_index,
            output.way,
            added_text(what_adds(parts_of_path(rig, nullptr, output.way_index, output.feed), below_hz, rate_hz)));
      }
    } else if (finding.measured > kLowest_db) {
      finding.text += fmt::format(
          "A slope of 6 dB/oct is little: driver {} still moves further the lower the note. If its maker asks for "
          "more, give crossover.points[{}] a steeper slope, or set way.{}.highpass.",
          driver, output.way_index, output.way);
    } else {
      finding.text += fmt::format("That keeps driver {} within its travel where its box no longer does.", driver);
    }
    findings.push_back(std::move(finding));
  }
  return findings;
}

std::vector<Finding> check_load(const Subject& subject) {
  std::vector<Finding> findings;
  for (const OutputPlan& output : subject.compiled.outputs) {
    const rig::Way& way = way_of(subject, output);
    const rig::Amplifier& amplifier = subject.rig.amplifier_of(way);
    const rig::Driver& driver = subject.rig.driver_of(way);
    // Computed from the file afresh: an amplifier's terminals are outside what runs here.
    const double load_ohm = side_load_ohm(amplifier, rackproof::load_ohm(way, driver));
    const double lowest_ohm = std::ranges::min(amplifier.ratings, {}, &rig::Rating::load_ohm).load_ohm;
    Finding finding{.id = "load", .output = output.name, .unit = "ohm", .accepted = {}, .text = {}};
    finding.measured = load_ohm;
    finding.allowed = lowest_ohm;
    finding.holds = load_ohm >= lowest_ohm * (1 - 1e-9);
    finding.text =
        fmt::format("{}: {} of {} ({:g} ohm) put {:.3g} ohm{} on amplifier {}, which is rated down to {:g} ohm. ",
                    output.name, way.drivers, way.driver, driver.impedance_ohm, load_ohm,
                    amplifier.doubled() ? " on each side of the bridge" : "", amplifier.name, lowest_ohm);
    finding.text += finding.holds
                        ? "Nominal figures: a driver's impedance dips below its own at some frequencies."
                        : fmt::format(
                              "It may shut down, run hot or fail, and where it clips is unknown. Fewer drivers "
                              "on the channel (way.{}.drivers){}, or the maker's rating at that load in "
                              "amplifier.{}.ratings.",
                              output.way, amplifier.bridged ? ", no bridge (bridged = false)" : "", amplifier.name);
    findings.push_back(std::move(finding));
  }
  return findings;
}

}  // namespace rackproof::proof
