#include "harness/report/live_page.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

#include "harness/analysis/decibels.hpp"
#include "harness/report/assets.hpp"
#include "harness/report/parts.hpp"

namespace rackproof::report {
namespace {

using Json = nlohmann::ordered_json;

constexpr const char* kLiveCautions =
    "<li>Sound is playing. Loudspeakers at show level harm hearing within minutes: stay away from them, or wear "
    "protection.</li>\n"
    "<li>The meters show what the program hands to the sound server. What the interface, the cables and the amplifiers "
    "make of it is not seen here: measure it before the show.</li>\n"
    "<li>This page only shows. Mute and change the rig from the terminal or the command socket, and have a way to switch "
    "the amplifiers off by hand.</li>\n";

/// Rows of the plots: an entry a second, the latest last. Seconds before the program began are gaps.
Json over_time(const LivePage& page, std::vector<double> LiveRow::*member) {
  Json rows = Json::array();
  for (std::size_t output = 0; output < page.outputs.size(); ++output) {
    std::vector<double> values(kHistorySeconds - std::min(page.history.size(), kHistorySeconds), std::nan(""));
    for (const LiveRow& second : page.history) values.push_back((second.*member).at(output));
    rows.push_back(row(values));
  }
  return rows;
}

Json data_of(const LivePage& page) {
  Json outputs = Json::array();
  for (const LiveOutput& output : page.outputs) {
    const Json limit = std::isfinite(output.limit_volts_peak) ? Json(output.limit_volts_peak) : Json(nullptr);
    outputs.push_back({{"name", output.name}, {"limit", limit}, {"response", row(output.response_db)}});
  }
  return {{"rig", page.rig_number},
          {"outputs", std::move(outputs)},
          {"frequency", row(page.frequency_hz)},
          {"history",
           {{"level", over_time(page, &LiveRow::level_db)},
            {"held", over_time(page, &LiveRow::held_db)},
            {"heat", over_time(page, &LiveRow::heat_percent)}}}};
}

/// A row an output; the script fills in what changes.
std::string meters_of(const LivePage& page) {
  std::string body =
      "<p id=\"totals\" class=\"facts\">No reading has come in yet.</p>\n"
      "<table class=\"meters\">\n<caption>Each output: the most since the reading before, 20 readings a second. The bar "
      "ends at the limit and begins 40 dB below it; the line on it is the most of the last two seconds.</caption>\n"
      "<thead><tr><th scope=\"col\">output</th><th scope=\"col\">level</th><th scope=\"col\" class=\"figure\">V peak</th>"
      "<th scope=\"col\" class=\"figure\">limit, V peak</th><th scope=\"col\" class=\"figure\">peak limiter holds, dB</th>"
      "<th scope=\"col\" class=\"figure\">power limiter holds, dB</th><th scope=\"col\" class=\"figure\">coil heat, %</th>"
      "<th scope=\"col\">state</th></tr></thead>\n<tbody>\n";
  for (const LiveOutput& output : page.outputs) {
    const bool limited = std::isfinite(output.limit_volts_peak);
    body += fmt::format(
        "<tr><th scope=\"row\">{0}</th><td class=\"level\"><div class=\"bar\" role=\"meter\" aria-label=\"{1}, level in dB "
        "of the limit\" aria-valuemin=\"-40\" aria-valuemax=\"0\" aria-valuenow=\"-40\" aria-valuetext=\"no reading yet\">"
        "<i class=\"fill\"></i><i class=\"most\"></i></div></td>"
        "<td class=\"figure\" data-head=\"V peak\">–</td><td class=\"figure\" data-head=\"limit, V peak\">{2}</td>"
        "<td class=\"figure\" data-head=\"peak limiter, dB\">–</td><td class=\"figure\" data-head=\"power limiter, dB\">–</td>"
        "<td class=\"figure\" data-head=\"coil heat, %\">–</td><td class=\"state\" data-head=\"state\">–</td></tr>\n",
        bdi(output.name), escaped(output.name), limited ? figure(output.limit_volts_peak) : "none");
  }
  return body + "</tbody>\n</table>\n";
}

std::string history_of() {
  return figure_of("level", "Level of each output",
                   "Peak volts against the output's limit, the most of each second. At 0 dB "
                   "the limit is reached.") +
         figure_of("held", "What the limiters hold back", "Peak and power limiter together, the most of each second.") +
         figure_of(
             "heat", "Coil heat",
             "Modelled heat of the voice coil in per cent of what the driver's rated power makes of it. The power "
             "limiter keeps it at or below 101 %.");
}

std::string response_of_rig(const LivePage& page) {
  if (page.frequency_hz.empty()) return {};
  return figure_of("response", "From a feed to each output",
                   page.bypassed.empty() ? "As it now runs, without its limiters: crossover, equalisers and venue."
                                         : "As it now runs, bypassed: " + page.bypassed + ".");
}

/// What JSON has for a number: null where there is none.
Json number_or_null(double value, double step) {
  return std::isfinite(value) ? Json(std::round(value / step) * step) : Json(nullptr);
}

}  // namespace

std::string live_page(const LivePage& page) {
  std::string about = page.title.empty() ? "" : bdi(page.title) + ". ";
  if (!page.venue_file.empty()) about += "Venue file " + bdi(page.venue_file) + ". ";
  about += fmt::format("{} at {}, {} ms from input to output", counted(page.outputs.size(), "output", "outputs"),
                       rig::hertz_text(page.sample_rate_hz), number(1000 * page.latency_s, 2));
  about += ". Shown by " + escaped(page.program) + ".";
  const Json data = data_of(page);
  return page_of(
      {.name = page.rig_file,
       .kind = page.bypassed.empty() ? "The rig as it plays" : "The rig as it plays, bypassed: " + page.bypassed,
       .about = about,
       .outline = {.id = "now",
                   .title = "Now",
                   .good = false,
                   .seal = "…",
                   .headline = "Waiting for meters",
                   .body = meters_of(page)},
       .parts = {{"history", "The last ten minutes", history_of()}, {"response", "Response", response_of_rig(page)}},
       .cautions = kLiveCautions,
       .data = data,
       .script = assets::kLiveJs,
       .asks = "connect-src 'self'; "});
}

std::string reading_line(const LiveReading& reading) {
  Json outputs = Json::array();
  for (const LiveReading::Output& output : reading.outputs)
    outputs.push_back({{"volts", number_or_null(output.volts_peak, 1e-4)},
                       {"peak", number_or_null(output.peak_held_db, 0.01)},
                       {"power", number_or_null(output.power_held_db, 0.01)},
                       {"heat", number_or_null(output.heat_percent, 0.1)},
                       {"muted", output.muted}});
  const Json document = {{"rig", reading.rig_number},
                         {"seconds", number_or_null(reading.seconds, 0.001)},
                         {"missed", reading.missed_cycles},
                         {"bad", reading.bad_samples},
                         {"outputs", std::move(outputs)}};
  return document.dump();
}

void take_greatest(LiveRow& row, const LiveReading& reading, const std::vector<double>& limit_volts_peak) {
  const std::size_t count = reading.outputs.size();
  if (row.level_db.size() != count) {
    row.level_db.assign(count, -INFINITY);
    row.held_db.assign(count, 0);
    row.heat_percent.assign(count, std::nan(""));
  }
  for (std::size_t n = 0; n < count; ++n) {
    const LiveReading::Output& output = reading.outputs[n];
    const double share = output.volts_peak / limit_volts_peak.at(n);
    row.level_db[n] = std::max(row.level_db[n], analysis::db_from_ratio(share));
    row.held_db[n] = std::max(row.held_db[n], output.peak_held_db + output.power_held_db);
    row.heat_percent[n] = std::fmax(row.heat_percent[n], output.heat_percent);
  }
}

}  // namespace rackproof::report
