#include "harness/calibration/warnings.hpp"

#include <algorithm>
#include <complex>
#include <functional>
#include <numbers>

#include "dsp/design/response.hpp"
#include "harness/calibration/advice.hpp"
#include "harness/calibration/filters.hpp"

namespace rackproof {
namespace advice {

const OutputPlan& Subject::output_of(std::size_t way) const {
  return *std::find_if(compiled.outputs.begin(), compiled.outputs.end(),
                       [way](const OutputPlan& plan) { return plan.way_index == way; });
}

std::vector<Layer> common_layers(const Subject& subject) {
  std::vector<Layer> layers;
  if (subject.venue != nullptr) {
    layers.push_back({"venue", &subject.venue->all.eq});
    for (const auto& [name, feed] : subject.venue->feed) layers.push_back({"venue.feed." + name, &feed.eq});
    const auto own = subject.venue->loudspeaker.find(subject.rig.loudspeaker);
    if (own != subject.venue->loudspeaker.end())
      layers.push_back({"venue.loudspeaker." + subject.rig.loudspeaker, &own->second.eq});
  }
  layers.push_back({"system", &subject.rig.system_eq});
  return layers;
}

std::vector<Layer> output_layers(const rig::Way& way) {
  std::vector<Layer> layers;
  for (const auto& [feed, own] : way.output)
    layers.push_back({fmt::format("way.{}.output.{}", way.name, feed), &own.eq});
  return layers;
}

double band_db(const rig::EqBand& band, double hz, double rate_hz) {
  return analysis::db_from_ratio(std::max(1e-10, std::abs(dsp::response(section_of(band, rate_hz), hz, rate_hz))));
}

double path_db(const OutputPlan& plan, double hz, double rate_hz) {
  const std::complex<double> z = std::polar(1.0, -2 * std::numbers::pi * hz / rate_hz);  // z^-1
  double db = plan.gain_db;
  for (const dsp::Biquad& s : plan.sections)
    db += analysis::db_from_ratio(
        std::max(1e-10, std::abs((s.b0 + z * (s.b1 + z * s.b2)) / (1.0 + z * (s.a1 + z * s.a2)))));
  return db;
}

Edges edges_of(const Subject& subject, std::size_t w) {
  const rig::Rig& rig = subject.rig;
  const OutputPlan& plan = subject.output_of(w);
  Edges edges{plan.low_edge_hz, plan.high_edge_hz};
  const auto outermost = [&](rig::EqType type, auto better, double& edge) {
    for (const auto* eq : {&rig.ways[w].eq, &rig.system_eq})
      for (const rig::EqBand& band : *eq)
        if (band.type == type && (edge == 0 || better(band.at_hz, edge))) edge = band.at_hz;
  };
  if (w == 0) outermost(rig::EqType::highpass, std::greater<>(), edges.low_hz);
  if (w + 1 == rig.ways.size()) outermost(rig::EqType::lowpass, std::less<>(), edges.high_hz);
  return edges;
}

}  // namespace advice

std::vector<Warning> warnings_for(const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& compiled) {
  std::vector<Warning> warnings;
  const advice::Subject subject{rig, venue, compiled, warnings};
  // What hurts first: a person may read no further.
  for (const auto look :
       {advice::bridged, advice::amplifiers, advice::drivers, advice::controller, advice::points, advice::bands,
        advice::levels, advice::limiters, advice::delays, advice::equalisers, advice::gains})
    look(subject);
  if (rig.loudspeaker.empty()) advice::what_nothing_uses(subject);
  return warnings;
}

std::vector<Warning> warnings_for_all(const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& compiled,
                                      const std::vector<PartWarnings>& parts) {
  std::vector<Warning> warnings;
  const auto same = [](const Warning& a, const Warning& b) { return a.code == b.code && a.text == b.text; };
  const auto has = [&](const std::vector<Warning>& list, const Warning& one) {
    return std::ranges::any_of(list, [&](const Warning& other) { return same(one, other); });
  };
  for (const PartWarnings& part : parts) {
    for (const Warning& one : part.warnings) {
      const auto parts_with_it =
          std::ranges::count_if(parts, [&](const PartWarnings& other) { return has(other.warnings, one); });
      if (parts_with_it == 1)
        warnings.push_back({one.code, fmt::format("loudspeaker {}: {}", part.loudspeaker, one.text)});
      else if (!has(warnings, one))
        warnings.push_back(one);
    }
  }
  advice::what_nothing_uses({rig, venue, compiled, warnings});
  return warnings;
}

}  // namespace rackproof
