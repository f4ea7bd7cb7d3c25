/// `compare`: two candidate rigs side by side, for a person, a program, and on paper.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

#include "harness/compare/comparison.hpp"
#include "harness/compare/words.hpp"
#include "harness/files/shown.hpp"
#include "harness/firmware/parts.hpp"
#include "harness/report/comparison_page.hpp"
#include "harness/verbs/held_figures.hpp"
#include "harness/verbs/plan_json.hpp"
#include "harness/verbs/program_name.hpp"
#include "harness/verbs/render_progress.hpp"
#include "harness/verbs/report_option.hpp"
#include "harness/verbs/table.hpp"
#include "harness/verbs/verb.hpp"

namespace rackproof {
namespace {

namespace fs = std::filesystem;
using compare::Apart;
using compare::Candidate;
using compare::Comparison;
using compare::Playing;

struct CompareArguments {
  fs::path a_file, b_file, venue_file;
  std::vector<fs::path> programmes;
  bool resample = false;
  std::string target;
  ReportOption report;
  Voice voice;
};

Candidate candidate_of(const fs::path& file, const fs::path& venue_file) {
  rig::Rig rig = rig::load_rig(file);
  std::optional<rig::Venue> venue;
  if (!venue_file.empty()) venue = rig::load_venue(venue_file, rig);
  return {std::move(rig), std::move(venue)};
}

// ---- for a person ---------------------------------------------------------------------------------------------------

std::string shown(std::optional<double> value, int decimals) {
  if (!value) return "-";
  return fmt::format("{:.{}f}", *value, decimals);
}
std::string change_db(std::optional<double> a, std::optional<double> b) {
  const std::optional<double> db = compare::decibels_between(a, b);
  if (!db) return "-";
  const double rounded = std::round(100 * *db) / 100;
  return rounded == 0 ? "0" : fmt::format("{:+.2f}", rounded);
}
std::string text_or_dash(const std::string& text) { return text.empty() ? "-" : text; }

std::string moved_text(const Comparison& comparison, std::size_t width) {
  if (comparison.same()) return "Nothing differs but how the files are written.\n";
  std::string text = "What differs, from a to b\n";
  for (const seal::Move& move : comparison.moved) text += wrapped(move.text, width, "  ");
  return text;
}

std::string responses_text(const Comparison& comparison, std::size_t width) {
  Table table({{"b less a", Align::left}, {"furthest apart"}, {"at"}, {"at work"}, {"at"}});
  for (const compare::Output& output : comparison.outputs) {
    if (output.a && output.b)
      table.row({output.name, compare::apart_text(output.response), text_or_dash(compare::place_text(output.response)),
                 compare::apart_text(output.at_work), text_or_dash(compare::place_text(output.at_work))});
    else
      table.row({output.name, output.a ? "only a has it" : "only b has it", "-", "-", "-"});
  }
  for (const compare::Sum& sum : comparison.sums) {
    if (!sum.response) {
      const bool both = sum.a_db && sum.b_db;
      table.row({compare::name_of(sum),
                 both       ? "nothing plays"
                 : sum.a_db ? "only a has it"
                            : "only b has it",
                 "-", "-", "-"});
      continue;
    }
    table.row({compare::name_of(sum), compare::apart_text(sum.response),
               text_or_dash(compare::place_text(sum.response)), "-", "-"});
    if (sum.heard)
      table.row({compare::name_of(sum) + ", heard", compare::apart_text(sum.heard),
                 text_or_dash(compare::place_text(sum.heard)), "-", "-"});
  }
  std::string text = "Responses\n" + table.text(width) + wrapped(compare::kHowJudged, width);
  if (std::ranges::any_of(comparison.sums, [](const compare::Sum& sum) { return sum.heard.has_value(); }))
    text += wrapped("Heard: at 1 m in front of the boxes, through amplifiers, drivers and depths.", width);
  if (const std::string why = comparison.not_heard(); !why.empty())
    text += wrapped("Not everything is given as it is heard: " + why, width);
  return text;
}

std::string levels_text(const Candidate& a, const Candidate& b, const Comparison& comparison, std::size_t width) {
  Table thresholds({{"output", Align::left},
                    {"limit V pk: a"},
                    {"b"},
                    {"dB"},
                    {"limited by: a"},
                    {"b"},
                    {"power V RMS: a"},
                    {"b"},
                    {"dB"}});
  Table others({{"output", Align::left},
                {"delay ms: a"},
                {"b"},
                {"limit at 1 m dB: a"},
                {"b"},
                {"low tone"},
                {"distortion dB: a"},
                {"b"}});
  for (const compare::Output& output : comparison.outputs) {
    const compare::Levels x = compare::levels_of(a, output.a), y = compare::levels_of(b, output.b);
    const std::string name = compare::name_of(a, b, output);
    thresholds.row({name, shown(x.limit_volts_peak, 1), shown(y.limit_volts_peak, 1),
                    change_db(x.limit_volts_peak, y.limit_volts_peak), text_or_dash(x.limited_by),
                    text_or_dash(y.limited_by), shown(x.thermal_volts_rms, 1), shown(y.thermal_volts_rms, 1),
                    change_db(x.thermal_volts_rms, y.thermal_volts_rms)});
    others.row({name, shown(x.delay_ms, 3), shown(y.delay_ms, 3), shown(x.level_at_1m_db, 1),
                shown(y.level_at_1m_db, 1), fmt::format("{:.4g} Hz", output.tone_hz), shown(x.distortion_db, 1),
                shown(y.distortion_db, 1)});
  }
  const auto latency = [](const Candidate& one) {
    return fmt::format("{} samples ({:.2f} ms)", one.compiled.latency_samples,
                       1e3 * one.compiled.latency_samples / one.rig.controller.sample_rate_hz);
  };
  return "Levels at the loudspeaker terminals\n" + thresholds.text(width) + "\n" + others.text(width) +
         wrapped(std::string("Low tone: ") + compare::kLowTone, width) +
         fmt::format("Latency: a {}, b {}\n", latency(a), latency(b));
}

std::string programmes_text(const Comparison& comparison, std::size_t width) {
  std::string text;
  for (const compare::Programme& programme : comparison.programmes) {
    std::vector<Table::Column> heads{{"output", Align::left}};
    for (const compare::PlayingColumn& column : compare::playing_columns()) {
      heads.push_back({fmt::format("{}: a", column.head)});
      heads.push_back({"b"});
    }
    Table table(std::move(heads));
    for (std::size_t o = 0; o < programme.outputs.size(); ++o) {
      std::vector<std::string> cells{programme.outputs[o]};
      const compare::Both<std::optional<Playing>>& playing = programme.playing[o];
      for (const compare::PlayingColumn& column : compare::playing_columns())
        for (const auto* one : {&playing.a, &playing.b})
          cells.push_back(*one ? fmt::format("{:.{}f}{}", column.figure(**one), column.decimals, column.unit) : "-");
      table.row(std::move(cells));
    }
    text += fmt::format("\n{}, {:.1f} s: what the limiters hold, and for how much of the time\n",
                        programme.file.string(), programme.seconds) +
            table.text(width);
  }
  return text;
}

std::string cost_text(const Comparison& comparison, const std::string& part, std::size_t width) {
  Table table({{"", Align::left}, {"a"}, {"b"}, {"b against a"}});
  const auto row = [&](const std::string& what, double a, double b, int decimals) {
    table.row({what, fmt::format("{:.{}f}", a, decimals), fmt::format("{:.{}f}", b, decimals),
               a > 0 ? fmt::format("{:+.0f} %", 100 * (b / a - 1)) : "-"});
  };
  const auto& [a, b] = comparison.cost;
  row("ns a frame", a.here.ns.whole.mean, b.here.ns.whole.mean, 1);
  row("ns a frame, dearest block", a.here.ns.whole.worst_block, b.here.ns.whole.worst_block, 1);
  row("% of real time", 100 * a.realtime_share, 100 * b.realtime_share, 3);
  row("bytes of state", static_cast<double>(a.here.state_bytes), static_cast<double>(b.here.state_bytes), 0);
  if (a.on_part && b.on_part) {
    row("instructions a frame on " + part, a.on_part->instructions.whole.mean, b.on_part->instructions.whole.mean, 0);
    row("in the dearest block", a.on_part->instructions.whole.worst_block, b.on_part->instructions.whole.worst_block,
        0);
    row(fmt::format("% of its {:g} MHz", 1e-6 * firmware::part_called(part).clock_hz), 100 * a.share_of_clock,
        100 * b.share_of_clock, 1);
    row("bytes of state there", static_cast<double>(a.on_part->state_bytes),
        static_cast<double>(b.on_part->state_bytes), 0);
  }
  return "Cost\n" + table.text(width) +
         wrapped(fmt::format("{} {}.", compare::kCostOnce, firmware::this_machine()), width);
}

std::string warnings_text(const Comparison& comparison, std::size_t width) {
  std::string text;
  for (const auto& [name, list] : {std::pair("a", &comparison.warnings.a), std::pair("b", &comparison.warnings.b)})
    for (const Warning& warning : *list)
      text += wrapped(fmt::format("{} alone, {}: {}", name, warning.code, warning.text), width, "  ! ");
  return text.empty() ? "" : "\nWhat plan warns of in one alone\n" + text;
}

std::string text_of(const CompareArguments& arguments, const Candidate& a, const Candidate& b,
                    const Comparison& comparison, std::size_t width) {
  const auto head = [](const char* name, const fs::path& file, const rig::Rig& rig) {
    return fmt::format("{}: {}{}\n", name, file.string(), rig.title.empty() ? "" : ", " + files::shown(rig.title));
  };
  return head("a", arguments.a_file, a.rig) + head("b", arguments.b_file, b.rig) + "\n" +
         moved_text(comparison, width) + "\n" + responses_text(comparison, width) + "\n" +
         levels_text(a, b, comparison, width) + programmes_text(comparison, width) + "\n" +
         cost_text(comparison, arguments.target, width) + warnings_text(comparison, width) +
         (arguments.report ? "\n" + arguments.report.line() : "") + "\n" +
         wrapped(
             "This says in what the two differ, not which of them is safe: run prove for the one that is chosen. "
             "Amplifier outputs can carry hazardous voltage and loudspeakers can harm hearing; local codes and licensed "
             "practice come first.",
             width);
}

// ---- for a program --------------------------------------------------------------------------------------------------

void add_apart(Json& to, const std::string& key, const std::string& at_key, const std::optional<Apart>& apart) {
  to[key] = apart ? Json(std::abs(apart->db)) : Json(nullptr);
  to[at_key] = apart && apart->db != 0 ? Json(apart->at_hz) : Json(nullptr);
}
void add_playing(Json& to, const std::optional<Playing>& playing) {
  if (!playing) return;
  add_held(to, playing->peak_held, playing->power_held);
  to["rms_volts"] = playing->rms_volts;
  to["peak_volts"] = playing->peak_volts;
}
Json json_of(const Candidate& candidate, const std::optional<compare::Figures>& figures) {
  if (!figures) return nullptr;
  const OutputPlan& plan = candidate.compiled.outputs[figures->index];
  Json json{{"clip_volts_peak", plan.clip_volts_peak},
            {"limit_volts_peak", plan.limit_volts_peak},
            {"limit_dbfs_peak", plan.limit_dbfs_peak},
            {"limited_by", name_of(plan.limited_by)},
            {"thermal_volts_rms", or_null(plan.thermal_volts_rms)},
            {"thermal_dbfs_rms", or_null(plan.thermal_dbfs_rms)},
            {"gain_db", plan.gain_db},
            {"delay_samples", plan.delay_samples},
            {"delay_ms", 1e3 * plan.delay_s},
            {"polarity", plan.polarity},
            {"muted", plan.muted},
            {"level_at_1m_db", or_null(plan.level_at_1m_db)},
            {"distortion_db", or_null(figures->distortion_db)}};
  add_playing(json, figures->playing);
  return json;
}
Json json_of(const std::string& file, const Candidate& candidate) {
  return {{"rig", file},
          {"title", candidate.rig.title},
          {"sample_rate_hz", candidate.rig.controller.sample_rate_hz},
          {"latency_samples", candidate.compiled.latency_samples},
          {"latency_ms", 1e3 * candidate.compiled.latency_samples / candidate.rig.controller.sample_rate_hz}};
}
Json cost_json(const compare::Cost& cost) {
  const firmware::HostCost& here = cost.here;
  const std::optional<firmware::PartCost>& on_part = cost.on_part;
  Json json{{"ns_per_frame", here.ns.whole.mean},
            {"ns_per_frame_worst_block", here.ns.whole.worst_block},
            {"instructions_per_frame", here.instructions ? Json(here.instructions->whole.mean) : Json(nullptr)},
            {"realtime_share", cost.realtime_share},
            {"state_bytes", here.state_bytes}};
  if (on_part)
    json["target"] = {{"instructions_per_frame", on_part->instructions.whole.mean},
                      {"instructions_per_frame_worst_block", on_part->instructions.whole.worst_block},
                      {"share_of_clock", cost.share_of_clock},
                      {"state_bytes", on_part->state_bytes},
                      {"flash_bytes", on_part->flash_bytes},
                      {"ram_bytes", on_part->ram_bytes}};
  return json;
}

Json document_of(const CompareArguments& arguments, const Candidate& a, const Candidate& b,
                 const Comparison& comparison) {
  Json moved = Json::array(), outputs = Json::array(), sums = Json::array(), programmes = Json::array();
  for (const seal::Move& move : comparison.moved)
    moved.push_back({{"key", move.key}, {"was", or_null(move.was)}, {"now", or_null(move.now)}, {"text", move.text}});
  for (const compare::Output& output : comparison.outputs) {
    Json& json =
        outputs.emplace_back(Json{{"name", output.name}, {"a", json_of(a, output.a)}, {"b", json_of(b, output.b)}});
    add_apart(json, "response_max_db", "response_at_hz", output.response);
    add_apart(json, "at_work_max_db", "at_work_at_hz", output.at_work);
    json["distortion_at_hz"] = output.tone_hz;
  }
  for (const compare::Sum& sum : comparison.sums) {
    Json& json = sums.emplace_back(
        Json{{"loudspeaker", sum.loudspeaker.empty() ? Json(nullptr) : Json(sum.loudspeaker)}, {"feed", sum.feed}});
    json["a"] = sum.a_db.has_value();
    json["b"] = sum.b_db.has_value();
    add_apart(json, "response_max_db", "response_at_hz", sum.response);
    add_apart(json, "heard_max_db", "heard_at_hz", sum.heard);
  }
  for (const compare::Programme& programme : comparison.programmes) {
    Json each = Json::array();
    for (std::size_t o = 0; o < programme.outputs.size(); ++o) {
      Json& json = each.emplace_back(Json{{"name", programme.outputs[o]}, {"a", nullptr}, {"b", nullptr}});
      add_playing(json["a"], programme.playing[o].a);
      add_playing(json["b"], programme.playing[o].b);
    }
    programmes.push_back(
        {{"file", programme.file.string()}, {"seconds", programme.seconds}, {"outputs", std::move(each)}});
  }
  const std::string not_heard = comparison.not_heard();
  const auto notes = [](const std::vector<Warning>& warnings) {
    Json list = Json::array();
    for (const Warning& warning : warnings) list.push_back({{"code", warning.code}, {"text", warning.text}});
    return list;
  };
  return {{"a", arguments.a_file.string()},
          {"b", arguments.b_file.string()},
          {"verdict", comparison.same() ? "same" : "differ"},
          {"moved", std::move(moved)},
          {"rigs", {{"a", json_of(arguments.a_file.string(), a)}, {"b", json_of(arguments.b_file.string(), b)}}},
          {"response_from_hz", comparison.frequency_hz.front()},
          {"response_to_hz", comparison.frequency_hz.back()},
          {"response_within_db", compare::kJudged_db},
          {"at_work_within_db", compare::kAtWork_db},
          {"outputs", std::move(outputs)},
          {"sums", std::move(sums)},
          {"not_heard", not_heard.empty() ? Json(nullptr) : Json(not_heard)},
          {"programmes", std::move(programmes)},
          {"cost",
           {{"a", cost_json(comparison.cost.a)},
            {"b", cost_json(comparison.cost.b)},
            {"measured", compare::kCostOnce},
            {"machine", firmware::this_machine()},
            {"part", arguments.target.empty() ? Json(nullptr) : Json(arguments.target)}}},
          {"warnings", {{"a", notes(comparison.warnings.a)}, {"b", notes(comparison.warnings.b)}}}};
}

bool run_compare(const CompareArguments& arguments) {
  const Candidate a = candidate_of(arguments.a_file, arguments.venue_file);
  const Candidate b = candidate_of(arguments.b_file, arguments.venue_file);
  std::vector<fs::path> read{arguments.a_file, arguments.b_file, arguments.venue_file};
  read.insert(read.end(), arguments.programmes.begin(), arguments.programmes.end());
  arguments.report.require_place(read);
  Comparison comparison;
  {
    Progress progress(!arguments.voice.quiet && !arguments.programmes.empty());
    comparison = compare::comparison_of(
        a, b,
        {.programmes = arguments.programmes,
         .resample = arguments.resample,
         .part = arguments.target.empty() ? nullptr : &firmware::part_called(arguments.target),
         .progress = [&](double share) { progress.show(static_cast<std::uint64_t>(share * 1000), 1000); }});
  }
  if (arguments.report)
    arguments.report.write(report::comparison_page(a, b, comparison,
                                                   {.a_file = arguments.a_file.string(),
                                                    .b_file = arguments.b_file.string(),
                                                    .venue_file = arguments.venue_file.string(),
                                                    .machine = firmware::this_machine(),
                                                    .part = arguments.target,
                                                    .made = now_in_words(),
                                                    .program = program_name()}));
  arguments.voice.say(text_of(arguments, a, b, comparison, text_width()));
  arguments.voice.document(document_of(arguments, a, b, comparison));
  return comparison.same();
}

}  // namespace

void add_compare(CLI::App& program, int& status) {
  CLI::App* verb = add_verb(
      program, "compare",
      "Two candidate rigs side by side: what differs, in the words of drift; how far their responses and sums are "
      "apart, and where; thresholds, latency, what a limiter does to a low tone, and cost. With recordings what each "
      "limiter holds. Exit status: 0 the same, 1 they differ, 2 bad input, 3 the machine failed",
      "rackproof compare rig.toml variant.toml --program show.wav --report both.html");
  const auto arguments = std::make_shared<CompareArguments>();
  add_option(*verb, "A", arguments->a_file, "A rig file").type_name("FILE").required();
  add_option(*verb, "B", arguments->b_file, "The other one").type_name("FILE").required();
  add_option(*verb, "--venue", arguments->venue_file, "Tonight's venue file on top of both").type_name("FILE");
  add_option(*verb, "--program", arguments->programmes, "A recording to play through both; may be given again")
      .type_name("FILE")
      .allow_extra_args(false);
  add_flag(*verb, "--resample", arguments->resample,
           "Converts a recording at another sample rate than the controller's");
  only_one_of(add_option(*verb, "--target", arguments->target,
                         "Counts instructions on this part as well; takes its compiler and an emulator"),
              firmware::names_of_counting_parts());
  arguments->report.add_to(*verb);
  arguments->voice.add_to(*verb);
  when_called(*verb, [arguments, &status] { status = run_compare(*arguments) ? 0 : 1; });
}

}  // namespace rackproof
