#pragma once
/// A chain without its last stages: what a stage costs is what the chain costs with it, less what it costs without.
/// Theorem  the stages that are left work on the samples that they work on in the whole chain, power limiters apart,
///          whose gain the peak limiters behind them no longer see. So differences add up to the whole.
#include <array>
#include <cstddef>
#include <cstdint>
#include <span>

#include "dsp/chain/chain_settings.hpp"
namespace rackproof::firmware {

/// In the order in which they are left out.
inline constexpr std::array<const char*, 6> kStageNames{"power limiters",  "peak limiters", "delays",
                                                        "output sections", "split",         "feed sections"};
inline constexpr std::size_t kStages = kStageNames.size(), kEveryOutput = ~std::size_t{0};

/// Room for the settings of so many of each; what they point to stays where it is.
template <std::size_t Feeds, std::size_t Loudspeakers, std::size_t Outputs>
class ReducedChain {
 public:
  /// Leaves out the first `stages` of kStageNames: of every output, or of one, whose split then stays.
  const dsp::ChainSettings& reduce(const dsp::ChainSettings& whole, std::size_t stages,
                                   std::size_t output = kEveryOutput) noexcept {
    settings_ = whole;
    if (stages > 1) settings_.latency_samples = 0;  // without limiters and delays it is another: not said
    settings_.feeds = copy(whole.feeds, feeds_);
    settings_.loudspeakers = copy(whole.loudspeakers, loudspeakers_);
    settings_.outputs = copy(whole.outputs, outputs_);
    for (std::size_t o = 0; o < whole.outputs.size(); ++o) {
      dsp::OutputSettings& out = outputs_[o];
      if (output != kEveryOutput && output != o) continue;
      if (stages > 0 && out.power.enabled) settings_.latency_samples = 0;  // nor where it was the only limiter
      if (stages > 0) out.power = {};
      if (stages > 1) out.peak = {.true_peak = false};
      if (stages > 2) out.delay = {};
      if (stages > 3) {
        out.sections = {};
        out.gain = 1.0f;
      }
      if (stages > 4 && output == kEveryOutput) out.way = 0;
    }
    if (output == kEveryOutput) {
      for (dsp::LoudspeakerSettings& loudspeaker : loudspeakers_) {
        if (stages > 4) loudspeaker.points = {};
        if (stages <= 5) continue;
        const std::int16_t feed = loudspeaker.source < 0 ? std::int16_t{0} : loudspeaker.source;
        loudspeaker = {};
        loudspeaker.source = feed;
      }
      if (stages > 5)
        for (dsp::FeedSettings& feed : feeds_) feed = {};
    }
    return settings_;
  }

 private:
  template <class T, std::size_t N>
  static std::span<const T> copy(std::span<const T> from, std::array<T, N>& to) noexcept {
    for (std::size_t n = 0; n < from.size() && n < N; ++n) to[n] = from[n];
    return std::span<const T>(to).first(from.size() < N ? from.size() : N);
  }
  dsp::ChainSettings settings_;
  std::array<dsp::FeedSettings, Feeds> feeds_;
  std::array<dsp::LoudspeakerSettings, Loudspeakers> loudspeakers_;
  std::array<dsp::OutputSettings, Outputs> outputs_;
};

}  // namespace rackproof::firmware
