/// The largest peak that any input within full scale can make ahead of the limiter; made, and not only stated.
#include <algorithm>
#include <cmath>

#include <fmt/format.h>

#include "dsp/grid.hpp"
#include "harness/proof/checks/checks.hpp"
#include "harness/proof/measured_once.hpp"
#include "harness/proof/path_parts.hpp"
#include "harness/proof/stimulation.hpp"

namespace rackproof::proof {

namespace {

std::string slowest_text(const Subject& subject, const OutputPlan& plan) {
  const double rate_hz = subject.rig.controller.sample_rate_hz;
  const auto parts = parts_of_path(subject.rig, subject.venue, plan.way_index, plan.feed);
  const PathPart* slowest = slowest_of(parts, rate_hz);
  constexpr double kLong_s = 5;  // for 60 dB; twenty seconds take more than 140 dB of what is shorter
  if (slowest == nullptr || slowest->fall_s(rate_hz) < kLong_s)
    return "No filter of the file rings that long: do not use this build.";
  if (std::isinf(slowest->fall_s(rate_hz)))
    return fmt::format("{} rings for ever: look at its frequency and its width.", slowest->named());
  return fmt::format("{} rings for {:.3g} s until it is 60 dB down: give it a lower q.", slowest->named(),
                     slowest->fall_s(rate_hz));
}
}  // namespace

std::vector<Finding> check_worst_case(const Subject& subject) {
  constexpr double kMetWithinDb = 0.1;
  const double allowed = 36;  // dBFS, what the core carries: dsp::kMagnitudeBound
  const std::size_t outputs = subject.unlimited.outputs.size();
  const std::unique_ptr<Device> device = subject.make(subject.unlimited.settings());
  const std::vector<WorstInput>& worst = worst_inputs_of(subject);
  std::vector<Finding> findings;
  for (std::size_t o = 0; o < outputs; ++o) {
    const OutputPlan& plan = subject.unlimited.outputs[o];
    const double reached = greatest_magnitude(run(*device, worst[o].feeds, outputs)[o]);
    const double bound_db = finite_db(worst[o].bound), reached_db = finite_db(reached);
    const double greatest_db = std::max(bound_db, reached_db);
    const bool carried = greatest_db <= allowed;
    // What filters that exclude each other leave is what single precision rounds: nothing that could agree.
    const bool mute = bound_db < kMute_db;
    const bool met = mute || std::abs(reached_db - bound_db) <= kMetWithinDb;
    std::string text = fmt::format(
        "No input within full scale takes {} beyond {:+.2f} dBFS ahead of its limiter; the "
        "input that is made for it reaches {:+.2f}. A fixed-point build needs {:d} guard bits "
        "there. ",
        plan.name, bound_db, reached_db, static_cast<int>(std::ceil(std::log2(std::max(1.0, worst[o].bound)))));
    if (!worst[o].died_away)
      text += "What a single sample leaves behind has not died away after twenty seconds, so there is no such bound. " +
              slowest_text(subject, plan);
    else if (!carried)
      text += fmt::format(
          "The core carries no more than {:+.0f} dBFS: what is beyond is cut off ahead of the limiter, which distorts. "
          "Take {:.1f} dB out ahead of the limiter: in system.gain, way.{}.gain, or a boost of the eq{}.",
          allowed, greatest_db - allowed, plan.way, boosts_text(subject, plan));
    else if (mute)
      text += "The filters of the way let nothing through: the two are not compared. ";
    else if (!met)
      text +=
          "The two should agree: the path is not linear, or not the same twice. No line of the file mends that: do "
          "not use this build.";
    findings.push_back({.id = "worst-case",
                        .output = plan.name,
                        .holds = worst[o].died_away && carried && met,
                        .measured = greatest_db,
                        .allowed = allowed,
                        .unit = "dBFS",
                        .accepted = {},
                        .text = std::move(text)});
  }
  return findings;
}

}  // namespace rackproof::proof
