// Shows settings that change while the audio runs: from a ceiling of 0.5 to one of 0.25, without a click and without a
// sample above them.
#include <array>
#include <cmath>
#include <cstddef>
#include <cstdio>
#include <vector>

#include "dsp/chain/switch.hpp"

using namespace rackproof;

int main() {
  const dsp::FeedSettings feed;
  const dsp::LoudspeakerSettings loudspeaker;
  std::array<dsp::OutputSettings, 2> output;
  std::array<dsp::ChainSettings, 2> presets;
  for (std::size_t p = 0; p < presets.size(); ++p) {
    output[p].peak = {
        .enabled = true, .ceiling = p == 0 ? 0.5f : 0.25f, .look_ahead_samples = 96, .release_keep = 0.9998f};
    presets[p] = {.feeds = {&feed, 1}, .loudspeakers = {&loudspeaker, 1}, .outputs = {&output[p], 1}};
  }
  const auto bytes_of = [](const dsp::ChainSettings& one) { return dsp::Chain::required_bytes(one); };
  const dsp::SwitchPlan plan = dsp::SwitchPlan::of(presets, bytes_of);
  std::vector<std::byte> memory(dsp::ChainSwitch::required_bytes(plan));  // of two chains; yours
  dsp::ChainSwitch chain;
  if (chain.configure(plan, presets[0], memory) != dsp::Setup::ok) return 1;

  constexpr std::size_t kHalf = 96000;  // 2 s at 48 kHz before the change, 2 s after it
  std::vector<float> in(2 * kHalf), out(in.size());
  for (std::size_t n = 0; n < in.size(); ++n)
    in[n] = static_cast<float>(std::sin(0.01 * static_cast<double>(n)));  // 76 Hz
  chain.process(std::array<const float*, 1>{in.data()}, std::array<float*, 1>{out.data()}, kHalf);
  if (chain.change(presets[1]) != dsp::Change::taken) return 1;  // may be called by another thread than the audio's
  chain.process(std::array<const float*, 1>{in.data() + kHalf}, std::array<float*, 1>{out.data() + kHalf}, kHalf);

  float loudest = 0.0f, later = 0.0f, step = 0.0f;  // a step of the tone: at most 0.005; of the fall: 0.25 / 256
  for (std::size_t n = 0; n < out.size(); ++n) {
    loudest = std::fmax(loudest, std::fabs(out[n]));
    if (n >= kHalf) step = std::fmax(step, std::fabs(out[n] - out[n - 1]));
    if (n >= kHalf + dsp::ChainSwitch::kCutFrames) later = std::fmax(later, std::fabs(out[n]));
  }
  std::printf(
      "chain_switch: loudest sample %.4f, 256 frames after the change and later %.4f; greatest step since it %.4f\n",
      static_cast<double>(loudest), static_cast<double>(later), static_cast<double>(step));
  const bool moved = !chain.busy() && loudest > 0.4f && later > 0.2f;
  return moved && loudest <= 0.5f && later <= 0.25f && step < 0.006f ? 0 : 1;
}
