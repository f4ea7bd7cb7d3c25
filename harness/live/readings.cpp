#include "harness/live/readings.hpp"

#include <algorithm>
#include <cmath>

#include "harness/analysis/decibels.hpp"

namespace rackproof::live {
namespace {

double reduction_db(float least_gain) {
  return least_gain < 1.0f ? -analysis::db_from_ratio(std::max(static_cast<double>(least_gain), 1e-20)) : 0.0;
}

}  // namespace

Reading Readings::read() const {
  const std::shared_ptr<const Scales> scales = this->scales();
  Reading reading{.signals = signals_.read(),
                  .sample_rate_hz = scales->sample_rate_hz,
                  .latency_samples = scales->latency_samples,
                  .feeds = {},
                  .outputs = {}};
  for (std::size_t f = 0; f < scales->feeds.size(); ++f) {
    const Signals::Feed& feed = reading.signals.feeds[f];
    reading.feeds.push_back({scales->feeds[f],
                             feed.peak > 0 ? std::optional(analysis::db_from_ratio(feed.peak)) : std::nullopt,
                             feed.bad_samples});
  }
  for (std::size_t o = 0; o < scales->outputs.size(); ++o) {
    const Scale& scale = scales->outputs[o];
    const Signals::Output& output = reading.signals.outputs[o];
    OutputReading one;
    one.name = scale.name;
    one.muted = muted(o);
    one.muted_by_rig = scale.muted_by_rig;
    one.peak_volts = output.peak * scale.full_scale_volts_peak;
    one.limit_volts_peak = scale.limit_volts_peak;
    one.limited = scale.limited;
    one.rms_volts = std::sqrt(static_cast<double>(output.mean_square)) * scale.full_scale_volts_peak;
    one.peak_reduction_db = reduction_db(output.least_peak_gain);
    one.power_reduction_db = reduction_db(output.least_power_gain);
    if (scale.heat_limit_mean_square > 0) one.heat = output.heat_mean_square / scale.heat_limit_mean_square;
    reading.outputs.push_back(std::move(one));
  }
  return reading;
}

}  // namespace rackproof::live
