/// `prove`: whether a rig is safe, check by check, as its chain really runs; for a person, a program, and on paper.
#include <fmt/format.h>

#include <algorithm>
#include <iterator>
#include <nlohmann/json.hpp>

#include "harness/proof/proof.hpp"
#include "harness/proof/stimulation.hpp"
#include "harness/report/page.hpp"
#include "harness/verbs/held_figures.hpp"
#include "harness/verbs/program_name.hpp"
#include "harness/verbs/render_progress.hpp"
#include "harness/verbs/report_option.hpp"
#include "harness/verbs/rig_warnings.hpp"
#include "harness/verbs/seal_check.hpp"
#include "harness/verbs/table.hpp"
#include "harness/verbs/verb.hpp"

namespace rackproof {
namespace {

namespace fs = std::filesystem;
using proof::Finding;
using proof::Proof;
using report::Outcome;
using report::outcome_of;

struct ProveArguments {
  RigArguments rig;
  Voice voice;
  std::vector<fs::path> programmes;
  bool resample = false;
  ReportOption report;
};

// ---- for a person ---------------------------------------------------------------------------------------------------

std::string verdict_of(const Proof& proof, std::size_t warnings) {
  const report::Tally tally = report::tally_of(proof.findings);
  std::string text =
      fmt::format("{}: {} of {} checks hold", proof.holds ? "HOLDS" : "FALLS", tally.hold, proof.findings.size());
  if (tally.fall > 0) text += fmt::format(", {} {}", tally.fall, tally.fall == 1 ? "falls" : "fall");
  if (tally.accepted > 0) text += fmt::format(", {} accepted in the rig file", tally.accepted);
  if (tally.not_judged > 0) text += fmt::format(", {} cannot be judged", tally.not_judged);
  if (warnings > 0) text += fmt::format("; {} warning{}", warnings, warnings == 1 ? "" : "s");
  return text + "\n";
}

std::string named(const Finding& finding) {
  return finding.output ? fmt::format("{}, {}", finding.id, *finding.output) : finding.id;
}

/// `within`: what may be missed by, up or down; 0: nothing.
std::string spread(double least, double greatest, const std::string& unit, double within = 0) {
  const std::string from = fmt::format("{:.4g}", least), to = fmt::format("{:.4g}", greatest);
  return (from == to ? from : from + " to " + to) + (within > 0 ? fmt::format(" +-{:.2g}", within) : "") +
         (unit.empty() ? "" : " " + unit);
}

/// A line a check and what became of it: outputs that agree in that share a line, with the spread of their figures.
std::string checks_table(const std::vector<Finding>& findings, std::size_t width) {
  struct Line {
    const Finding* first;
    std::vector<std::string> outputs;
    double least, greatest, least_allowed, greatest_allowed, within;
  };
  std::vector<Line> lines;
  for (const Finding& f : findings) {
    const auto same = std::find_if(lines.begin(), lines.end(), [&](const Line& line) {
      return line.first->id == f.id && outcome_of(*line.first) == outcome_of(f) && line.first->unit == f.unit &&
             line.first->judged == f.judged && line.first->output.has_value() == f.output.has_value();
    });
    Line& line = same != lines.end()
                     ? *same
                     : lines.emplace_back(Line{&f, {}, f.measured, f.measured, f.allowed, f.allowed, f.within});
    if (f.output) line.outputs.push_back(*f.output);
    line.least = std::min(line.least, f.measured);
    line.greatest = std::max(line.greatest, f.measured);
    line.least_allowed = std::min(line.least_allowed, f.allowed);
    line.greatest_allowed = std::max(line.greatest_allowed, f.allowed);
    line.within = std::max(line.within, f.within);
  }
  Table table({{"check", Align::left}, {"where", Align::left}, {"measured"}, {"allowed"}, {"verdict", Align::left}});
  for (const Line& line : lines)
    table.row(
        {line.first->id,
         line.outputs.empty()      ? "rig"
         : line.outputs.size() < 3 ? fmt::format("{}", fmt::join(line.outputs, ", "))
                                   : fmt::format("{} outputs", line.outputs.size()),
         line.first->judged ? spread(line.least, line.greatest, line.first->unit) : "",
         !line.first->judged ? "" : spread(line.least_allowed, line.greatest_allowed, line.first->unit, line.within),
         line.first->judged ? name_of(outcome_of(*line.first)) : "not judged"});
  return table.text(width);
}

std::string recordings_table(const Proof& proof, std::size_t width) {
  std::string out;
  for (const proof::Recording& recording : proof.recordings) {
    out +=
        fmt::format("\n{}, {:.1f} s (coil and lost level are estimates)\n", recording.file.string(), recording.seconds);
    Table table({{"output", Align::left},
                 {"V pk"},
                 {"V RMS"},
                 {"mean W"},
                 {"limiting"},
                 {"deepest"},
                 {"coil warms"},
                 {"level lost"}});
    std::vector<NamedHolding> holdings;
    for (const proof::Track& track : recording.tracks) {
      table.row({track.output, fmt::format("{:.1f}", track.peak_volts), fmt::format("{:.1f}", track.rms_volts),
                 fmt::format("{:.3g}", track.mean_watts), fmt::format("{:.1f} %", 100 * track.limited_fraction),
                 fmt::format("{:.1f} dB", track.held.greatest_db == 0 ? 0.0 : -track.held.greatest_db),
                 fmt::format("{:.0f} K", track.coil_rise_kelvin), fmt::format("{:.1f} dB", track.level_lost_db)});
      holdings.push_back({track.output, track.peak_held, track.power_held});
    }
    out += table.text(width);
    if (const std::string held = held_table(holdings, width); !held.empty()) out += "\n" + held;
    out += advice_text(recording.advice, width);
  }
  return out;
}

/// `amplifier-clip, peak-limit of low.left, low.right`
std::string fell_text(const std::vector<const Finding*>& findings) {
  std::vector<std::string> ids, outputs;
  const auto add = [](std::vector<std::string>& to, const std::string& name) {
    if (std::ranges::find(to, name) == to.end()) to.push_back(name);
  };
  for (const Finding* finding : findings) {
    add(ids, finding->id);
    if (finding->output) add(outputs, *finding->output);
  }
  std::string text = fmt::format("{}", fmt::join(ids, ", "));
  if (!outputs.empty()) text += fmt::format(" of {}", fmt::join(outputs, ", "));
  return text;
}

/// What no check could judge, or only in part, each text once.
std::string not_judged_of(const Proof& proof, std::size_t width) {
  std::string out;
  std::vector<std::string> told;
  for (const Finding& finding : proof.findings) {
    const std::string& text = finding.judged ? finding.left_open : finding.text;
    if (text.empty() || std::ranges::find(told, text) != told.end()) continue;
    told.push_back(text);
    out += wrapped(named(finding) + (finding.judged ? ", in part: " : ": ") + text, width, "  - ");
  }
  return out;
}

/// What fell: by the change that mends it, and then what no single line mends.
std::string fixes_of(const Proof& proof, std::size_t width) {
  std::string out;
  const std::vector<proof::Cure> cures = proof::cures_of(proof.findings);
  for (const Finding& finding : proof.findings) {
    if (outcome_of(finding) != Outcome::falls) continue;
    const auto cure = std::ranges::find_if(
        cures, [&](const proof::Cure& c) { return std::ranges::find(c.mends, &finding) != c.mends.end(); });
    if (cure == cures.end() || cure->mends.size() == 1) {
      out += wrapped(named(finding) + ": " + finding.text, width, "  ! ");
    } else if (cure->mends.front() == &finding) {
      out += wrapped(fmt::format("{}: one change mends {} ({}). {}", proof::line_of(cure->change), cure->mends.size(),
                                 fell_text(cure->mends), finding.text),
                     width, "  ! ");
    }
  }
  return out;
}

std::string text_of(const Proof& proof, const std::vector<Warning>& warnings, const ReportOption& report,
                    std::size_t width) {
  std::string out = wrapped(proof.title, width) + verdict_of(proof, warnings.size()), accepted;
  for (const Finding& finding : proof.findings)
    if (outcome_of(finding) == Outcome::accepted)
      accepted +=
          wrapped(fmt::format("{}: {} Accepted: {}", named(finding), finding.text, *finding.accepted), width, "  - ");
  if (const std::string fixes = fixes_of(proof, width); !fixes.empty()) out += "\nWhat to fix\n" + fixes;
  if (!accepted.empty()) out += "\nTaken knowingly\n" + accepted;
  if (!warnings.empty()) out += "\nWarnings\n";
  for (const Warning& warning : warnings) out += wrapped(warning.code + ": " + warning.text, width, "  ! ");
  if (const std::string open = not_judged_of(proof, width); !open.empty()) out += "\nNot judged\n" + open;
  out += "\nChecks\n" + checks_table(proof.findings, width) + recordings_table(proof, width);
  if (report) out += "\n" + report.line();
  return out + "\n" +
         wrapped(
             "A proof covers the processing and the figures in the rig file, not the wiring: measure before you trust "
             "it. Amplifier outputs can carry hazardous voltage and loudspeakers can harm hearing; local codes and "
             "licensed practice come first.",
             width);
}

// ---- for a program --------------------------------------------------------------------------------------------------

/// A value of null: the key should go.
Json json_of(const proof::Change& change) {
  return {{"key", change.key}, {"value", change.value.empty() ? Json(nullptr) : Json(change.value)}};
}

Json document_of(const rig::Rig& rig, const Proof& proof, const std::vector<Warning>& warnings) {
  const auto or_null = [](const std::optional<std::string>& text) { return text ? Json(*text) : Json(nullptr); };
  Json checks = Json::array(), timings = Json::array(), recordings = Json::array(), notes = Json::array(),
       changes = Json::array();
  for (const Warning& warning : warnings) notes.push_back({{"code", warning.code}, {"text", warning.text}});
  for (const Finding& f : proof.findings) {
    const bool accepted = outcome_of(f) == Outcome::accepted;
    checks.push_back({{"id", f.id},
                      {"output", or_null(f.output)},
                      {"loudspeaker", f.loudspeaker.empty() ? Json(nullptr) : Json(f.loudspeaker)},
                      {"holds", f.holds},
                      {"measured", f.measured},
                      {"allowed", f.allowed},
                      {"unit", f.unit},
                      {"accepted", accepted ? or_null(f.accepted) : Json(nullptr)},
                      {"judged", f.judged},
                      {"change", f.change ? json_of(*f.change) : Json(nullptr)},
                      {"text", f.text}});
  }
  for (const proof::Cure& cure : proof::cures_of(proof.findings)) {
    Json mends = Json::array();
    for (const Finding* f : cure.mends) mends.push_back({{"id", f->id}, {"output", or_null(f->output)}});
    Json change = json_of(cure.change);
    change["mends"] = std::move(mends);
    changes.push_back(std::move(change));
  }
  for (const proof::Timing& t : proof.timings)
    timings.push_back(
        {{"output", t.output}, {"latency_ms", t.latency_ms}, {"delay_ms", t.delay_ms}, {"polarity", t.polarity}});
  for (const proof::Recording& recording : proof.recordings) {
    Json tracks = Json::array();
    for (const proof::Track& t : recording.tracks) {
      tracks.push_back({{"output", t.output},
                        {"peak_volts", t.peak_volts},
                        {"rms_volts", t.rms_volts},
                        {"mean_watts", t.mean_watts},
                        {"limited_fraction", t.limited_fraction},
                        {"coil_rise_kelvin", t.coil_rise_kelvin},
                        {"level_lost_db", t.level_lost_db}});
      add_held(tracks.back(), t.peak_held, t.power_held);
    }
    recordings.push_back({{"file", recording.file.string()},
                          {"seconds", recording.seconds},
                          {"outputs", std::move(tracks)},
                          {"advice", advice_json(recording.advice)}});
  }
  return {{"rig", rig.file.string()},      {"verdict", proof.holds ? "holds" : "falls"},
          {"checks", std::move(checks)},   {"changes", std::move(changes)},
          {"timings", std::move(timings)}, {"recordings", std::move(recordings)},
          {"warnings", std::move(notes)}};
}

bool run_prove(const ProveArguments& arguments) {
  const rig::Rig rig = arguments.rig.rig();
  const std::optional<rig::Venue> venue = arguments.rig.venue(rig);
  std::vector<fs::path> read{arguments.rig.rig_file, arguments.rig.venue_file};
  read.insert(read.end(), arguments.programmes.begin(), arguments.programmes.end());
  arguments.report.require_place(read);
  std::vector<Warning> warnings = rig_warnings(rig, compile(rig, venue ? &*venue : nullptr));
  Proof proof;
  {
    Progress progress(!arguments.voice.quiet);
    proof = proof::prove(
        rig, venue ? &*venue : nullptr,
        {.programmes = arguments.programmes, .resample = arguments.resample, .progress = [&](double share) {
           progress.show(static_cast<std::uint64_t>(share * 1000), 1000);
         }});
  }
  std::ranges::move(proof::acceptance_warnings(rig, proof), std::back_inserter(warnings));
  std::ranges::move(proof::recording_warnings(proof), std::back_inserter(warnings));
  if (arguments.report)
    arguments.report.write(report::page(proof, {.rig_file = arguments.rig.rig_file.string(),
                                                .venue_file = arguments.rig.venue_file.string(),
                                                .seal = seal_state(rig),
                                                .made = now_in_words(),
                                                .program = program_name(),
                                                .warnings = warnings}));
  arguments.voice.say(text_of(proof, warnings, arguments.report, text_width()));
  arguments.voice.document(document_of(rig, proof, warnings));
  return proof.holds;
}

}  // namespace

void add_prove(CLI::App& program, int& status) {
  CLI::App* verb = add_verb(program, "prove",
                            "Runs the rig's chain against built-in signals and recordings, and judges it: whether its "
                            "limits hold, and what to change where they do not. Exit status 1 where they do not.",
                            "rackproof prove rig.toml --program show.wav --report proof.html");
  const auto arguments = std::make_shared<ProveArguments>();
  arguments->rig.add_to(*verb);
  add_option(*verb, "--program", arguments->programmes, "A recording to judge as well; may be given again")
      .type_name("FILE")
      .allow_extra_args(false);
  add_flag(*verb, "--resample", arguments->resample,
           "Converts recordings at another sample rate than the controller's, as render does");
  arguments->report.add_to(*verb);
  arguments->voice.add_to(*verb);
  when_called(*verb, [arguments, &status] { status = run_prove(*arguments) ? 0 : 1; });
}

}  // namespace rackproof
