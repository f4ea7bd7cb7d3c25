#pragma once
/// What more than one check reads of a subject: measured by whichever needs it first, then kept.
/// Claim    each is exactly the value that its function gives; checks on two threads never measure it twice, and wait for
///          each other only where both need the same.
#include <mutex>
#include <optional>
#include <vector>

#include "harness/proof/arrival_times.hpp"
#include "harness/proof/impulse_response.hpp"
#include "harness/proof/stimulation.hpp"

namespace rackproof::proof {

/// A value that is made once. What `make` throws arrives, and the next to ask tries again.
template <class Value>
class Once {
 public:
  template <class Make>
  const Value& get(Make&& make) {
    const std::scoped_lock lock(making_);
    if (!value_) value_.emplace(make());
    return *value_;
  }

 private:
  std::mutex making_;
  std::optional<Value> value_;
};

struct MeasuredOnce {
  Once<ArrivalTimes> arrivals;
  Once<std::vector<Impulse>> linear, without_venue, crossover;
  Once<std::vector<WorstInput>> worst;
};

/// `arrival_times(subject)`.
const ArrivalTimes& arrivals_of(const Subject& subject);
/// The answers of the unlimited device, venue included; one an output.
const std::vector<Impulse>& linear_responses(const Subject& subject);
/// The same without the venue, which is gone tomorrow.
const std::vector<Impulse>& responses_without_venue(const Subject& subject);
/// Of `crossover_alone(subject.rig)`.
const std::vector<Impulse>& crossover_responses(const Subject& subject);
/// `worst_inputs(subject)`.
const std::vector<WorstInput>& worst_inputs_of(const Subject& subject);

}  // namespace rackproof::proof
