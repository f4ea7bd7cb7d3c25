#include "harness/report/page.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <charconv>
#include <cmath>
#include <iterator>
#include <map>
#include <nlohmann/json.hpp>
#include <utility>
#include <vector>

#include "harness/report/assets.hpp"
#include "harness/report/reduction.hpp"

namespace rackproof::report {
namespace {

using Json = nlohmann::ordered_json;
using proof::Finding;
using proof::Ladder;
using proof::Proof;
using proof::Recording;
using proof::Rung;
using proof::Track;

constexpr std::size_t kMostBuckets = 1000, kToldMoments = 6;

/// `{{name}}` in a template becomes the value of that name. Values are not looked at again.
std::string filled(std::string_view form, const std::map<std::string_view, std::string_view>& values) {
  std::string out;
  for (;;) {
    const std::size_t open = form.find("{{"), close = form.find("}}", open);
    out += form.substr(0, open);
    if (close == std::string_view::npos) return out;
    out += values.at(form.substr(open + 2, close - open - 2));
    form.remove_prefix(close + 2);
  }
}

// ---- numbers and words ----------------------------------------------------------------------------------------------

/// For a person: a true minus, and a dash for what is not a number.
std::string number(double value, int decimals) {
  if (!std::isfinite(value)) return "–";
  std::string text = fmt::format("{:.{}f}", std::abs(value), decimals);
  const bool nothing = text.find_first_not_of("0.") == std::string::npos;
  return value < 0 && !nothing ? "−" + text : text;
}
/// Three or four digits, without zeros that tell nothing.
std::string figure(double value) {
  const double size = std::abs(value);
  if (size != 0 && (size < 1e-3 || size >= 1e6)) {
    std::string text = fmt::format("{:.3g}", value);
    return value < 0 ? "−" + text.substr(1) : text;
  }
  std::string text = number(value, size >= 1000 ? 0 : size >= 100 ? 1 : size >= 1 ? 2 : 3);
  if (text.find('.') != std::string::npos) text.erase(text.find_last_not_of('0') + 1);
  if (text.back() == '.') text.pop_back();
  return text;
}
std::string quantity(double value, const std::string& unit) {
  return figure(value) + (unit.empty() ? "" : " " + escaped(unit));
}
std::string hertz(double hz) { return hz < 1000 ? fmt::format("{:.3g} Hz", hz) : fmt::format("{:.3g} kHz", hz / 1000); }
/// "1:05.2"
std::string clock(double seconds) {
  const auto tenths = static_cast<long long>(std::llround(std::max(seconds, 0.0) * 10));
  return fmt::format("{}:{:02}.{}", tenths / 600, tenths / 10 % 60, tenths % 10);
}
std::string counted(std::size_t count, const char* one, const char* more) {
  return fmt::format("{} {}", count, count == 1 ? one : more);
}
std::string bdi(const std::string& text) { return "<bdi>" + escaped(text) + "</bdi>"; }
/// A finding's words; what stands between backquotes is a key or a value of the file.
std::string sentence(const std::string& text) {
  std::string out;
  bool code = false;
  for (const char c : escaped(text)) {
    if (c != '`') {
      out += c;
      continue;
    }
    out += code ? "</code>" : "<code>";
    code = !code;
  }
  return out + (code ? "</code>" : "");
}

/// Every name of a rung, from the most volts to the least: by the greatest that any output has.
std::vector<std::string> rung_names(const std::vector<Ladder>& ladders) {
  std::map<std::string, double> volts;
  std::vector<std::string> names;
  for (const Ladder& ladder : ladders) {
    for (const Rung& rung : ladder.rungs) {
      const auto [seen, first] = volts.try_emplace(rung.name, rung.volts_peak);
      if (first) names.push_back(rung.name);
      seen->second = std::max(seen->second, rung.volts_peak);
    }
  }
  std::stable_sort(names.begin(), names.end(), [&](const auto& a, const auto& b) { return volts[a] > volts[b]; });
  return names;
}

// ---- data for the plots ---------------------------------------------------------------------------------------------

/// Five digits are more than a screen shows, and a third of the bytes. What is not finite is a gap.
Json row(const std::vector<double>& values) {
  Json out = Json::array();
  for (const double value : values) {
    double rounded = value;
    if (std::isfinite(value)) {
      const std::string text = fmt::format("{:.5g}", value);
      std::from_chars(text.data(), text.data() + text.size(), rounded);
    }
    out.push_back(rounded);
  }
  return out;
}

Json data_of(const Proof& proof, const std::vector<Recording>& recordings) {
  Json curves = Json::array(), ladders = Json::array(), reels = Json::array();
  for (const auto& curve : proof.responses.curves)
    curves.push_back({{"name", curve.name},
                      {"magnitude", row(curve.magnitude_db)},
                      {"phase", row(curve.phase_deg)},
                      {"delay", row(curve.group_delay_ms)}});
  std::map<std::string, double> limits;
  for (const Ladder& ladder : proof.ladders) {
    Json rungs = Json::array();
    for (const Rung& rung : ladder.rungs) {
      rungs.push_back({{"name", rung.name}, {"volts", row({rung.volts_peak})[0]}});
      if (rung.name == "limit") limits[ladder.output] = rung.volts_peak;
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
  return {{"response",
           {{"frequency", row(proof.responses.frequency_hz)},
            {"points", row(proof.responses.crossover_at_hz)},
            {"curves", std::move(curves)},
            {"least", row(proof.responses.sum_least_db)},
            {"most", row(proof.responses.sum_most_db)}}},
          {"rungs", rung_names(proof.ladders)},
          {"ladders", std::move(ladders)},
          {"recordings", std::move(reels)}};
}
/// JSON that can stand in a script element: no `<` can end it.
std::string for_script(const Json& document) {
  std::string out;
  for (const char c : document.dump(-1, ' ', false, Json::error_handler_t::replace)) {
    if (c == '<') {
      out += "\\u003c";
    } else {
      out += c;
    }
  }
  return out;
}

// ---- pieces of the page ---------------------------------------------------------------------------------------------

/// A plot: a frame that the keyboard reaches and that says the cursor's values, its legend, and what it shows in words.
/// `title` is any text, `words` are HTML.
std::string figure_of(const std::string& plot, const std::string& title, const std::string& words) {
  return fmt::format(
      "<figure class=\"plot\" data-plot=\"{0}\"><{4}>{1}</{4}><div class=\"legend\"></div>"
      "<div class=\"frame\" role=\"slider\" tabindex=\"0\" aria-label=\"{2}: read-out. Arrow keys move it, Page keys "
      "move it further, Escape takes it away.\" aria-valuemin=\"0\" aria-valuemax=\"0\" aria-valuenow=\"0\" "
      "aria-valuetext=\"no place yet\"><canvas aria-hidden=\"true\"></canvas></div><p class=\"read-out\"></p>"
      "<figcaption>{3}</figcaption></figure>\n",
      plot, bdi(title), escaped(title), words, plot.starts_with("track") ? "h4" : "h3");
}

struct Column {
  std::string head;
  bool numeric = true;
};
/// Rows of HTML cells; the first of each is the row's head.
std::string table(const std::string& caption, const std::vector<Column>& columns,
                  const std::vector<std::vector<std::string>>& rows) {
  std::string out = "<div class=\"wide\" tabindex=\"0\" role=\"group\" aria-label=\"" + caption +
                    "\"><table><caption>" + caption + "</caption><thead><tr>";
  const auto kind = [](const Column& column) { return column.numeric ? " class=\"figure\"" : ""; };
  for (const Column& column : columns) out += fmt::format("<th scope=\"col\"{}>{}</th>", kind(column), column.head);
  out += "</tr></thead><tbody>\n";
  for (const auto& cells : rows) {
    out += "<tr><th scope=\"row\">" + cells[0] + "</th>";
    for (std::size_t c = 1; c < cells.size(); ++c) out += fmt::format("<td{}>{}</td>", kind(columns[c]), cells[c]);
    out += "</tr>\n";
  }
  return out + "</tbody></table></div>\n";
}

std::string section(const std::string& id, const std::string& title, const std::string& body) {
  return fmt::format(
      "<section id=\"{0}\" aria-labelledby=\"{0}-title\">\n<h2 id=\"{0}-title\">{1}</h2>\n{2}</section>\n", id, title,
      body);
}

std::string mark(Outcome outcome) {
  constexpr const char* kShapes[] = {"●", "▲", "◆"};
  return fmt::format("<span class=\"mark {0}\"><span aria-hidden=\"true\">{1}</span> {0}</span>", name_of(outcome),
                     kShapes[static_cast<std::size_t>(outcome)]);
}
std::string where(const Finding& finding) { return finding.output ? bdi(*finding.output) : "whole rig"; }

std::string fixes_of(const Proof& proof) {
  std::string falls, accepted;
  for (const Finding& finding : proof.findings) {
    const Outcome outcome = outcome_of(finding);
    if (outcome == Outcome::holds) continue;
    const std::string item =
        fmt::format("<li><p class=\"what\">{} <code>{}</code> {}</p><p>{}</p>{}</li>\n", mark(outcome),
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
  std::size_t count[3] = {};
  for (const Finding& finding : proof.findings) ++count[static_cast<std::size_t>(outcome_of(finding))];
  std::string out = fmt::format("{} of {} {}", count[0], counted(proof.findings.size(), "check", "checks"),
                                count[0] == 1 ? "holds" : "hold");
  if (count[1] > 0) out += fmt::format("; {} {}", count[1], count[1] == 1 ? "falls" : "fall");
  if (count[2] > 0) out += fmt::format("; {} accepted in the rig file, and not counted", count[2]);
  return out + (count[1] > 0 ? ". Do not drive the rig hard before what is listed here is mended." : ".");
}

std::string responses_of(const Proof& proof) {
  const auto& responses = proof.responses;
  if (responses.frequency_hz.empty() || responses.curves.empty()) return {};
  std::string points;
  for (const double hz : responses.crossover_at_hz) points += (points.empty() ? "" : ", ") + hertz(hz);
  const auto span =
      fmt::format("from {} to {}", hertz(responses.frequency_hz.front()), hertz(responses.frequency_hz.back()));
  std::string magnitude, phase, delay;
  for (const auto& curve : responses.curves) {
    const auto top = std::max_element(curve.magnitude_db.begin(), curve.magnitude_db.end());
    if (top == curve.magnitude_db.end()) continue;
    magnitude += fmt::format(" {} is loudest at {}, {} dB.", bdi(curve.name),
                             hertz(responses.frequency_hz[static_cast<std::size_t>(top - curve.magnitude_db.begin())]),
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
  std::string body =
      fmt::format("<p>{} with the common latency taken out.{}</p>\n",
                  responses.acoustic ? "The ways as their measured responses and the controller make them,"
                                     : "What the controller makes of each way, ahead of amplifiers and drivers,",
                  points.empty() ? "" : " Crossover points, marked by upright dashes: " + points + ".");
  body += figure_of("magnitude", "Magnitude", "Level over frequency, " + span + "." + magnitude + band);
  body +=
      figure_of("phase", "Phase",
                "Phase over frequency, wrapped at ±180°. Each curve is drawn where it is within 40 dB of its loudest. "
                "Where two ways meet, their curves lie together if they add up.");
  body += figure_of("delay", "Group delay",
                    "Group delay over frequency, each curve where it is within 40 dB of its loudest. The ways' own "
                    "delays are in it.");
  return section("response", "Response", body);
}

std::string ladders_of(const Proof& proof) {
  if (proof.ladders.empty()) return {};
  std::vector<Column> columns{{"output", false}};
  const std::vector<std::string> names = rung_names(proof.ladders);
  std::vector<std::vector<std::string>> rows;
  for (const std::string& name : names) columns.push_back({escaped(name)});
  for (const Ladder& ladder : proof.ladders) {
    rows.push_back({bdi(ladder.output)});
    for (const std::string& name : names) {
      const auto rung =
          std::find_if(ladder.rungs.begin(), ladder.rungs.end(), [&](const Rung& one) { return one.name == name; });
      rows.back().push_back(rung == ladder.rungs.end() ? "–" : number(rung->volts_peak, 1));
    }
  }
  return section(
      "volts", "Thresholds in volts",
      figure_of("volts", "What is reached at which voltage",
                "Each output's ladder, in peak volts at its loudspeaker terminals. The limit, the thick bar, "
                "is to lie below all that it protects. A continuous rating is long-term RMS: the power "
                "limiter's business, not the peak limit's.") +
          table("Volts at the loudspeaker terminals", columns, rows));
}

std::string told(const Track& track, double bucket_seconds) {
  std::vector<Moment> moments = limiting_moments(track, bucket_seconds);
  std::string out = fmt::format("Peak {} V, {} W on average. ", number(track.peak_volts, 1), figure(track.mean_watts));
  if (moments.empty()) {
    out += "It never limits. ";
  } else {
    out += fmt::format("It limits, if by little, {} % of the time, by more than 0.1 dB in {}; deepest: ",
                       number(100 * track.limited_fraction, 1), counted(moments.size(), "stretch", "stretches"));
    std::stable_sort(moments.begin(), moments.end(),
                     [](const Moment& a, const Moment& b) { return a.deepest_db < b.deepest_db; });
    for (std::size_t m = 0; m < std::min(moments.size(), kToldMoments); ++m)
      out += fmt::format("{}{} dB at {} ({})", m == 0 ? "" : ", ", number(moments[m].deepest_db, 1),
                         clock(moments[m].deepest_at_s), moments[m].by_power ? "power" : "peak");
    out += ". ";
  }
  return out + fmt::format("Estimate: the coil warms by {} K, which costs {} dB of level.",
                           number(track.coil_rise_kelvin, 0), number(track.level_lost_db, 1));
}

std::string recordings_of(const std::vector<Recording>& recordings) {
  std::string body;
  for (std::size_t r = 0; r < recordings.size(); ++r) {
    const Recording& recording = recordings[r];
    body += fmt::format("<h3>{} <small>{}</small></h3>\n<div class=\"pair\">\n",
                        bdi(recording.file.filename().string()), clock(recording.seconds));
    for (std::size_t t = 0; t < recording.tracks.size(); ++t)
      body += figure_of(fmt::format("track {} {}", r, t), recording.tracks[t].output,
                        told(recording.tracks[t], recording.bucket_seconds));
    body += "</div>\n";
  }
  if (body.empty()) return {};
  return section("recordings", "Recordings",
                 "<p>Each output over time: above, the least and greatest volts of each stretch and the limit; below, "
                 "what the peak and the power limiter take off. Triangles mark the deepest of each limiting "
                 "stretch.</p>\n" +
                     body);
}

std::string timings_of(const Proof& proof) {
  if (proof.timings.empty()) return {};
  std::vector<std::vector<std::string>> rows;
  for (const auto& timing : proof.timings)
    rows.push_back({bdi(timing.output), number(timing.latency_ms, 3), number(timing.delay_ms, 3),
                    number(timing.latency_ms + timing.delay_ms, 3), timing.polarity < 0 ? "inverted" : "normal"});
  return section("times", "Latency, delays, polarity",
                 table("As measured at each output",
                       {{"output", false}, {"latency ms"}, {"delay ms"}, {"both ms"}, {"polarity", false}}, rows));
}

/// A body a check, so that its name heads its rows; on a narrow screen the cells go below each other.
std::string checks_of(const Proof& proof) {
  std::string out =
      "<table class=\"checks\"><caption>Measured, allowed, and what it means</caption><thead><tr>"
      "<th scope=\"col\">where</th><th scope=\"col\">verdict</th><th scope=\"col\" class=\"figure\">measured</th>"
      "<th scope=\"col\" class=\"figure\">allowed</th><th scope=\"col\">in words</th></tr></thead>\n";
  for (std::size_t n = 0; n < proof.findings.size(); ++n) {
    const Finding& finding = proof.findings[n];
    if (n == 0 || proof.findings[n - 1].id != finding.id) {
      if (n > 0) out += "</tbody>\n";
      out += "<tbody><tr class=\"id\"><th scope=\"rowgroup\" colspan=\"5\">" + escaped(finding.id) + "</th></tr>\n";
    }
    const Outcome outcome = outcome_of(finding);
    out += fmt::format(
        "<tr class=\"{}\"><th scope=\"row\">{}</th><td>{}</td><td class=\"figure\" data-head=\"measured\">{}</td>"
        "<td class=\"figure\" data-head=\"allowed\">{}</td><td class=\"words\">{}{}</td></tr>\n",
        name_of(outcome), where(finding), mark(outcome), quantity(finding.measured, finding.unit),
        quantity(finding.allowed, finding.unit), sentence(finding.text),
        outcome == Outcome::accepted ? " Accepted: " + bdi(*finding.accepted) : "");
  }
  return out + (proof.findings.empty() ? "" : "</tbody>") + "</table>\n";
}

}  // namespace

std::string escaped(std::string_view text) {
  std::string out;
  for (const char c : text) {
    switch (c) {
      case '&':
        out += "&amp;";
        break;
      case '<':
        out += "&lt;";
        break;
      case '>':
        out += "&gt;";
        break;
      case '"':
        out += "&quot;";
        break;
      case '\'':
        out += "&#39;";
        break;
      default:
        out += c;
    }
  }
  return out;
}

std::string page(const Proof& proof, const PageFacts& facts) {
  std::vector<Recording> recordings;
  std::transform(proof.recordings.begin(), proof.recordings.end(), std::back_inserter(recordings),
                 [](const Recording& recording) { return reduced(recording, kMostBuckets); });
  const std::vector<std::pair<std::string, std::string>> parts{{"Response", responses_of(proof)},
                                                               {"Thresholds in volts", ladders_of(proof)},
                                                               {"Recordings", recordings_of(recordings)},
                                                               {"Latency, delays, polarity", timings_of(proof)}};
  std::string sections, index = "<li><a href=\"#verdict\">Verdict</a></li>\n";
  for (const auto& [title, html] : parts) {
    if (html.empty()) continue;
    const std::size_t from = html.find("id=\"") + 4;
    index += fmt::format("<li><a href=\"#{}\">{}</a></li>\n", html.substr(from, html.find('"', from) - from), title);
    sections += html;
  }
  index += "<li><a href=\"#checks\">Every check</a></li>\n<li><a href=\"#cautions\">Cautions</a></li>\n";

  std::string about = "Rig file " + bdi(facts.rig_file);
  if (!facts.venue_file.empty()) about += ", venue file " + bdi(facts.venue_file);
  if (!facts.made.empty()) about += ". Made " + escaped(facts.made);
  if (!facts.program.empty()) about += " by " + escaped(facts.program);
  about += ".";
  const std::string title = escaped(proof.title), verdict = proof.holds ? "holds" : "falls";
  const std::string headline = proof.holds ? "The rig holds" : "The rig does not hold";
  const std::string text = verdict_text(proof), fixes = fixes_of(proof), checks = checks_of(proof),
                    data = for_script(data_of(proof, recordings));
  return filled(assets::kPageHtml, {{"headline", headline},
                                    {"title", title},
                                    {"licence", assets::kChartsLicenceTxt},
                                    {"css", assets::kPageCss},
                                    {"facts", about},
                                    {"index", index},
                                    {"verdict", verdict},
                                    {"seal", proof.holds ? "✓" : "✕"},
                                    {"verdict_text", text},
                                    {"fixes", fixes},
                                    {"sections", sections},
                                    {"checks", checks},
                                    {"data", data},
                                    {"charting", assets::kChartMinJs},
                                    {"script", assets::kReportJs}});
}

}  // namespace rackproof::report
