#include "harness/proof/measured_once.hpp"

namespace rackproof::proof {

std::shared_ptr<MeasuredOnce> nothing_measured() { return std::make_shared<MeasuredOnce>(); }

const ArrivalTimes& arrivals_of(const Subject& subject) {
  return subject.once->arrivals.get([&] { return arrival_times(subject); });
}
const std::vector<Impulse>& linear_responses(const Subject& subject) {
  return subject.once->linear.get(
      [&] { return impulse_responses(*subject.make(subject.unlimited.settings()), subject.unlimited); });
}
const std::vector<Impulse>& responses_without_venue(const Subject& subject) {
  if (subject.venue == nullptr) return linear_responses(subject);
  return subject.once->without_venue.get([&] { return impulse_responses_of(subject, subject.rig); });
}
const std::vector<Impulse>& crossover_responses(const Subject& subject) {
  return subject.once->crossover.get([&] { return impulse_responses_of(subject, crossover_alone(subject.rig)); });
}
const std::vector<WorstInput>& worst_inputs_of(const Subject& subject) {
  return subject.once->worst.get([&] { return worst_inputs(subject); });
}

}  // namespace rackproof::proof
