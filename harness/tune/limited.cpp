#include "harness/tune/limited.hpp"

#include <algorithm>
#include <array>
#include <cstddef>
#include <span>
#include <vector>

#include "dsp/chain/chain.hpp"
#include "harness/analysis/decibels.hpp"

namespace rackproof::tune {
namespace {

constexpr double kPeakMean_db = 0.3, kPowerMost_db = 0.5;

double held_db(float gain) { return -analysis::db_from_ratio(std::max(static_cast<double>(gain), 1e-9)); }

}  // namespace

std::optional<HeldOf> held_of(const CompiledRig& rig, const Recording& sent) {
  const dsp::ChainSettings& settings = rig.settings();
  if (sent.sample_rate_hz != static_cast<double>(settings.sample_rate_hz) || sent.samples.empty()) return std::nullopt;
  std::vector<std::byte> memory(dsp::Chain::required_bytes(settings));
  dsp::Chain chain;
  if (chain.configure(settings, memory) != dsp::Setup::ok) return std::nullopt;
  const std::size_t outputs = settings.outputs.size();
  std::array<float, dsp::kGridFrames> feed{};
  std::vector<std::array<float, dsp::kGridFrames>> rows(outputs);
  const std::vector<const float*> from(settings.feeds.size(), feed.data());
  std::vector<float*> to;
  for (auto& row : rows) to.push_back(row.data());
  std::vector<HeldOf> held(outputs);
  const std::size_t cells = (sent.samples.size() + feed.size() - 1) / feed.size();
  for (std::size_t n = 0; n < sent.samples.size(); n += feed.size()) {
    const std::size_t count = std::min(feed.size(), sent.samples.size() - n);
    std::transform(&sent.samples[n], &sent.samples[n] + count, feed.begin(),
                   [](double x) { return static_cast<float>(x); });
    chain.process(from, to, count);
    for (std::size_t o = 0; o < outputs; ++o) {
      const dsp::Meter meter = chain.take_meter(o);
      held[o].peak_mean_db += held_db(meter.least_peak_gain) / static_cast<double>(cells);
      held[o].power_most_db = std::max(held[o].power_most_db, held_db(meter.least_power_gain));
    }
  }
  std::optional<HeldOf> worst;
  for (std::size_t o = 0; o < outputs; ++o) {
    held[o].output = rig.outputs[o].name;
    const auto sum_db = [](const HeldOf& one) { return one.peak_mean_db + one.power_most_db; };
    if (rig.outputs[o].muted || (held[o].peak_mean_db <= kPeakMean_db && held[o].power_most_db <= kPowerMost_db))
      continue;
    if (!worst || sum_db(held[o]) > sum_db(*worst)) worst = held[o];
  }
  return worst;
}

}  // namespace rackproof::tune
