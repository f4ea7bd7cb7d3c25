#include "harness/verbs/live_state.hpp"

#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>
#include <nlohmann/json.hpp>
#include <utility>

#include "harness/verbs/plan_json.hpp"
#include "harness/verbs/verb.hpp"

namespace rackproof {

std::string state_line(const live::Reading& reading, const live::Status& status) {
  Json feeds = Json::array(), outputs = Json::array();
  for (const live::FeedReading& feed : reading.feeds)
    feeds.push_back({{"name", feed.name}, {"peak_dbfs", or_null(feed.peak_dbfs)}, {"bad_samples", feed.bad_samples}});
  for (const live::OutputReading& output : reading.outputs)
    outputs.push_back({{"name", output.name},
                       {"muted", output.muted},
                       {"muted_by_rig", output.muted_by_rig},
                       {"peak_volts", output.peak_volts},
                       {"limit_volts_peak", output.limited ? Json(output.limit_volts_peak) : Json(nullptr)},
                       {"rms_volts", output.rms_volts},
                       {"peak_reduction_db", output.peak_reduction_db},
                       {"power_reduction_db", output.power_reduction_db},
                       {"heat_percent", output.heat ? Json(100 * *output.heat) : Json(nullptr)}});
  const live::Signals& now = reading.signals;
  const Json document = with_format({{"rig", status.rig},
                                     {"venue", status.venue.empty() ? Json(nullptr) : Json(status.venue)},
                                     {"bypass", status.bypass.empty() ? Json(nullptr) : Json(status.bypass)},
                                     {"fingerprint", fmt::format("{:#018x}", status.fingerprint)},
                                     {"state", now.begins        ? "begins"
                                               : status.changing ? "changes"
                                                                 : "runs"},
                                     {"server", status.server},
                                     {"client", status.client},
                                     {"pid", static_cast<std::int64_t>(::getpid())},
                                     {"sample_rate_hz", reading.sample_rate_hz},
                                     {"period_frames", status.period_frames},
                                     {"latency_samples", reading.latency_samples},
                                     {"real_time", status.real_time},
                                     {"freewheel", status.freewheel},
                                     {"frames", now.frames},
                                     {"retunes", status.retunes},
                                     {"missed_cycles", now.missed_cycles},
                                     {"missed_frames", now.missed_frames},
                                     {"late_cycles", status.late_cycles},
                                     {"bad_samples", now.bad_samples},
                                     {"bounded_samples", now.bounded_samples},
                                     {"load_percent", 100 * static_cast<double>(now.load)},
                                     {"worst_load_percent", 100 * static_cast<double>(now.worst_load)},
                                     {"recorded_frames", status.records ? Json(status.recorded_frames) : Json(nullptr)},
                                     {"feeds", std::move(feeds)},
                                     {"outputs", std::move(outputs)}});
  return document.dump(-1, ' ', true, Json::error_handler_t::replace);
}

void Second::add(const live::Reading& reading) {
  if (!worst_ || worst_->outputs.size() != reading.outputs.size()) {
    worst_ = reading;
    return;
  }
  live::Reading now = reading;
  for (std::size_t o = 0; o < now.outputs.size(); ++o) {
    live::OutputReading& one = now.outputs[o];
    const live::OutputReading& before = worst_->outputs[o];
    one.peak_volts = std::max(one.peak_volts, before.peak_volts);
    one.peak_reduction_db = std::max(one.peak_reduction_db, before.peak_reduction_db);
    one.power_reduction_db = std::max(one.power_reduction_db, before.power_reduction_db);
  }
  for (std::size_t f = 0; f < now.feeds.size() && f < worst_->feeds.size(); ++f)
    now.feeds[f].peak_dbfs = std::max(now.feeds[f].peak_dbfs, worst_->feeds[f].peak_dbfs);
  now.signals.worst_load = std::max(now.signals.worst_load, worst_->signals.worst_load);
  worst_ = std::move(now);
}
live::Reading Second::take() {
  live::Reading taken = std::move(*worst_);
  worst_.reset();
  return taken;
}

}  // namespace rackproof
