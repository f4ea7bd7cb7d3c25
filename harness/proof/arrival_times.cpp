#include "harness/proof/arrival_times.hpp"

#include <algorithm>
#include <cmath>

#include "harness/analysis/arrival.hpp"
#include "harness/analysis/decibels.hpp"
#include "harness/analysis/fourier.hpp"
#include "harness/proof/checks/checks.hpp"
#include "harness/proof/impulse_response.hpp"
#include "harness/proof/measured_once.hpp"
#include "harness/proof/stimulation.hpp"

namespace rackproof::proof {
namespace {

/// Direct form II, transposed, in double.
void filter(Impulse& signal, const std::vector<dsp::Biquad>& sections) {
  for (const dsp::Biquad& s : sections) {
    double state_1 = 0, state_2 = 0;
    for (double& x : signal) {
      const double y = s.b0 * x + state_1;
      state_1 = s.b1 * x - s.a1 * y + state_2;
      state_2 = s.b2 * x - s.a2 * y;
      x = y;
    }
  }
}

/// What the sections make of one sample on all feeds.
Impulse through_sections(const OutputPlan& output, std::size_t frames) {
  Impulse h(frames, 0.0);
  h[0] = 1;
  if (!output.feed_paths.empty()) {
    const Impulse sample = h;
    h[0] = 0;
    for (const FeedPath& path : output.feed_paths) {
      Impulse own = sample;
      filter(own, path.sections);
      const double share = output.source == dsp::kMixOfFeeds ? 1 : 1 / static_cast<double>(output.feed_paths.size());
      const double gain = share * analysis::ratio_from_db(path.gain_db);
      for (std::size_t n = 0; n < frames; ++n) h[n] += gain * own[n];
    }
  }
  filter(h, output.sections);
  return h;
}

/// Above this share of the rate a fractional delay no longer is what it says.
constexpr double kTimedBand = 0.4;

/// The greatest magnitude of its spectrum, up to `band` in cycles a sample.
double greatest_db(const Impulse& h, double band) {
  double greatest = 0;
  const std::size_t size = analysis::next_fast_size(h.size());
  const std::vector<analysis::Complex> bins = analysis::RealFourier(size).forward(h);
  for (std::size_t k = 0; k < bins.size() && static_cast<double>(k) <= band * static_cast<double>(size); ++k)
    greatest = std::max(greatest, std::abs(bins[k]));
  return finite_db(greatest);
}

ArrivalTime arrival_of(const OutputPlan& output, double set_samples, double rate_hz, const Impulse& h) {
  ArrivalTime time;
  time.set_samples = set_samples;
  const double edge_hz = output.high_edge_hz > 0 ? output.high_edge_hz : 0.4 * rate_hz;
  time.tolerance_samples = std::clamp(0.01 / 360 * rate_hz / edge_hz, 0.01, 0.25);
  const Impulse model = through_sections(output, h.size());
  time.most_db = greatest_db(model, kTimedBand);
  const analysis::Arrival arrival =
      analysis::find_arrival(model, h, {.to = kTimedBand, .floor = 1e-4, .least_samples = 0});
  time.found = time.most_db >= kMute_db && arrival.found && arrival.height > 0.9;
  if (!time.found) return time;
  time.total_samples = arrival.delay_samples;
  time.polarity = arrival.polarity;
  return time;
}

}  // namespace

ArrivalTimes arrival_times(const Subject& subject) {
  const double rate_hz = subject.rig.controller.sample_rate_hz;
  const std::vector<Impulse> responses =
      impulse_responses(*subject.make(subject.compiled.settings()), subject.compiled);
  ArrivalTimes times;
  const double stated = subject.compiled.latency_samples;
  const ArrivalTime* nearest = nullptr;
  const auto own_latency = [](const ArrivalTime& time) { return time.total_samples - time.set_samples; };
  times.outputs.reserve(responses.size());
  for (std::size_t o = 0; o < responses.size(); ++o) {
    const OutputPlan& plan = subject.compiled.outputs[o];
    const double set_samples = set_delay_s(subject, plan) * rate_hz;
    const ArrivalTime& time = times.outputs.emplace_back(arrival_of(plan, set_samples, rate_hz, responses[o]));
    if (time.found &&
        (nearest == nullptr || std::abs(own_latency(time) - stated) < std::abs(own_latency(*nearest) - stated)))
      nearest = &time;
  }
  if (nearest == nullptr) return times;
  times.latency_samples = own_latency(*nearest);
  times.tolerance_samples = nearest->tolerance_samples;
  const double latency = responses.size() == 1 ? stated : times.latency_samples;
  for (ArrivalTime& time : times.outputs)
    if (time.found) time.delay_samples = time.total_samples - latency;
  return times;
}

std::vector<Timing> timings_of(const Subject& subject) {
  const ArrivalTimes& times = arrivals_of(subject);
  const double ms = 1e3 / subject.rig.controller.sample_rate_hz;
  std::vector<Timing> timings;
  for (std::size_t o = 0; o < times.outputs.size(); ++o) {
    const ArrivalTime& time = times.outputs[o];
    timings.push_back({subject.compiled.outputs[o].name, (time.total_samples - time.delay_samples) * ms,
                       time.delay_samples * ms, time.polarity});
  }
  return timings;
}

}  // namespace rackproof::proof
