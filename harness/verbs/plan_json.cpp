#include "harness/verbs/plan_json.hpp"

namespace rackproof {

using Json = nlohmann::ordered_json;

Json limiter_json(const std::optional<rig::Limit>& limit) {
  if (!limit) return nullptr;
  return {{"look_ahead_ms", in_ms(limit->look_ahead_s)},
          {"hold_ms", in_ms(limit->hold_s)},
          {"release_ms", in_ms(limit->release_s)},
          {"true_peak", limit->true_peak}};
}

Json stage_json(const Stage& stage) {
  return {{"type", stage.type},    {"at_hz", stage.at_hz},  {"gain_db", stage.gain_db}, {"q", or_null(stage.q)},
          {"key", stage.key},      {"b0", stage.biquad.b0}, {"b1", stage.biquad.b1},    {"b2", stage.biquad.b2},
          {"a1", stage.biquad.a1}, {"a2", stage.biquad.a2}};
}

}  // namespace rackproof
