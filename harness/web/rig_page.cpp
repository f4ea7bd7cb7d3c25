#include "harness/web/rig_page.hpp"

#include <algorithm>
#include <cmath>
#include <complex>
#include <limits>
#include <span>
#include <utility>

#include "harness/calibration/compile.hpp"
#include "harness/proof/impulse_response.hpp"
#include "harness/proof/stimulation.hpp"

namespace rackproof::web {
namespace {

constexpr double kFrom_hz = 20, kTo_hz = 20e3, kAnOctave = 24;

std::vector<double> shown_frequencies(double sample_rate_hz) {
  std::vector<double> frequency_hz;
  const double last = std::min(kTo_hz, 0.49 * sample_rate_hz);
  for (double n = 0;; ++n) {
    const double hz = kFrom_hz * std::exp2(n / kAnOctave);
    if (hz > last) return frequency_hz;
    frequency_hz.push_back(hz);
  }
}

/// From all feeds, driven alike, to each output: the chain that runs, without limiters and mutes.
std::vector<std::vector<double>> responses_db(const rig::Rig& rig, const rig::Venue* venue, Bypass bypass,
                                              const std::vector<double>& frequency_hz) {
  CompiledRig compiled = compile(rig, venue, bypass);
  for (dsp::OutputSettings& output : compiled.outputs_) {
    output.peak.enabled = false;
    output.power.enabled = false;
    output.muted = false;
  }
  std::vector<std::vector<double>> all;
  for (const std::vector<double>& impulse :
       proof::impulse_responses(*proof::make_chain(compiled.settings()), compiled)) {
    std::vector<double>& db = all.emplace_back();
    for (const std::complex<double>& value :
         proof::spectrum(impulse, frequency_hz, static_cast<double>(rig.controller.sample_rate_hz)))
      db.push_back(proof::finite_db(std::abs(value)));
  }
  return all;
}

}  // namespace

RigPage::RigPage(const live::Readings& readings, const live::Tuning& tuning, std::string program)
    : readings_(readings) {
  now_.program = std::move(program);
  heard(tuning);
  server_.emplace(PageSource{.page = [this] { return page(); }, .reading = [this] { return reading(); }});
}

void RigPage::heard(const live::Tuning& tuning) {
  auto next = std::make_shared<const Heard>(Heard{tuning.rig, tuning.venue, tuning.bypass});
  const std::lock_guard lock(mutex_);
  heard_ = std::move(next);
  ++now_.rig_number;
  now_.rig_file = tuning.rig.file.string();
  now_.venue_file = tuning.venue ? tuning.venue->file.string() : std::string();
  now_.title = tuning.rig.title;
  now_.sample_rate_hz = tuning.rig.controller.sample_rate_hz;
  now_.latency_s = tuning.compiled.latency_samples / now_.sample_rate_hz;
  constexpr const char* kBypassed[] = {"", "all", "venue", "system", "limits"};
  now_.bypassed = kBypassed[static_cast<std::size_t>(tuning.bypass)];
  now_.frequency_hz.clear();
  now_.outputs.clear();
  limits_v_.clear();
  const std::span<const dsp::OutputSettings> settings = tuning.compiled.settings().outputs;
  for (std::size_t o = 0; o < settings.size(); ++o) {
    const OutputPlan& output = tuning.compiled.outputs[o];
    const double limit_v = settings[o].peak.enabled ? output.limit_volts_peak : std::numeric_limits<double>::infinity();
    now_.outputs.push_back({.name = output.name, .limit_volts_peak = limit_v, .response_db = {}});
    limits_v_.push_back(limit_v);
  }
  if (!now_.history.empty() && now_.history.front().level_db.size() != now_.outputs.size()) now_.history.clear();
  second_.reset();
}

std::string RigPage::page() {
  report::LivePage shown;
  std::shared_ptr<const Heard> heard;
  {
    const std::lock_guard lock(mutex_);
    shown = now_;
    heard = heard_;
  }
  if (shown.frequency_hz.empty()) {
    shown.frequency_hz = shown_frequencies(shown.sample_rate_hz);
    const std::vector<std::vector<double>> db =
        responses_db(heard->rig, heard->venue ? &*heard->venue : nullptr, heard->bypass, shown.frequency_hz);
    for (std::size_t n = 0; n < shown.outputs.size(); ++n) shown.outputs[n].response_db = db.at(n);
    const std::lock_guard lock(mutex_);
    if (heard == heard_) {
      now_.frequency_hz = shown.frequency_hz;
      now_.outputs = shown.outputs;
    }
  }
  return report::live_page(shown);
}

std::string RigPage::reading() {
  const live::Reading now = readings_.read();
  const std::lock_guard lock(mutex_);
  report::LiveReading reading{
      .rig_number = now_.rig_number,
      .seconds = now.sample_rate_hz > 0 ? static_cast<double>(now.signals.frames) / now.sample_rate_hz : 0.0,
      .missed_cycles = now.signals.missed_cycles,
      .bad_samples = now.signals.bad_samples + now.signals.bounded_samples,
      .outputs = {}};
  for (const live::OutputReading& output : now.outputs)
    reading.outputs.push_back({.volts_peak = output.peak_volts,
                               .peak_held_db = output.peak_reduction_db,
                               .power_held_db = output.power_reduction_db,
                               .heat_percent = output.heat ? 100 * *output.heat : std::nan(""),
                               .muted = output.muted || output.muted_by_rig || now.signals.begins});
  if (reading.outputs.size() == limits_v_.size()) {  // else a change is on its way
    const auto number = static_cast<std::uint64_t>(reading.seconds);
    if (second_ && number != second_number_) {
      now_.history.push_back(*second_);
      if (now_.history.size() > report::kHistorySeconds) now_.history.pop_front();
      second_.reset();
    }
    second_number_ = number;
    if (!second_) second_.emplace();
    report::take_greatest(*second_, reading, limits_v_);
  }
  return report::reading_line(reading);
}

}  // namespace rackproof::web
