#include "harness/report/comparison_page.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

#include "harness/compare/words.hpp"
#include "harness/report/assets.hpp"
#include "harness/report/parts.hpp"

namespace rackproof::report {
namespace {

using compare::Apart;
using compare::Candidate;
using compare::Comparison;
using Json = nlohmann::ordered_json;
using Rows = std::vector<std::vector<std::string>>;

constexpr const char* kComparisonCautions =
    "<li>Loudspeakers on a rig of this size can harm hearing within minutes. Clear the area, wear protection, begin at "
    "the lowest level.</li>\n"
    "<li>Neither rig is proven by this page: it says in what the two differ, not which of them is safe. Run prove for "
    "the one that is chosen.</li>\n"
    "<li>These figures come from what the rig files say of amplifiers and drivers. Measure at the terminals before you "
    "trust a limit.</li>\n";
constexpr std::size_t kEverySoMany = 2;  ///< of the frequencies: 48 an octave are more than a screen shows

std::string shown(std::optional<double> value, int decimals) { return value ? number(*value, decimals) : "–"; }
std::string signed_number(std::optional<double> value, int decimals) {
  if (!value) return "–";
  const std::string text = number(*value, decimals);
  return *value > 0 && text.find_first_not_of("0.") != std::string::npos ? "+" + text : text;
}
/// A text of compare::words, with a true minus.
std::string cell(std::string text) {
  if (text.starts_with("-")) text = "−" + text.substr(1);
  return escaped(text);
}
std::string with_default(const std::string& text, const char* otherwise) { return text.empty() ? otherwise : text; }

/// Curves that several outputs share, or the sums of several feeds, are drawn once.
struct Drawn {
  std::string plot, title, unit;
  const std::vector<double>*a = nullptr, *b = nullptr;
  std::optional<Apart> apart;
};
const std::vector<double>* row_of(const std::optional<compare::Figures>& figures) {
  return figures ? &figures->response_db : nullptr;
}
const std::vector<double>* row_of(const std::optional<std::vector<double>>& db) { return db ? &*db : nullptr; }
bool same_row(const std::vector<double>* x, const std::vector<double>* y) {
  return (x == nullptr) == (y == nullptr) && (x == nullptr || *x == *y);
}
void draw(std::vector<Drawn>& drawn, Drawn one) {
  const auto known = std::ranges::find_if(drawn, [&](const Drawn& other) {
    return other.unit == one.unit && same_row(other.a, one.a) && same_row(other.b, one.b);
  });
  if (known != drawn.end()) {
    known->title += ", " + one.title;
    return;
  }
  one.plot += fmt::format(" {}", drawn.size());
  drawn.push_back(std::move(one));
}
std::vector<Drawn> outputs_drawn(const Comparison& comparison) {
  std::vector<Drawn> drawn;
  for (const compare::Output& output : comparison.outputs)
    draw(drawn, {"output", output.name, "level, dB", row_of(output.a), row_of(output.b), output.response});
  return drawn;
}
std::vector<Drawn> sums_drawn(const Comparison& comparison) {
  std::vector<Drawn> made, heard;
  for (const compare::Sum& sum : comparison.sums) {
    const std::string name = compare::name_of(sum);
    draw(made, {"sum", name, "level, dB", row_of(sum.a_db), row_of(sum.b_db), sum.response});
    if (sum.a_heard_db || sum.b_heard_db)
      draw(heard, {"heard", name, sum.heard_in_pascals ? "level, dB SPL" : "level, dB", row_of(sum.a_heard_db),
                   row_of(sum.b_heard_db), sum.heard});
  }
  for (Drawn& one : made) one.title += ", electrical";
  for (Drawn& one : heard) one.title += ", at 1 m";
  made.insert(made.end(), heard.begin(), heard.end());
  return made;
}

std::vector<double> thinned(const std::vector<double>& values) {
  std::vector<double> out;
  for (std::size_t k = 0; k < values.size(); k += kEverySoMany) out.push_back(values[k]);
  return out;
}
/// What is too low to be judged is a gap.
std::vector<double> difference_of(const Drawn& drawn) {
  const double top_a = *std::ranges::max_element(*drawn.a), top_b = *std::ranges::max_element(*drawn.b);
  std::vector<double> difference;
  for (std::size_t k = 0; k < drawn.a->size(); ++k) {
    const double a = (*drawn.a)[k], b = (*drawn.b)[k];
    const bool judged = a > top_a - compare::kJudged_db || b > top_b - compare::kJudged_db;
    difference.push_back(judged ? std::max(b, top_b - compare::kDeepest_db) - std::max(a, top_a - compare::kDeepest_db)
                                : std::nan(""));
  }
  return difference;
}

std::string last_of_path(const std::string& path) { return path.substr(path.rfind('/') + 1); }
/// As a legend has room for.
std::string short_name(const std::string& path) {
  constexpr std::size_t kMost = 28;
  const std::string name = last_of_path(path);
  return name.size() <= kMost ? name : name.substr(0, kMost - 3) + "...";
}

Json data_of(const Comparison& comparison, const ComparisonFacts& facts, const std::vector<Drawn>& outputs,
             const std::vector<Drawn>& sums) {
  Json plots = Json::array();
  for (const auto* list : {&outputs, &sums})
    for (const Drawn& one : *list) {
      const auto line = [](const std::vector<double>* db) { return db == nullptr ? Json(nullptr) : row(thinned(*db)); };
      const bool both = one.a != nullptr && one.b != nullptr;
      plots.push_back({{"plot", one.plot},
                       {"unit", one.unit},
                       {"a", line(one.a)},
                       {"b", line(one.b)},
                       {"difference", both ? row(thinned(difference_of(one))) : Json(nullptr)}});
    }
  return {{"frequency", row(thinned(comparison.frequency_hz))},
          {"names", {{"a", short_name(facts.a_file)}, {"b", short_name(facts.b_file)}}},
          {"plots", std::move(plots)}};
}

std::string figures_of(const std::vector<Drawn>& drawn) {
  std::string body = "<div class=\"pair\">\n";
  for (const Drawn& one : drawn) {
    std::string words;
    if (one.a == nullptr || one.b == nullptr) {
      words = fmt::format("Only {} has it.", one.a != nullptr ? "a" : "b");
    } else if (!one.apart) {
      words = "Neither rig plays here.";
    } else if (std::abs(one.apart->db) < 0.005) {
      words = "The two are the same.";
    } else {
      const std::string far = number(std::abs(one.apart->db), 2) + "\u00a0dB";
      const bool silent = one.apart->everywhere && std::abs(one.apart->db) >= compare::kDeepest_db;
      const char* way = one.apart->db > 0 ? "above" : "below";
      words = silent                  ? fmt::format("It is {}.", compare::apart_text(one.apart))
              : one.apart->everywhere ? fmt::format("b lies {} {} a everywhere.", far, way)
                                      : fmt::format("b lies {} {} a at {}, where the two are the furthest apart.", far,
                                                    way, rig::hertz_text(one.apart->at_hz));
    }
    body += figure_of(one.plot, one.title, words);
  }
  return body + "</div>\n";
}

std::string moved_of(const Comparison& comparison) {
  if (comparison.same())
    return "<p>Every number is the same. Comments, order and spelling do not count, nor do titles.</p>\n";
  std::string items;
  for (const seal::Move& move : comparison.moved) items += "<li>" + sentence(move.text) + "</li>\n";
  return "<p>From a to b:</p>\n<ul class=\"advice\">\n" + items + "</ul>\n";
}

std::string responses_of(const Comparison& comparison, const std::vector<Drawn>& drawn) {
  Rows rows;
  for (const compare::Output& output : comparison.outputs) {
    if (!output.a || !output.b) {
      rows.push_back({bdi(output.name), fmt::format("only {} has it", output.a ? "a" : "b"), "–", "–", "–"});
      continue;
    }
    rows.push_back({bdi(output.name), cell(compare::apart_text(output.response)),
                    with_default(compare::place_text(output.response), "–"), cell(compare::apart_text(output.at_work)),
                    with_default(compare::place_text(output.at_work), "–")});
  }
  return "<p>" + sentence(compare::kHowJudged) + "</p>\n" +
         table("Where the two are the furthest apart, b less a",
               {{"output", false},
                {"difference", true, "all that is judged"},
                {"at", true, "all that is judged"},
                {"difference", true, "at work"},
                {"at", true, "at work"}},
               rows) +
         figures_of(drawn);
}

std::string sums_of(const Comparison& comparison, const std::vector<Drawn>& drawn) {
  std::string body = "<p>What the outputs of one feed add up to. ";
  const auto heard = [](const compare::Sum& sum) { return sum.a_heard_db || sum.b_heard_db; };
  if (std::ranges::any_of(comparison.sums, heard))
    body +=
        "As it is heard: at 1 m in front, through amplifiers, drivers and depths, for a sine at −30 dBFS at the "
        "input, limiters left out. ";
  if (std::ranges::any_of(comparison.sums,
                          [&](const compare::Sum& sum) { return heard(sum) && !sum.heard_in_pascals; }))
    body += "Measured responses have no level of their own. ";
  if (const std::string why = comparison.not_heard(); !why.empty())
    body += "Not everything is given as it is heard: " + sentence(why) + ".";
  return body + "</p>\n" + figures_of(drawn);
}

std::string levels_of(const Candidate& a, const Candidate& b, const Comparison& comparison) {
  Rows thresholds, others;
  for (const compare::Output& output : comparison.outputs) {
    const compare::Levels x = compare::levels_of(a, output.a), y = compare::levels_of(b, output.b);
    const auto apart = [](std::optional<double> p, std::optional<double> q) {
      return signed_number(compare::decibels_between(p, q), 2);
    };
    const std::string name = bdi(compare::name_of(a, b, output));
    thresholds.push_back({name, shown(x.limit_volts_peak, 1), shown(y.limit_volts_peak, 1),
                          apart(x.limit_volts_peak, y.limit_volts_peak), with_default(x.limited_by, "–"),
                          with_default(y.limited_by, "–"), shown(x.thermal_volts_rms, 1), shown(y.thermal_volts_rms, 1),
                          apart(x.thermal_volts_rms, y.thermal_volts_rms)});
    others.push_back({name, shown(x.gain_db, 2), shown(y.gain_db, 2), shown(x.delay_ms, 3), shown(y.delay_ms, 3),
                      shown(x.level_at_1m_db, 1), shown(y.level_at_1m_db, 1), rig::hertz_text(output.tone_hz),
                      shown(x.distortion_db, 1), shown(y.distortion_db, 1)});
  }
  const std::string limit = "peak limit, V peak", by = "limited by", power = "power limit, V RMS", gain = "gain, dB",
                    delay = "delay, ms", level = "at the limit, dB at 1 m", tone = "low tone, distortion dB";
  const auto latency = [](const Candidate& one) {
    return fmt::format("{} samples ({} ms)", one.compiled.latency_samples,
                       number(1e3 * one.compiled.latency_samples / one.rig.controller.sample_rate_hz, 2));
  };
  return fmt::format("<p>Latency of all outputs: a {}, b {}.</p>\n", latency(a), latency(b)) +
         table("Thresholds at the loudspeaker terminals; apart: b against a, in dB",
               {{"output", false},
                {"a", true, limit},
                {"b", true, limit},
                {"apart", true, limit},
                {"a", false, by},
                {"b", false, by},
                {"a", true, power},
                {"b", true, power},
                {"apart", true, power}},
               thresholds) +
         table("Gains, delays, level, and what the peak limiter does to a low tone",
               {{"output", false},
                {"a", true, gain},
                {"b", true, gain},
                {"a", true, delay},
                {"b", true, delay},
                {"a", true, level},
                {"b", true, level},
                {"at", true, tone},
                {"a", true, tone},
                {"b", true, tone}},
               others) +
         "<p>" + sentence(std::string("Low tone: ") + compare::kLowTone) + "</p>\n";
}

std::string programmes_of(const Comparison& comparison) {
  std::string body;
  for (const compare::Programme& programme : comparison.programmes) {
    Rows rows;
    for (std::size_t o = 0; o < programme.outputs.size(); ++o) {
      std::vector<std::string>& cells = rows.emplace_back();
      cells.push_back(bdi(programme.outputs[o]));
      const compare::Both<std::optional<compare::Playing>>& playing = programme.playing[o];
      for (const compare::PlayingColumn& column : compare::playing_columns())
        for (const auto* one : {&playing.a, &playing.b})
          cells.push_back(*one ? number(column.figure(**one), column.decimals) + column.unit : "–");
    }
    std::vector<Column> columns{{"output", false}};
    for (const compare::PlayingColumn& column : compare::playing_columns())
      for (const char* side : {"a", "b"}) columns.push_back({side, true, column.head});
    body += fmt::format("<h3>{} <small>{} s</small></h3>\n", bdi(programme.file.filename().string()),
                        number(programme.seconds, 1)) +
            table("What each output does, and what its limiters hold", columns, rows);
  }
  if (body.empty()) return {};
  return "<p>“95 %”: what is held at most for 95 % of the time. “Over 1 dB”: for how much of the time the peak limiter "
         "holds more than that.</p>\n" +
         body;
}

std::string cost_of(const Comparison& comparison, const ComparisonFacts& facts) {
  Rows rows;
  const auto add = [&](const std::string& what, double a, double b, int decimals) {
    rows.push_back(
        {what, number(a, decimals), number(b, decimals), a > 0 ? signed_number(100 * (b / a - 1), 0) + " %" : "–"});
  };
  const auto& [a, b] = comparison.cost;
  add("ns a frame", a.here.ns.whole.mean, b.here.ns.whole.mean, 1);
  add("ns a frame, dearest block", a.here.ns.whole.worst_block, b.here.ns.whole.worst_block, 1);
  add("% of real time", 100 * a.realtime_share, 100 * b.realtime_share, 3);
  add("bytes of state", static_cast<double>(a.here.state_bytes), static_cast<double>(b.here.state_bytes), 0);
  if (a.on_part && b.on_part) {
    const std::string on = " on " + escaped(facts.part);
    add("instructions a frame" + on, a.on_part->instructions.whole.mean, b.on_part->instructions.whole.mean, 0);
    add("instructions a frame, dearest block" + on, a.on_part->instructions.whole.worst_block,
        b.on_part->instructions.whole.worst_block, 0);
    add("% of its clock" + on, 100 * a.share_of_clock, 100 * b.share_of_clock, 1);
    add("bytes of state" + on, static_cast<double>(a.on_part->state_bytes), static_cast<double>(b.on_part->state_bytes),
        0);
  }
  return "<p>" + sentence(compare::kCostOnce) + " " + escaped(facts.machine) + ".</p>\n" +
         table("What each costs", {{"figure", false}, {"a"}, {"b"}, {"b against a"}}, rows);
}

std::string warnings_of(const Comparison& comparison) {
  std::string body;
  for (const auto& [name, list] : {std::pair("a", &comparison.warnings.a), std::pair("b", &comparison.warnings.b)}) {
    if (list->empty()) continue;
    body += fmt::format("<h3>Of {} alone</h3>\n<ul class=\"advice\">\n", name);
    for (const Warning& warning : *list)
      body += fmt::format("<li><code>{}</code> {}</li>\n", escaped(warning.code), sentence(warning.text));
    body += "</ul>\n";
  }
  return body;
}

}  // namespace

std::string comparison_page(const Candidate& a, const Candidate& b, const Comparison& comparison,
                            const ComparisonFacts& facts) {
  const auto title = [](const Candidate& one) { return one.rig.title.empty() ? "untitled" : one.rig.title; };
  std::string about =
      fmt::format("a: {}, {}. b: {}, {}", bdi(facts.a_file), bdi(title(a)), bdi(facts.b_file), bdi(title(b)));
  if (!facts.venue_file.empty()) about += ". Venue file of both: " + bdi(facts.venue_file);
  about += made_by(facts.made, facts.program);
  const std::vector<Drawn> outputs = outputs_drawn(comparison), sums = sums_drawn(comparison);
  const Json data = data_of(comparison, facts, outputs, sums);
  return page_of({.name = last_of_path(facts.a_file) + " and " + last_of_path(facts.b_file),
                  .kind = "Two rigs side by side",
                  .about = about,
                  .outline = {.id = "outcome",
                              .title = "What differs",
                              .good = true,
                              .seal = comparison.same() ? "=" : "≠",
                              .headline = comparison.same() ? "The two rigs are the same"
                                                            : "The two rigs differ in " +
                                                                  counted(comparison.moved.size(), "thing", "things"),
                              .body = moved_of(comparison)},
                  .parts = {{"sums", "Sums", sums_of(comparison, sums)},
                            {"outputs", "Outputs", responses_of(comparison, outputs)},
                            {"levels", "Thresholds and levels", levels_of(a, b, comparison)},
                            {"recordings", "Recordings", programmes_of(comparison)},
                            {"cost", "Cost", cost_of(comparison, facts)},
                            {"warnings", "Warnings", warnings_of(comparison)}},
                  .cautions = kComparisonCautions,
                  .data = data,
                  .script = assets::kComparisonJs});
}

}  // namespace rackproof::report
