/// `latency`, `delay`, `polarity`: read from what leaves the outputs, held against the file.
#include <algorithm>
#include <cmath>

#include <fmt/format.h>

#include "harness/proof/arrival_times.hpp"
#include "harness/proof/checks/checks.hpp"
#include "harness/proof/measured_once.hpp"
#include "harness/proof/path_parts.hpp"
#include "harness/proof/stimulation.hpp"

namespace rackproof::proof {
namespace {

const char* word(int polarity) { return polarity < 0 ? "inverted" : "normal"; }

/// Of an output whose filters pass nothing: there is nothing to time, and the processing is not at fault.
std::string mute(const Subject& subject, const OutputPlan& output, double most_db) {
  const double rate_hz = subject.rig.controller.sample_rate_hz;
  const std::string takes = what_takes(parts_of_path(subject.rig, subject.venue, output.way_index, output.feed),
                                       in_band_hz(output, rate_hz, 0.5), rate_hz);
  return fmt::format(
      "Cannot be judged: the filters of {} leave {:.0f} dB at the most, so that there is nothing to time. {}. Look at "
      "the points of the crossover and at the filters of way.{}.",
      output.name, most_db, takes.empty() ? "Its filters exclude each other" : "In its band " + takes, output.way);
}
std::string not_found(const OutputPlan& output) {
  return fmt::format(
      "{} answers nothing that can be timed: it is silent, or its filters are not those of the file. Do not connect "
      "way {}; this is a fault of the processing, not of the file.",
      output.name, output.way);
}

/// One finding an output from its arrival; `judge` fills what is measured, allowed and said of one that was found.
template <class Judge>
std::vector<Finding> an_output(const Subject& subject, const char* id, const char* unit, Judge judge) {
  const ArrivalTimes& times = arrivals_of(subject);
  std::vector<Finding> findings;
  for (std::size_t o = 0; o < times.outputs.size(); ++o) {
    const OutputPlan& output = subject.compiled.outputs[o];
    Finding finding{.id = id, .output = output.name, .unit = unit, .accepted = {}, .text = not_found(output)};
    if (times.outputs[o].found) {
      judge(output, times.outputs[o], finding);
    } else if (times.outputs[o].most_db < kMute_db) {
      finding.holds = true;
      finding.judged = false;
      finding.text = mute(subject, output, times.outputs[o].most_db);
    }
    findings.push_back(std::move(finding));
  }
  return findings;
}

}  // namespace

std::vector<Finding> check_latency(const Subject& subject) {
  const ArrivalTimes& times = arrivals_of(subject);
  const double stated = subject.compiled.latency_samples, rate_hz = subject.rig.controller.sample_rate_hz;
  Finding finding{.id = "latency", .output = {}, .unit = "samples", .accepted = {}, .text = {}};
  finding.measured = times.latency_samples;
  finding.allowed = stated;
  finding.within = times.tolerance_samples;
  if (std::ranges::all_of(times.outputs,
                          [](const ArrivalTime& time) { return !time.found && time.most_db < kMute_db; })) {
    finding.holds = true;
    finding.judged = false;
    finding.measured = stated;
    finding.text = "Cannot be judged: the filters of the file leave nothing to time on any output.";
    return {finding};
  }
  finding.holds = times.tolerance_samples > 0 && std::abs(times.latency_samples - stated) <= times.tolerance_samples;
  finding.text = fmt::format(
      "The outputs answer {:.2f} samples ({:.3f} ms) after their feeds, the ways' own delays taken off; stated are "
      "{:g}. {}",
      times.latency_samples, times.latency_samples * 1e3 / rate_hz, stated,
      finding.holds
          ? "The longest look-ahead sets it (way.NAME.limit.look_ahead); it delays all ways alike, so they stay in "
            "step."
          : "All ways are late alike, so the sound is right, but picture, fills and delay towers that count on the "
            "stated figure are not. This is a fault of the processing, not of the file.");
  return {finding};
}

std::vector<Finding> check_delay(const Subject& subject) {
  const double rate_hz = subject.rig.controller.sample_rate_hz;
  return an_output(
      subject, "delay", "samples", [&](const OutputPlan& output, const ArrivalTime& time, Finding& finding) {
        const double off = time.delay_samples - time.set_samples;
        finding.measured = time.delay_samples;
        finding.allowed = time.set_samples;
        finding.within = time.tolerance_samples;
        finding.holds = std::abs(off) <= time.tolerance_samples;
        finding.text = fmt::format(
            "{} comes {:.2f} samples ({:.3f} ms) behind the common latency, as set ({:.2f}), within {:.2g}.",
            output.name, time.delay_samples, time.delay_samples * 1e3 / rate_hz, time.set_samples,
            time.tolerance_samples);
        if (finding.holds) return;
        finding.text = fmt::format(
            "{} comes {:.3f} ms behind the common latency, but {} asks for {:.3f} ms: {:.2f} samples {}. "
            "Its sound does not meet that of the other ways as it was aligned. This is a fault of the processing, not "
            "of the file.",
            output.name, time.delay_samples * 1e3 / rate_hz, key(output, "delay"), time.set_samples * 1e3 / rate_hz,
            std::abs(off), off > 0 ? "too late" : "too early");
      });
}

std::vector<Finding> check_polarity(const Subject& subject) {
  return an_output(
      subject, "polarity", "sign", [&](const OutputPlan& output, const ArrivalTime& time, Finding& finding) {
        const int set = set_polarity(subject, output);
        finding.measured = time.polarity;
        finding.allowed = set;
        finding.holds = time.polarity == set;
        finding.text =
            fmt::format("{} leaves {}, as {} says.", output.name, word(time.polarity), key(output, "polarity"));
        if (finding.holds) return;
        finding.text = fmt::format(
            "{} leaves {}, but {} says {}: where it meets the next way the two cancel instead of adding up. This is a "
            "fault of the processing, not of the file.",
            output.name, word(time.polarity), key(output, "polarity"), word(set));
      });
}

}  // namespace rackproof::proof
