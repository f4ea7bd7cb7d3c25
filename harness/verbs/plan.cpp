/// `plan`: what the rig comes to, in volts and decibels, for a person at the rack and for a program.
#include <nlohmann/json.hpp>
#include <optional>
#include <vector>

#include "harness/calibration/compile.hpp"
#include "harness/calibration/stages.hpp"
#include "harness/verbs/balance.hpp"
#include "harness/verbs/plan_json.hpp"
#include "harness/verbs/plan_text.hpp"
#include "harness/verbs/rig_warnings.hpp"
#include "harness/verbs/table.hpp"
#include "harness/verbs/verb.hpp"

namespace rackproof {
namespace {

Json sections_json(const std::vector<dsp::Biquad>& sections) {
  Json list = Json::array();
  for (const dsp::Biquad& s : sections) list.push_back({s.b0, s.b1, s.b2, s.a1, s.a2});
  return list;
}

Json stages_json(const std::vector<Stage>& stages) {
  Json list = Json::array();
  for (const Stage& stage : stages) list.push_back(stage_json(stage));
  return list;
}

Json balance_json(const Balance& balance) {
  return {{"band_gain_db", balance.band_gain_db},
          {"level_at_1m_db", or_null(balance.level_at_1m_db)},
          {"over_way_below_db", or_null(balance.over_way_below_db)},
          {"point_hz", or_null(balance.point_hz)},
          {"peak_limit_from_dbfs", or_null(balance.peak_limit_from_dbfs)},
          {"power_limit_from_dbfs", or_null(balance.power_limit_from_dbfs)}};
}

Json document_of(const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& made) {
  Json outputs = Json::array();
  const std::vector<Balance> balances = balance_of(rig, made);
  for (std::size_t o = 0; o < made.outputs.size(); ++o) {
    const OutputPlan& plan = made.outputs[o];
    const rig::Way& way = way_of(rig, plan);
    const rig::Rig& part = part_of(rig, plan);
    Json one = {{"name", plan.name},
                {"loudspeaker", plan.loudspeaker.empty() ? Json(nullptr) : Json(plan.loudspeaker)},
                {"way", plan.way},
                {"feed", plan.feed},
                {"muted", plan.muted},
                {"load_ohm", plan.load_ohm},
                {"rating_watts", plan.rating_watts},
                {"rating_ohm", plan.rating_ohm},
                {"bridged", part.amplifier_of(way).bridged},
                {"ratings_doubled", part.amplifier_of(way).doubled()},
                {"amplifier_gain_db", plan.amplifier_gain_db},
                {"full_scale_volts_peak", plan.full_scale_volts_peak},
                {"clip_volts_peak", plan.clip_volts_peak},
                {"clip_dbfs_peak", plan.clip_dbfs_peak},
                {"limit_volts_peak", plan.limit_volts_peak},
                {"limit_dbfs_peak", plan.limit_dbfs_peak},
                {"limited_by", name_of(plan.limited_by)},
                {"thermal_volts_rms", or_null(plan.thermal_volts_rms)},
                {"thermal_dbfs_rms", or_null(plan.thermal_dbfs_rms)},
                {"thermal_time_s", way.thermal ? Json(part.driver_of(way).thermal_time_s) : Json(nullptr)},
                {"limiter", limiter_json(way.limit)},
                {"delay_s", plan.delay_s},
                {"delay_samples", plan.delay_samples},
                {"gain_db", plan.gain_db},
                {"polarity", plan.polarity},
                {"level_at_1m_db", or_null(plan.level_at_1m_db)},
                {"balance", balance_json(balances[o])},
                {"sections", sections_json(plan.sections)},
                {"stages", stages_json(stages_of(rig, venue, plan))}};
    if (!plan.feed_paths.empty()) {  // the mean of what each of these makes of its feed goes on through the rest
      one["feed_paths"] = Json::array();
      for (const FeedPath& path : plan.feed_paths) {
        one["feed_paths"].push_back({{"feed", path.feed},
                                     {"gain_db", path.gain_db},
                                     {"sections", sections_json(path.sections)},
                                     {"stages", stages_json(stages_of(rig, venue, path))}});
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
          {"convention", kBiquadConvention},
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
    made.warnings = rig_warnings(rig, made);
    voice.say(plan_text(rig, tonight, made, text_width()));
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
