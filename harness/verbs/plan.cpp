/// `plan`: what the rig comes to, in volts and decibels, for a person at the rack and for a program.
#include <fmt/format.h>

#include <cmath>
#include <nlohmann/json.hpp>
#include <numbers>

#include "harness/calibration/compile.hpp"
#include "harness/calibration/levels.hpp"
#include "harness/verbs/seal_check.hpp"
#include "harness/verbs/table.hpp"
#include "harness/verbs/verb.hpp"

namespace rackproof {
namespace {

std::string or_dash(bool given, const std::string& text) { return given ? text : "-"; }
std::string short_hz(double hz) {
  return hz < 1000 ? fmt::format("{:.4g} Hz", hz) : fmt::format("{:.4g} kHz", hz / 1000);
}

std::string band(const OutputPlan& plan) {
  if (plan.low_edge_hz == 0 && plan.high_edge_hz == 0) return "full range";
  if (plan.low_edge_hz == 0) return "to " + short_hz(plan.high_edge_hz);
  if (plan.high_edge_hz == 0) return "from " + short_hz(plan.low_edge_hz);
  return short_hz(plan.low_edge_hz) + " to " + short_hz(plan.high_edge_hz);
}

/// Volts and decibels side by side, never parted by a narrow terminal; under "... dBFS".
std::string pair(double volts, double dbfs) { return fmt::format("{:.1f}  {:>6.2f}", volts, dbfs); }

std::string levels_table(const CompiledRig& made, std::size_t width) {
  Table table({{"output", Align::left},
               {"load"},
               {"amp gain"},
               {"clip V pk    dBFS"},
               {"limit V pk    dBFS"},
               {"limited by", Align::left},
               {"power V RMS    dBFS"}});
  for (std::size_t o = 0; o < made.outputs.size(); ++o) {
    const OutputPlan& plan = made.outputs[o];
    const bool limited = made.settings().outputs[o].peak.enabled;
    table.row({plan.name, fmt::format("{:.3g} ohm", plan.load_ohm), fmt::format("{:.1f} dB", plan.amplifier_gain_db),
               pair(plan.clip_volts_peak, plan.clip_dbfs_peak), pair(plan.limit_volts_peak, plan.limit_dbfs_peak),
               limited ? name_of(plan.limited_by) : "nothing",
               plan.thermal_volts_rms ? pair(*plan.thermal_volts_rms, *plan.thermal_dbfs_rms) : "-"});
  }
  return table.text(width);
}

std::string fed_by(const rig::Rig& rig, const OutputPlan& plan) {
  if (plan.source == dsp::kMeanOfFeeds) return "mean of feeds";
  if (plan.source != dsp::kMixOfFeeds) return plan.feed;
  std::string mix;
  for (const rig::MixedFeed& one : way_of(rig, plan).mix)
    mix += fmt::format("{}{} {:+g} dB", mix.empty() ? "" : ", ", rig.feeds[one.feed].name, one.gain_db);
  return mix;
}

std::string path_table(const rig::Rig& rig, const CompiledRig& made, std::size_t width) {
  Table table({{"output", Align::left},
               {"fed by", Align::left},
               {"band", Align::left},
               {"gain"},
               {"polarity", Align::left},
               {"delay"},
               {"as distance"},
               {"sections"}});
  const double speed = rig::speed_of_sound(rig.controller.temperature_degc);  // as distances were read
  for (const OutputPlan& plan : made.outputs) {
    table.row({plan.name, fed_by(rig, plan) + (plan.muted ? ", MUTED" : ""), band(plan),
               fmt::format("{:+.2f} dB", plan.gain_db), plan.polarity < 0 ? "inverted" : "normal",
               or_dash(plan.delay_samples > 0, fmt::format("{:.3f} ms", plan.delay_s * 1e3)),
               or_dash(plan.delay_samples > 0, fmt::format("{:.3f} m", plan.delay_s * speed)),
               fmt::format("{}", plan.sections.size())});
  }
  std::string out = table.text(width);
  for (const OutputPlan& plan : made.outputs) {
    for (const FeedPath& path : plan.feed_paths) {
      double gain_db = path.gain_db;
      for (std::size_t f = 0; f < plan.mix.size(); ++f)  // its share of a mix is told already
        if (rig.feeds[f].name == path.feed) gain_db -= to_db(plan.mix[f]);
      if (std::abs(gain_db) < 1e-9 && path.sections.empty()) continue;
      out += wrapped(fmt::format("and {:+.2f} dB and {} section{} on {} alone, ahead of the {}", gain_db,
                                 path.sections.size(), path.sections.size() == 1 ? "" : "s", path.feed,
                                 plan.source == dsp::kMixOfFeeds ? "mix" : "mean"),
                     width, fmt::format("  {}: ", plan.name));
    }
  }
  return out;
}

std::string gain_structure(const rig::Rig& rig, const CompiledRig& made, std::size_t width) {
  const auto full_scale = [](double volts) { return fmt::format("{:+.2f} dBu ({:.3g} V RMS)", dbu(volts), volts); };
  const rig::Controller& controller = rig.controller;
  std::string out;
  const std::string input = controller.input_full_scale_volts_rms
                                ? full_scale(*controller.input_full_scale_volts_rms) + " at its input, "
                                : std::string();
  out += wrapped(fmt::format("0 dBFS is {}{} at its output", input, full_scale(controller.output_full_scale_volts_rms)),
                 width, "  controller: ");
  const rig::Way* told = nullptr;
  for (const OutputPlan& plan : made.outputs) {
    const rig::Way& way = way_of(rig, plan);
    if (&way == told) continue;
    told = &way;
    const rig::Amplifier& amplifier = part_of(rig, plan).amplifier_of(way);
    const double clip_in_dbu = dbu(plan.clip_volts_peak / std::numbers::sqrt2 / from_db(plan.amplifier_gain_db));
    const char* const taken = !amplifier.bridged    ? ""
                              : amplifier.doubled() ? " (bridged, ratings taken per side)"
                                                    : " (bridged, ratings taken as printed for bridged use)";
    const std::string attenuator = amplifier.attenuator_db == 0 ? ""
                                   : amplifier.attenuator_fixed
                                       ? fmt::format(" with its attenuator at {:+g} dB", amplifier.attenuator_db)
                                       : " with its attenuator taken as fully open";
    const char* const wiring = way.drivers == 1 ? "" : way.in_series ? " in series" : " in parallel";
    const std::string level =
        plan.level_at_1m_db ? fmt::format(", at the limit {:.1f} dB at 1 m", *plan.level_at_1m_db) : "";
    out += wrapped(
        fmt::format("amplifier {}{}, {:g} W into {:g} ohm{}, {:.1f} dB{}, clips at {:+.2f} dBu in: {:.1f} dB {} the "
                    "controller's full scale; {} x {}{}{}",
                    amplifier.name, taken, plan.rating_watts, plan.rating_ohm, amplifier.doubled() ? " a side" : "",
                    plan.amplifier_gain_db, attenuator, clip_in_dbu, std::abs(plan.clip_dbfs_peak),
                    plan.clip_dbfs_peak > 0 ? "above" : "below", way.drivers, way.driver, wiring, level),
        width, fmt::format("  {}{}: ", plan.loudspeaker.empty() ? "" : plan.loudspeaker + ".", way.name));
  }
  return out;
}

std::string text_of(const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& made, std::size_t width) {
  std::string out = wrapped(rig.title.empty() ? rig.file.string() : rig.title, width);
  if (venue != nullptr)
    out += wrapped(venue->title.empty() ? venue->file.string() : venue->title, width, "with the venue: ");
  out += "\nLevels at the loudspeaker terminals\n" + levels_table(made, width);
  out += "\nSignal path\n" + path_table(rig, made, width);
  out += fmt::format("\nLatency: {} samples, {:.3f} ms at {:g} kHz, the same on every output\n", made.latency_samples,
                     1e3 * made.latency_samples / rig.controller.sample_rate_hz, rig.controller.sample_rate_hz / 1e3);
  out += "\nGain structure\n" + gain_structure(rig, made, width);
  if (made.warnings.empty()) {
    out += "\nNo warnings.\n";
  } else {
    out += fmt::format("\n{} warning{}\n", made.warnings.size(), made.warnings.size() == 1 ? "" : "s");
    for (const Warning& warning : made.warnings) out += wrapped(warning.code + ": " + warning.text, width, "  ! ");
  }
  out +=
      "\n" + wrapped(
                 "These are calculated figures: measure before you trust them. Amplifier outputs can carry hazardous "
                 "voltage; switch off before wiring, and follow the local code and licensed practice.",
                 width);
  return out;
}

Json sections_json(const std::vector<dsp::Biquad>& sections) {
  Json list = Json::array();
  for (const dsp::Biquad& s : sections) list.push_back({s.b0, s.b1, s.b2, s.a1, s.a2});
  return list;
}

Json document_of(const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& made) {
  const auto or_null = [](const std::optional<double>& value) { return value ? Json(*value) : Json(nullptr); };
  Json outputs = Json::array();
  for (const OutputPlan& plan : made.outputs) {
    Json one = {{"name", plan.name},
                {"loudspeaker", plan.loudspeaker.empty() ? Json(nullptr) : Json(plan.loudspeaker)},
                {"way", plan.way},
                {"feed", plan.feed},
                {"muted", plan.muted},
                {"load_ohm", plan.load_ohm},
                {"rating_watts", plan.rating_watts},
                {"rating_ohm", plan.rating_ohm},
                {"bridged", part_of(rig, plan).amplifier_of(way_of(rig, plan)).bridged},
                {"ratings_doubled", part_of(rig, plan).amplifier_of(way_of(rig, plan)).doubled()},
                {"amplifier_gain_db", plan.amplifier_gain_db},
                {"full_scale_volts_peak", plan.full_scale_volts_peak},
                {"clip_volts_peak", plan.clip_volts_peak},
                {"clip_dbfs_peak", plan.clip_dbfs_peak},
                {"limit_volts_peak", plan.limit_volts_peak},
                {"limit_dbfs_peak", plan.limit_dbfs_peak},
                {"limited_by", name_of(plan.limited_by)},
                {"thermal_volts_rms", or_null(plan.thermal_volts_rms)},
                {"thermal_dbfs_rms", or_null(plan.thermal_dbfs_rms)},
                {"delay_s", plan.delay_s},
                {"delay_samples", plan.delay_samples},
                {"gain_db", plan.gain_db},
                {"polarity", plan.polarity},
                {"level_at_1m_db", or_null(plan.level_at_1m_db)},
                {"sections", sections_json(plan.sections)}};
    if (!plan.feed_paths.empty()) {  // the mean of what each of these makes of its feed goes on through the rest
      one["feed_paths"] = Json::array();
      for (const FeedPath& path : plan.feed_paths) {
        one["feed_paths"].push_back(
            {{"feed", path.feed}, {"gain_db", path.gain_db}, {"sections", sections_json(path.sections)}});
      }
    }
    outputs.push_back(std::move(one));
  }
  Json warnings = Json::array();
  for (const Warning& warning : made.warnings) warnings.push_back({{"code", warning.code}, {"text", warning.text}});
  return {{"rig", rig.file.string()},
          {"title", rig.title},
          {"venue", venue == nullptr ? Json(nullptr) : Json(venue->file.string())},
          {"sample_rate_hz", rig.controller.sample_rate_hz},
          {"latency_samples", made.latency_samples},
          {"outputs", std::move(outputs)},
          {"warnings", std::move(warnings)}};
}

struct Plan {
  RigArguments files;
  Voice voice;

  void run() const {
    const rig::Rig rig = files.rig();
    const std::optional<rig::Venue> venue = files.venue(rig);
    const rig::Venue* const tonight = venue ? &*venue : nullptr;
    CompiledRig made = compile(rig, tonight);
    for (Warning& warning : seal_warnings(rig)) made.warnings.push_back(std::move(warning));
    voice.say(text_of(rig, tonight, made, text_width()));
    voice.document(document_of(rig, tonight, made));
  }
};

}  // namespace

void add_plan(CLI::App& program, int&) {
  CLI::App* verb =
      add_verb(program, "plan", "Limits, gain structure, delays and latency of every output, with warnings",
               "rackproof plan rig.toml --venue tonight.toml");
  const auto plan = std::make_shared<Plan>();
  plan->files.add_to(*verb);
  plan->voice.add_to(*verb);
  when_called(*verb, [plan] { plan->run(); });
}

}  // namespace rackproof
