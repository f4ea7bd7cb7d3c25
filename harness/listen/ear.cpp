#include "harness/listen/ear.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

#include <fmt/format.h>
#include <fmt/ranges.h>

#include "harness/calibration/levels.hpp"

namespace rackproof::listen {
namespace {

/// `way.low.depth`, of one of several loudspeakers `loudspeaker.main.way.low.depth`.
std::string key_of(const rig::Rig& part, const rig::Way& way, const char* tail) {
  const std::string of = part.loudspeaker.empty() ? "" : fmt::format("loudspeaker.{}.", part.loudspeaker);
  return fmt::format("{}way.{}.{}", of, way.name, tail);
}

/// What the file would have to say, each key once.
[[noreturn]] void refuse_for_want_of_levels(const rig::Rig& part) {
  std::vector<std::string> sensitivities, responses;
  bool some_response = false;
  for (const rig::Way& way : part.ways) {
    const std::string key = fmt::format("driver.{}.sensitivity", way.driver);
    if (!part.driver_of(way).sensitivity_db && std::ranges::find(sensitivities, key) == sensitivities.end())
      sensitivities.push_back(key);
    some_response = some_response || way.response.has_value();
    if (!way.response) responses.push_back(key_of(part, way, "response"));
  }
  throw InputError(fmt::format(
      "{}: what a listener hears{} cannot be told: {} {} not given{}; right would be the level at 1 m for 1 W on the "
      "driver's sheet, as in sensitivity = \"98 dB\", or a measured response for every way",
      part.file.string(), part.loudspeaker.empty() ? "" : fmt::format(" of loudspeaker {}", part.loudspeaker),
      fmt::join(sensitivities, ", "), sensitivities.size() == 1 ? "is" : "are",
      some_response ? fmt::format(", and a measured response counts only where every way has one: {} {} not",
                                  fmt::join(responses, ", "), responses.size() == 1 ? "has" : "have")
                    : ""));
}

}  // namespace

Ear::Ear(const rig::Rig& rig, const CompiledRig& compiled, std::size_t part)
    : responses_(proof::way_responses(rig.parts()[part])) {
  const rig::Rig& own = rig.parts()[part];
  const double speed = rig::speed_of_sound(rig.controller.temperature_degc);
  for (const OutputPlan& plan : compiled.outputs) {
    Output& output = outputs_.emplace_back();
    if (plan.part != part) continue;
    if (!responses_ && !plan.level_at_1m_per_volt_db) refuse_for_want_of_levels(own);
    output = {.way = plan.way_index, .heard = true, .pascals = 1, .depth_s = 0};
    if (responses_) continue;
    output.pascals =
        plan.full_scale_volts_peak * kReference_pa * analysis::ratio_from_db(*plan.level_at_1m_per_volt_db);
    output.depth_s = own.ways[plan.way_index].depth_m.value_or(0) / speed;
  }
  if (responses_ || own.ways.size() < 2) return;
  for (const rig::Way& way : own.ways)
    if (!way.depth_m) without_depth_.push_back(key_of(own, way, "depth"));
}

std::complex<double> Ear::at(std::size_t output, double frequency_hz) const {
  const Output& of = outputs_[output];
  if (!of.heard) return 0;
  if (const proof::WayResponse* measured = response(output)) return measured->at(frequency_hz);
  return std::polar(of.pascals, -2 * std::numbers::pi * std::remainder(frequency_hz * of.depth_s, 1.0));
}

const proof::WayResponse* Ear::response(std::size_t output) const {
  return responses_ && outputs_[output].heard ? &(*responses_)[outputs_[output].way] : nullptr;
}

double level_db(double pascals) {
  const double ratio = std::abs(pascals) / kReference_pa;
  return ratio > 1e-20 ? analysis::db_from_ratio(ratio) : -400.0;
}

}  // namespace rackproof::listen
