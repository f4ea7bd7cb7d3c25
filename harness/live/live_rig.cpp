#include "harness/live/live_rig.hpp"

#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>
#include <new>

#include "dsp/chain/chain.hpp"
#include "harness/errors.hpp"

namespace rackproof::live {
namespace {

std::vector<std::string> outputs_of(const Tuning& tuning) {
  std::vector<std::string> names;
  for (const OutputPlan& plan : tuning.compiled.outputs) names.push_back(plan.name);
  return names;
}
std::vector<std::string> feeds_of(const Tuning& tuning) {
  std::vector<std::string> names;
  for (const rig::Feed& feed : tuning.rig.feeds) names.push_back(feed.name);
  return names;
}

}  // namespace

Tuning tuned(rig::Rig rig, std::optional<rig::Venue> venue, Bypass bypass) {
  Tuning tuning{std::move(rig), std::move(venue), bypass, {}};
  tuning.compiled = compile(tuning.rig, tuning.venue ? &*tuning.venue : nullptr, bypass);
  return tuning;
}

std::size_t LiveRig::room_for(const dsp::ChainSettings& settings) {
  const double rate = settings.sample_rate_hz;
  std::vector<dsp::OutputSettings> roomy(settings.outputs.begin(), settings.outputs.end());
  for (dsp::OutputSettings& output : roomy) {
    const auto most = [](std::uint32_t now, double wanted) {
      return std::max(now, static_cast<std::uint32_t>(wanted));
    };
    output.delay.whole_samples = most(output.delay.whole_samples, kRoomForDelay_s * rate);
    output.delay.fractional = true;
    output.power.enabled = true;
    output.peak.enabled = true;
    output.peak.true_peak = true;
    output.peak.look_ahead_samples = most(output.peak.look_ahead_samples, 20e-3 * rate);  // the most of a rig file
    output.peak.hold_samples = most(output.peak.hold_samples, 200e-3 * rate);
  }
  dsp::ChainSettings room = settings;
  room.outputs = roomy;
  constexpr std::size_t kMoreSections = std::size_t{256} << 10;
  return dsp::Chain::required_bytes(room) + dsp::Chain::required_bytes(settings) + kMoreSections;
}

Scales LiveRig::scales_of(const Tuning& tuning) {
  Scales scales{.feeds = feeds_of(tuning),
                .outputs = {},
                .sample_rate_hz = tuning.rig.controller.sample_rate_hz,
                .latency_samples = tuning.compiled.latency_samples};
  const std::span<const dsp::OutputSettings> outputs = tuning.compiled.settings().outputs;
  for (std::size_t o = 0; o < outputs.size(); ++o) {
    const OutputPlan& plan = tuning.compiled.outputs[o];
    const dsp::PowerLimiterSettings& power = outputs[o].power;
    const double threshold = power.threshold_rms;
    scales.outputs.push_back({.name = plan.name,
                              .way = plan.way,
                              .full_scale_volts_peak = plan.full_scale_volts_peak,
                              .limit_volts_peak = plan.limit_volts_peak,
                              .limited = outputs[o].peak.enabled,
                              .load_ohm = plan.load_ohm,
                              .heat_limit_mean_square = power.enabled ? threshold * threshold : 0.0,
                              .muted_by_rig = plan.muted});
  }
  return scales;
}

LiveRig::LiveRig(Tuning first) : heard_(std::move(first)) {
  const std::vector<std::string> feeds = feeds_of(heard_);
  for (const OutputPlan& plan : heard_.compiled.outputs)
    if (std::ranges::find(feeds, plan.name) != feeds.end())
      throw InputError(
          fmt::format("{}: the output {} is called like a feed, and both become ports: give the way, or "
                      "the feed, another name",
                      heard_.rig.file.string(), plan.name));
  const dsp::ChainSettings& settings = heard_.compiled.settings();
  plan_ = dsp::SwitchPlan::of({&settings, 1}, [](const dsp::ChainSettings& one) { return room_for(one); });
  const std::size_t bytes = dsp::ChainSwitch::required_bytes(plan_);
  try {
    memory_.reset(new std::byte[bytes]);  // not cleared: `configure` touches what is used
  } catch (const std::bad_alloc&) {
    throw MachineError(fmt::format("there are no {} MB of memory for two chains of this rig", bytes / 1'000'000 + 1));
  }
  if (switch_.configure(plan_, settings, {memory_.get(), bytes}) != dsp::Setup::ok)
    throw MachineError(fmt::format("{}: the core refuses this rig", heard_.rig.file.string()));
  frames_a_publication_ = settings.sample_rate_hz / kPublicationsASecond;
  next_publication_ = frames_a_publication_;
  readings_.rescale(scales_of(heard_));
}

void LiveRig::must_fit(const Tuning& next) const {
  const std::string file = next.rig.file.string();
  const auto refuse = [&](const std::string& what, const std::string& now, const std::string& then) {
    throw InputError(fmt::format("{}: {} {} while it runs with {}; that cannot be faded to: stop and start again", file,
                                 what, then, now));
  };
  const std::uint32_t rate = heard_.rig.controller.sample_rate_hz, next_rate = next.rig.controller.sample_rate_hz;
  if (rate != next_rate) refuse("a sample rate of", fmt::format("{} Hz", rate), fmt::format("{} Hz", next_rate));
  const auto feeds = feeds_of(heard_), next_feeds = feeds_of(next);
  if (feeds != next_feeds)
    refuse("the feeds", fmt::format("{}", fmt::join(feeds, ", ")), fmt::format("{}", fmt::join(next_feeds, ", ")));
  const auto outputs = outputs_of(heard_), next_outputs = outputs_of(next);
  if (outputs != next_outputs)
    refuse("the outputs", fmt::format("{}", fmt::join(outputs, ", ")),
           fmt::format("{}", fmt::join(next_outputs, ", ")));
  for (std::size_t o = 0; o < outputs.size(); ++o) {
    const OutputPlan &is = heard_.compiled.outputs[o], &then = next.compiled.outputs[o];
    const rig::Way &way = way_of(heard_.rig, is), &next_way = way_of(next.rig, then);
    const bool peak = way.limit && !next_way.limit;
    if (!peak && !(way.thermal && !next_way.thermal)) continue;
    throw InputError(
        fmt::format("{}: way {} has no `{}` any more, and output {} is heard with it; while it plays no limit is taken "
                    "away: stop and start again",
                    file, next_way.name, peak ? "limit" : "thermal", then.name));
  }
  const dsp::Refusal refusal = switch_.refusal(next.compiled.settings());
  if (refusal.setup == dsp::Setup::memory_too_small)
    throw InputError(fmt::format("{}: needs more memory than was set aside at the start: stop and start again", file));
  if (refusal.setup != dsp::Setup::ok) throw InputError(fmt::format("{}: the core refuses this rig", file));
}

void LiveRig::retune(Tuning next) {
  must_fit(next);
  wish_ = std::move(next);
  proceed();
}

bool LiveRig::proceed() {
  bool done = false;
  if (coming_ && !switch_.busy()) {
    heard_ = std::move(*coming_);
    coming_.reset();
    ++retunes_;
    readings_.rescale(scales_of(heard_));
    done = true;
  }
  if (wish_ && !coming_ && switch_.change(wish_->compiled.settings()) == dsp::Change::taken) {
    coming_ = std::move(wish_);
    wish_.reset();
  }
  return done;
}

void LiveRig::mute(std::optional<std::size_t> output, bool muted) {
  const std::size_t first = output.value_or(0), end = output ? *output + 1 : switch_.outputs();
  for (std::size_t o = first; o < end; ++o) {
    switch_.mute(o, muted);
    readings_.set_muted(o, muted);
  }
}

std::optional<std::size_t> LiveRig::output_called(const std::string& name) const {
  const std::vector<OutputPlan>& outputs = heard_.compiled.outputs;
  const auto found = std::ranges::find(outputs, name, &OutputPlan::name);
  if (found == outputs.end()) return std::nullopt;
  return static_cast<std::size_t>(found - outputs.begin());
}

void LiveRig::process(std::span<const float* const> feeds, std::span<float* const> outputs,
                      std::size_t frames) noexcept {
  for (std::size_t f = 0; f < switch_.feeds() && f < feeds.size(); ++f) feed_meters_[f].process({feeds[f], frames});
  switch_.process(feeds, outputs, frames);
  for (std::size_t o = 0; o < switch_.outputs() && o < outputs.size(); ++o)
    output_meters_[o].process({outputs[o], frames});
  now_.frames += frames;
  if (now_.frames < next_publication_) return;
  next_publication_ = now_.frames + frames_a_publication_;
  publish();
}

void LiveRig::publish() noexcept {
  window_ = (window_ + 1) % kHold;
  constexpr float kShare = 1.0f / kHold;
  for (std::size_t f = 0; f < switch_.feeds(); ++f) {
    const dsp::RowMeter::Reading read = feed_meters_[f].take();
    feed_windows_[f][window_] = {.peak = read.peak, .mean_square = read.mean_square};
    Signals::Feed& feed = now_.feeds[f];
    feed.bad_samples += read.bad_samples;
    feed.peak = 0;
    feed.mean_square = 0;
    for (const Window& one : feed_windows_[f]) {
      feed.peak = std::max(feed.peak, one.peak);
      feed.mean_square += kShare * one.mean_square;
    }
  }
  for (std::size_t o = 0; o < switch_.outputs(); ++o) {
    const dsp::RowMeter::Reading read = output_meters_[o].take();
    const dsp::Meter meter = switch_.take_meter(o);
    windows_[o][window_] = {read.peak, read.mean_square, meter.least_peak_gain, meter.least_power_gain};
    Signals::Output output{.heat_mean_square = meter.heat_mean_square};
    for (const Window& one : windows_[o]) {
      output.peak = std::max(output.peak, one.peak);
      output.mean_square += kShare * one.mean_square;
      output.least_peak_gain = std::min(output.least_peak_gain, one.least_peak_gain);
      output.least_power_gain = std::min(output.least_power_gain, one.least_power_gain);
    }
    now_.outputs[o] = output;
  }
  now_.bad_samples = switch_.bad_samples();
  now_.bounded_samples = switch_.bounded_samples();
  now_.begins = switch_.begins();
  now_.load = loads_ > 0 ? load_sum_ / static_cast<float>(loads_) : 0.0f;
  now_.worst_load = worst_load_;
  load_sum_ = 0;
  worst_load_ = 0;
  loads_ = 0;
  readings_.publish(now_);
}

}  // namespace rackproof::live
