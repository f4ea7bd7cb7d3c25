#include "harness/tune/limited.hpp"

#include <algorithm>
#include <array>
#include <cstddef>
#include <vector>

#include "dsp/chain/chain.hpp"
#include "harness/analysis/held.hpp"

namespace rackproof::tune {
namespace {

constexpr double kPeakMean_db = 0.3, kPowerMost_db = 0.5;

}  // namespace

std::optional<HeldOf> held_of(const CompiledRig& rig, const Recording& sent,
                              const std::function<bool(const OutputPlan&)>& counts) {
  const dsp::ChainSettings& settings = rig.settings();
  if (sent.sample_rate_hz != static_cast<double>(settings.sample_rate_hz)) return std::nullopt;
  std::vector<std::byte> memory(dsp::Chain::required_bytes(settings));
  dsp::Chain chain;
  if (chain.configure(settings, memory) != dsp::Setup::ok) return std::nullopt;
  std::array<float, dsp::kGridFrames> feed{};
  std::vector<std::array<float, dsp::kGridFrames>> rows(settings.outputs.size());
  const std::vector<const float*> from(settings.feeds.size(), feed.data());
  std::vector<float*> to;
  for (auto& row : rows) to.push_back(row.data());
  std::vector<analysis::LimiterMeter> meters(rows.size());
  for (std::size_t n = 0; n < sent.samples.size(); n += feed.size()) {
    const std::size_t count = std::min(feed.size(), sent.samples.size() - n);
    for (std::size_t k = 0; k < count; ++k) feed[k] = static_cast<float>(sent.samples[n + k]);
    chain.process(from, to, count);
    for (std::size_t o = 0; o < meters.size(); ++o) {
      const dsp::Meter meter = chain.take_meter(o);
      meters[o].add(meter.least_peak_gain, meter.least_power_gain, count);
    }
  }
  std::optional<HeldOf> worst;
  for (std::size_t o = 0; o < meters.size(); ++o) {
    if (rig.outputs[o].muted || !counts(rig.outputs[o])) continue;
    meters[o].finish();
    const HeldOf held{rig.outputs[o].name, meters[o].peak().mean_db, meters[o].power().greatest_db};
    if (held.peak_mean_db <= kPeakMean_db && held.power_most_db <= kPowerMost_db) continue;
    if (!worst || held.peak_mean_db + held.power_most_db > worst->peak_mean_db + worst->power_most_db) worst = held;
  }
  return worst;
}

}  // namespace rackproof::tune
