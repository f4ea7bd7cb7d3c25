#include "harness/listen/ear.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

#include <fmt/format.h>
#include <fmt/ranges.h>

#include "harness/calibration/levels.hpp"

namespace rackproof::listen {
namespace {

/// What the file would have to say, each key once.
[[noreturn]] void refuse_for_want_of_levels(const rig::Rig& rig) {
  std::vector<std::string> sensitivities, responses;
  bool some_response = false;
  for (const rig::Way& way : rig.ways) {
    const std::string key = fmt::format("driver.{}.sensitivity", way.driver);
    if (!rig.driver_of(way).sensitivity_db && std::ranges::find(sensitivities, key) == sensitivities.end())
      sensitivities.push_back(key);
    some_response = some_response || way.response.has_value();
    if (!way.response) responses.push_back(fmt::format("way.{}.response", way.name));
  }
  throw InputError(fmt::format(
      "{}: what a listener hears cannot be told: {} {} not given{}; right would be the level at 1 m for 1 W on the "
      "driver's sheet, as in sensitivity = \"98 dB\", or a measured response for every way",
      rig.file.string(), fmt::join(sensitivities, ", "), sensitivities.size() == 1 ? "is" : "are",
      some_response ? fmt::format(", and a measured response counts only where every way has one: {} {} not",
                                  fmt::join(responses, ", "), responses.size() == 1 ? "has" : "have")
                    : ""));
}

}  // namespace

Ear::Ear(const rig::Rig& rig, const CompiledRig& compiled) : responses_(proof::way_responses(rig)) {
  const double speed = rig::speed_of_sound(rig.controller.temperature_degc);
  for (const OutputPlan& plan : compiled.outputs) {
    const rig::Way& way = rig.ways[plan.way_index];
    if (!responses_ && !plan.level_at_1m_per_volt_db) refuse_for_want_of_levels(rig);
    outputs_.push_back(
        {.way = plan.way_index,
         .pascals =
             responses_ ? 1.0 : plan.full_scale_volts_peak * kReference_pa * from_db(*plan.level_at_1m_per_volt_db),
         .depth_s = responses_ ? 0.0 : way.depth_m.value_or(0) / speed});
  }
  if (responses_ || rig.ways.size() < 2) return;
  for (const rig::Way& way : rig.ways)
    if (!way.depth_m) without_depth_.push_back(way.name);
}

std::complex<double> Ear::at(std::size_t output, double frequency_hz) const {
  if (const proof::WayResponse* measured = response(output)) return measured->at(frequency_hz);
  const Output& of = outputs_[output];
  return std::polar(of.pascals, -2 * std::numbers::pi * std::remainder(frequency_hz * of.depth_s, 1.0));
}

const proof::WayResponse* Ear::response(std::size_t output) const {
  return responses_ ? &(*responses_)[outputs_[output].way] : nullptr;
}

double level_db(double pascals) {
  const double ratio = std::abs(pascals) / kReference_pa;
  return ratio > 1e-20 ? to_db(ratio) : -400.0;
}

}  // namespace rackproof::listen
