#include "harness/report/page.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <iterator>
#include <map>
#include <nlohmann/json.hpp>
#include <vector>

#include "harness/report/assets.hpp"
#include "harness/report/parts.hpp"
#include "harness/report/reduction.hpp"

namespace rackproof::report {
namespace {

using Json = nlohmann::ordered_json;
using proof::Finding;
using proof::Ladder;
using proof::Proof;
using proof::Recording;
using proof::Rung;
using proof::RungKind;
using proof::Track;

constexpr std::size_t kMostBuckets = 1000, kToldMoments = 3;
constexpr const char* kCautions =
    "<li>Loudspeakers on a rig of this size can harm hearing within minutes. Clear the area, wear protection, begin at "
    "the lowest level.</li>\n"
    "<li>These figures come from what the rig file says of amplifiers and drivers. If a plate, a front control or a "
    "cable differs from it, so does the safety. Measure at the terminals before you trust a limit.</li>\n"
    "<li>Coil temperatures and lost level are estimates. They prove nothing about a driver that has been hot "
    "before.</li>\n";

// ---- numbers and words ----------------------------------------------------------------------------------------------

/// Its figure and its unit stay on one line.
std::string quantity(double value, const std::string& unit, double within = 0) {
  std::string text = figure(value);
  if (within > 0) text += "\u00a0\u00b1" + figure(within);
  if (!unit.empty()) text += "\u00a0" + escaped(unit);
  return text;
}
/// "1:05.2"
std::string clock(double seconds) {
  const auto tenths = static_cast<long long>(std::llround(std::max(seconds, 0.0) * 10));
  return fmt::format("{}:{:02}.{}", tenths / 600, tenths / 10 % 60, tenths % 10);
}
/// The kinds of rungs that any of the ladders has, in the order of their kinds.
std::vector<RungKind> kinds_of(const std::vector<Ladder>& ladders) {
  std::vector<RungKind> kinds;
  for (std::size_t k = 0; k < proof::kRungKinds; ++k) {
    const auto kind = static_cast<RungKind>(k);
    const auto has = [&](const Ladder& ladder) { return std::ranges::count(ladder.rungs, kind, &Rung::kind) > 0; };
    if (std::ranges::any_of(ladders, has)) kinds.push_back(kind);
  }
  return kinds;
}
const char* unit_of(RungKind kind) { return is_rms(kind) ? "V\u00a0RMS" : "V\u00a0peak"; }

// ---- data for the plots ---------------------------------------------------------------------------------------------

Json data_of(const Proof& proof, const std::vector<Recording>& recordings) {
  Json responses = Json::array(), ladders = Json::array(), kinds = Json::array(), reels = Json::array();
  // The place of a kind is its colour and shape: the same on every rig's page.
  for (const RungKind kind : kinds_of(proof.ladders))
    kinds.push_back({{"name", name_of(kind)}, {"place", static_cast<std::size_t>(kind)}, {"rms", is_rms(kind)}});
  for (const proof::Responses& one : proof.responses) {
    Json curves = Json::array();
    for (const auto& curve : one.curves)
      curves.push_back({{"name", curve.name},
                        {"magnitude", row(curve.magnitude_db)},
                        {"phase", row(curve.phase_deg)},
                        {"delay", row(curve.group_delay_ms)}});
    responses.push_back({{"frequency", row(one.frequency_hz)},
                         {"points", row(one.crossover_at_hz)},
                         {"curves", std::move(curves)},
                         {"least", row(one.sum_least_db)},
                         {"most", row(one.sum_most_db)}});
  }
  std::map<std::string, double> limits;
  for (const Ladder& ladder : proof.ladders) {
    Json rungs = Json::array();
    for (const Rung& rung : ladder.rungs) {
      rungs.push_back({{"name", name_of(rung.kind)},
                       {"volts_peak", row({rung.volts_peak()})[0]},
                       {"volts_rms", is_rms(rung.kind) ? row({rung.volts})[0] : Json(nullptr)}});
      if (rung.kind == RungKind::limit) limits[ladder.output] = rung.volts;
    }
    ladders.push_back({{"output", ladder.output}, {"rungs", std::move(rungs)}});
  }
  for (const Recording& recording : recordings) {
    Json tracks = Json::array();
    for (const Track& track : recording.tracks) {
      Json moments = Json::array();
      for (const Moment& moment : limiting_moments(track, recording.bucket_seconds))
        moments.push_back(row({moment.deepest_at_s, moment.deepest_db}));
      const auto limit = limits.find(track.output);
      tracks.push_back({{"output", track.output},
                        {"least", row(track.least)},
                        {"greatest", row(track.greatest)},
                        {"peak_gain", row(track.peak_gain_db)},
                        {"power_gain", row(track.power_gain_db)},
                        {"limit", limit == limits.end() ? Json(nullptr) : row({limit->second})[0]},
                        {"moments", std::move(moments)}});
    }
    reels.push_back({{"bucket", recording.bucket_seconds}, {"tracks", std::move(tracks)}});
  }
  return {{"responses", std::move(responses)},
          {"rungs", std::move(kinds)},
          {"ladders", std::move(ladders)},
          {"recordings", std::move(reels)}};
}
// ---- pieces of the page ---------------------------------------------------------------------------------------------

std::string mark_of(Outcome outcome) {
  constexpr const char* kShapes[] = {"●", "▲", "◆"};
  return mark(name_of(outcome), kShapes[static_cast<std::size_t>(outcome)], name_of(outcome));
}
std::string where(const Finding& finding) {
  return finding.output                ? bdi(*finding.output)
         : finding.loudspeaker.empty() ? "whole rig"
                                       : "loudspeaker " + bdi(finding.loudspeaker);
}

std::string fixes_of(const Proof& proof) {
  std::string falls, accepted;
  for (const Finding& finding : proof.findings) {
    const Outcome outcome = outcome_of(finding);
    if (outcome == Outcome::holds) continue;
    const std::string item =
        fmt::format("<li><p class=\"what\">{} <code>{}</code> {}</p><p>{}</p>{}</li>\n", mark_of(outcome),
                    escaped(finding.id), where(finding), sentence(finding.text),
                    outcome == Outcome::accepted
                        ? "<p class=\"reason\">Accepted in the rig file: " + bdi(*finding.accepted) + "</p>"
                        : "");
    (outcome == Outcome::falls ? falls : accepted) += item;
  }
  std::string out;
  if (!falls.empty()) out += "<h3>What to fix</h3>\n<ol class=\"fixes\">\n" + falls + "</ol>\n";
  if (!accepted.empty()) out += "<h3>Taken knowingly</h3>\n<ul class=\"fixes\">\n" + accepted + "</ul>\n";
  return out;
}

std::string verdict_text(const Proof& proof) {
  const Tally tally = tally_of(proof.findings);
  std::string out = fmt::format("{} of {} {}", tally.hold, counted(proof.findings.size(), "check", "checks"),
                                tally.hold == 1 ? "holds" : "hold");
  if (tally.fall > 0) out += fmt::format("; {} {}", tally.fall, tally.fall == 1 ? "falls" : "fall");
  if (tally.accepted > 0) out += fmt::format("; {} accepted in the rig file, and not counted", tally.accepted);
  if (tally.not_judged > 0) out += fmt::format("; {} cannot be judged", tally.not_judged);
  return out + (tally.fall > 0 ? ". Do not drive the rig hard before what is listed here is mended." : ".");
}

/// A plot's name on the page: of the first loudspeaker `magnitude`, of the second `magnitude-2`.
std::string plot_of(const char* plot, std::size_t place) {
  return place == 0 ? plot : fmt::format("{}-{}", plot, place + 1);
}
std::string response_of(const proof::Responses& responses, std::size_t place) {
  if (responses.frequency_hz.empty() || responses.curves.empty()) return {};
  std::string points;
  for (const double hz : responses.crossover_at_hz) points += (points.empty() ? "" : ", ") + rig::hertz_text(hz);
  const auto span = fmt::format("from {} to {}", rig::hertz_text(responses.frequency_hz.front()),
                                rig::hertz_text(responses.frequency_hz.back()));
  std::string magnitude, phase, delay;
  for (const auto& curve : responses.curves) {
    const auto top = std::max_element(curve.magnitude_db.begin(), curve.magnitude_db.end());
    if (top == curve.magnitude_db.end()) continue;
    magnitude +=
        fmt::format(" {} is loudest at {}, {} dB.", bdi(curve.name),
                    rig::hertz_text(responses.frequency_hz[static_cast<std::size_t>(top - curve.magnitude_db.begin())]),
                    number(*top, 1));
  }
  std::vector<double> spread;
  for (std::size_t n = 0; n < std::min(responses.sum_least_db.size(), responses.sum_most_db.size()); ++n)
    spread.push_back(responses.sum_most_db[n] - responses.sum_least_db[n]);
  const std::string band = spread.empty()
                               ? ""
                               : fmt::format(
                                     " The grey band holds the sum for air of −10 to +40 °C and drivers up to 2 dB "
                                     "louder or quieter than stated; it is at most {} dB wide.",
                                     number(*std::max_element(spread.begin(), spread.end()), 1));
  std::string body = responses.loudspeaker.empty() ? "" : "<h3>Loudspeaker " + bdi(responses.loudspeaker) + "</h3>\n";
  body +=
      fmt::format("<p>{} with the common latency taken out.{}</p>\n",
                  responses.acoustic
                      ? "The acoustic sum: the ways as their measured responses and the controller make them,"
                      : "The electrical sum: what the controller makes of each way, ahead of amplifiers and drivers,",
                  points.empty() ? "" : " Crossover points, marked by upright dashes: " + points + ".");
  body += figure_of(plot_of("magnitude", place), "Magnitude", "Level over frequency, " + span + "." + magnitude + band);
  body += "<div class=\"duo\">\n";
  body +=
      figure_of(plot_of("phase", place), "Phase",
                "Phase over frequency, wrapped at ±180°. Each curve is drawn where it is within 40 dB of its loudest. "
                "Where two ways meet, their curves lie together if they add up.");
  body += figure_of(plot_of("delay", place), "Group delay",
                    "Group delay over frequency, each curve where it is within 40 dB of its loudest. The ways' own "
                    "delays are in it.");
  body += "</div>\n";
  return body;
}
std::string responses_of(const Proof& proof) {
  std::string body;
  for (std::size_t n = 0; n < proof.responses.size(); ++n) body += response_of(proof.responses[n], n);
  return body;
}

std::string ladders_of(const Proof& proof) {
  if (proof.ladders.empty()) return {};
  std::vector<Column> columns{{"output", false}};
  const std::vector<RungKind> kinds = kinds_of(proof.ladders);
  std::vector<std::vector<std::string>> rows;
  for (const RungKind kind : kinds) columns.push_back({fmt::format("{}, {}", name_of(kind), unit_of(kind))});
  for (const Ladder& ladder : proof.ladders) {
    rows.push_back({bdi(ladder.output)});
    for (const RungKind kind : kinds) {
      const auto rung = std::ranges::find(ladder.rungs, kind, &Rung::kind);
      rows.back().push_back(rung == ladder.rungs.end() ? "–" : number(rung->volts, 1));
    }
  }
  return figure_of(
             "volts", "What is reached at which voltage",
             "Each output's ladder, in peak volts at its loudspeaker terminals. The limit, the thick bar, "
             "is to lie below all that it protects. A continuous rating and the power limit are RMS volts: they "
             "stand at the peak of a sine of that RMS, 1.41 times as high. They are the power limiter's business, "
             "not the peak limit's.") +
         table("Volts at the loudspeaker terminals, as a voltmeter and a peak meter read them", columns, rows);
}

std::string told(const Track& track, double bucket_seconds) {
  std::vector<Moment> moments = limiting_moments(track, bucket_seconds);
  if (moments.empty()) return "It never limits.";
  std::string out =
      fmt::format("It limits by more than 0.1 dB in {}; deepest: ", counted(moments.size(), "stretch", "stretches"));
  std::stable_sort(moments.begin(), moments.end(),
                   [](const Moment& a, const Moment& b) { return a.deepest_db < b.deepest_db; });
  for (std::size_t m = 0; m < std::min(moments.size(), kToldMoments); ++m)
    out += fmt::format("{}{} dB at {} ({})", m == 0 ? "" : ", ", number(moments[m].deepest_db, 1),
                       clock(moments[m].deepest_at_s), moments[m].by_power ? "power" : "peak");
  return out + ".";
}

std::string levels_of(const Recording& recording) {
  const std::string peak = "peak limiter holds", power = "power limiter holds", coil = "coil, an estimate";
  std::vector<Column> columns{{"output", false}, {"V peak"}, {"V RMS"}, {"W, mean"}};
  for (const std::string& limiter : {peak, power})
    for (const char* head : {"mean dB", "95\u00a0% dB", "over 1\u00a0dB", "over 3\u00a0dB"})
      columns.push_back({head, true, limiter});
  columns.push_back({"warms K", true, coil});
  columns.push_back({"costs dB", true, coil});
  std::vector<std::vector<std::string>> rows;
  for (const Track& track : recording.tracks) {
    rows.push_back(
        {bdi(track.output), number(track.peak_volts, 1), number(track.rms_volts, 1), figure(track.mean_watts)});
    for (const analysis::Held* held : {&track.peak_held, &track.power_held})
      for (const std::string& cell : {number(held->mean_db, 1), number(held->p95_db, 1),
                                      number(100 * held->over_1_db, 1) + " %", number(100 * held->over_3_db, 1) + " %"})
        rows.back().push_back(cell);
    rows.back().push_back(number(track.coil_rise_kelvin, 0));
    rows.back().push_back(number(track.level_lost_db, 1));
  }
  return table("What each output does: the most it reaches, its mean, and what its limiters hold", columns, rows);
}

std::string advice_of(const Recording& recording) {
  std::string items;
  for (const proof::Advice& advice : recording.advice)
    items += fmt::format("<li><code>{}</code> {}</li>\n", escaped(advice.code), sentence(advice.text));
  if (items.empty())
    return "<p>No output is held more than 1 dB for more than 5 % of the time: nothing to change.</p>\n";
  return "<ul class=\"advice\">\n" + items + "</ul>\n";
}

std::string recordings_of(const std::vector<Recording>& recordings) {
  std::string body;
  for (std::size_t r = 0; r < recordings.size(); ++r) {
    const Recording& recording = recordings[r];
    body += fmt::format("<h3>{} <small>{}</small></h3>\n{}{}<div class=\"pair tracks\">\n",
                        bdi(recording.file.filename().string()), clock(recording.seconds), advice_of(recording),
                        levels_of(recording));
    for (std::size_t t = 0; t < recording.tracks.size(); ++t)
      body += figure_of(fmt::format("track {} {}", r, t), recording.tracks[t].output,
                        told(recording.tracks[t], recording.bucket_seconds), "h4");
    body += "</div>\n";
  }
  if (body.empty()) return {};
  return "<p>“95 %”: what is held at most for 95 % of the time. “Over 1 dB”: for how much of the time more than that "
         "is held. In the plots, above: the least and greatest volts of each stretch and the limit; below: what the peak "
         "and the power limiter take off. Triangles mark the deepest of each limiting stretch.</p>\n" +
         body;
}

/// A cell, which may have several lines, with true minus signs.
std::string lines(const std::string& text) {
  std::string out;
  const std::string safe = escaped(text);
  for (std::size_t n = 0; n < safe.size(); ++n) {
    const bool begins = n == 0 || safe[n - 1] == ' ' || safe[n - 1] == '(' || safe[n - 1] == '\n';
    const bool minus = safe[n] == '-' && begins && n + 1 < safe.size() && safe[n + 1] >= '0' && safe[n + 1] <= '9';
    if (safe[n] == '\n')
      out += "<br>";
    else if (minus)
      out += "−";
    else
      out += safe[n];
  }
  return out;
}

std::string basis_of(const Proof& proof) {
  std::string body;
  for (const proof::BasisTable& basis : proof.basis) {
    std::vector<Column> columns;
    for (const std::string& head : basis.heads) columns.push_back({escaped(head), false});
    std::vector<std::vector<std::string>> rows;
    for (const auto& row : basis.rows) {
      std::transform(row.begin(), row.end(), std::back_inserter(rows.emplace_back()), lines);
      rows.back()[0] = "<bdi>" + rows.back()[0] + "</bdi>";
    }
    body += table(escaped(basis.title), columns, rows);
  }
  if (body.empty()) return {};
  return "<p>What the files say, and what follows from it. Compare it with plates, front controls and data "
         "sheets.</p>\n"
         "<div class=\"basis\">\n" +
         body + "</div>\n";
}

std::string timings_of(const Proof& proof) {
  if (proof.timings.empty()) return {};
  std::vector<std::vector<std::string>> rows;
  for (const auto& timing : proof.timings)
    rows.push_back({bdi(timing.output), number(timing.latency_ms, 3), number(timing.delay_ms, 3),
                    number(timing.latency_ms + timing.delay_ms, 3), timing.polarity < 0 ? "inverted" : "normal"});
  return table("As measured at each output",
               {{"output", false}, {"latency ms"}, {"delay ms"}, {"both ms"}, {"polarity", false}}, rows);
}

/// Findings of one check that say the same of several outputs, in one row: `first` tells for all of them.
struct CheckRow {
  const Finding* first;
  std::string where, measured, allowed, words;
  bool several = false;
};
/// What a finding says once its output's name, if it begins with that, is taken for any.
std::string words_for_each(const Finding& finding) {
  const bool named = finding.output && finding.text.starts_with(*finding.output);
  return named ? "Each" + finding.text.substr(finding.output->size()) : finding.text;
}
std::vector<CheckRow> rows_of(const std::vector<Finding>& findings) {
  std::vector<CheckRow> rows;
  for (const Finding& finding : findings) {
    CheckRow row{&finding, where(finding), quantity(finding.measured, finding.unit),
                 quantity(finding.allowed, finding.unit, finding.within), words_for_each(finding)};
    const auto same = std::ranges::find_if(rows, [&](const CheckRow& other) {
      return other.first->id == finding.id && outcome_of(*other.first) == outcome_of(finding) &&
             other.first->accepted == finding.accepted && other.measured == row.measured &&
             other.allowed == row.allowed && other.words == row.words;
    });
    if (same == rows.end()) {
      rows.push_back(std::move(row));
      continue;
    }
    same->where += ", " + row.where;
    same->several = true;
  }
  for (CheckRow& row : rows) {
    row.words = sentence(row.several ? row.words : row.first->text);
    if (outcome_of(*row.first) == Outcome::accepted) row.words += " Accepted: " + bdi(*row.first->accepted);
  }
  return rows;
}

/// A body a check, so that its name heads its rows; on a narrow screen the cells go below each other.
std::string checks_of(const Proof& proof) {
  std::string out =
      "<p>Measured at the outputs of the chain as it runs.</p>\n"
      "<table class=\"checks\"><caption>Measured, allowed, and what it means</caption><thead><tr>"
      "<th scope=\"col\">where</th><th scope=\"col\">verdict</th><th scope=\"col\" class=\"figure\">measured</th>"
      "<th scope=\"col\" class=\"figure\">allowed</th><th scope=\"col\">in words</th></tr></thead>\n";
  const Finding* last = nullptr;
  for (const CheckRow& row : rows_of(proof.findings)) {
    const Outcome outcome = outcome_of(*row.first);
    if (last == nullptr || last->id != row.first->id) {
      if (last != nullptr) out += "</tbody>\n";
      out += "<tbody><tr class=\"id\"><th scope=\"rowgroup\" colspan=\"5\">" + escaped(row.first->id) + "</th></tr>\n";
    }
    last = row.first;
    out += fmt::format(
        "<tr class=\"{}\"><th scope=\"row\">{}</th><td>{}</td><td class=\"figure\" data-head=\"measured\">{}</td>"
        "<td class=\"figure\" data-head=\"allowed\">{}</td><td class=\"words\">{}</td></tr>\n",
        name_of(outcome), row.where, mark_of(outcome), row.measured, row.allowed, row.words);
  }
  return out + (last == nullptr ? "" : "</tbody>") + "</table>\n";
}

}  // namespace

Tally tally_of(const std::vector<Finding>& findings) {
  Tally tally;
  std::size_t* const of_outcome[] = {&tally.hold, &tally.fall, &tally.accepted};
  for (const Finding& finding : findings) {
    std::size_t& count = finding.judged ? *of_outcome[static_cast<std::size_t>(outcome_of(finding))] : tally.not_judged;
    ++count;
  }
  return tally;
}

std::string page(const Proof& proof, const PageFacts& facts) {
  std::vector<Recording> recordings;
  std::transform(proof.recordings.begin(), proof.recordings.end(), std::back_inserter(recordings),
                 [](const Recording& recording) { return reduced(recording, kMostBuckets); });
  std::string about = "Rig file " + bdi(facts.rig_file);
  if (!facts.venue_file.empty()) about += ", venue file " + bdi(facts.venue_file);
  about += made_by(facts.made, facts.program);
  if (!facts.seal.empty()) about += " " + sentence(facts.seal);
  const Json data = data_of(proof, recordings);
  const std::string verdict =
      "<p>" + verdict_text(proof) + "</p>\n" + fixes_of(proof) + list_of(facts.warnings, "Warnings");
  return page_of({.name = proof.title,
                  .kind = "Proof of a rig's limits",
                  .about = about,
                  .outline = {.id = "verdict",
                              .title = "Verdict",
                              .good = proof.holds,
                              .seal = proof.holds ? "✓" : "✕",
                              .headline = proof.holds ? "The rig holds" : "The rig does not hold",
                              .body = verdict},
                  .parts = {{"response", "Response", responses_of(proof)},
                            {"times", "Latency, delays, polarity", timings_of(proof)},
                            {"volts", "Thresholds in volts", ladders_of(proof)},
                            {"recordings", "Recordings", recordings_of(recordings)},
                            {"basis", "What it was computed from", basis_of(proof)},
                            {"checks", "Every check", checks_of(proof)}},
                  .cautions = kCautions,
                  .data = data,
                  .script = assets::kProofJs});
}

}  // namespace rackproof::report
