// Shows the whole chain in a program of your own: one feed, one output, a high-pass, a cut and a limiter at -6 dBFS.
#include <array>
#include <cmath>
#include <cstddef>
#include <cstdio>
#include <vector>

#include "dsp/chain/chain.hpp"
#include "dsp/design/alignment.hpp"
#include "dsp/design/eq.hpp"
#include "dsp/design/time_constants.hpp"

using namespace rackproof;

int main() {
  // Settings, in double, away from the audio thread. Each function says whether it could.
  constexpr double kRate = 48000;
  dsp::SectionList high_pass;
  dsp::Section cut;
  if (!dsp::design({dsp::Alignment::butterworth, dsp::Pass::high, 4, 55.0}, kRate, high_pass)) return 1;
  if (!dsp::design(dsp::EqSettings{dsp::EqType::peaking, 240.0, -3.5, dsp::EqWidth::q, 1.4}, kRate, cut)) return 1;
  high_pass.push(cut);

  dsp::OutputSettings output;
  output.sections = high_pass.view();
  output.peak.enabled = true;
  output.peak.ceiling = 0.5f;
  output.peak.look_ahead_samples = 96;
  if (!dsp::keep_per_sample(0.1, kRate, output.peak.release_keep)) return 1;
  const dsp::FeedSettings feed;
  const dsp::LoudspeakerSettings loudspeaker;  // of one way, fed by the first feed
  dsp::ChainSettings settings;
  settings.sample_rate_hz = 48000;
  settings.feeds = {&feed, 1};
  settings.loudspeakers = {&loudspeaker, 1};
  settings.outputs = {&output, 1};

  // The memory is yours; 0 bytes or anything but `ok` means that the settings are out of range.
  std::vector<std::byte> memory(dsp::Chain::required_bytes(settings));
  dsp::Chain chain;
  if (memory.empty() || chain.configure(settings, memory) != dsp::Setup::ok) return 1;

  // The audio thread: `process` allocates nothing, locks nothing, and costs the same whatever it is fed.
  std::array<float, 64> in{}, out{};
  const std::array<const float*, 1> feeds{in.data()};
  const std::array<float*, 1> outputs{out.data()};
  float loudest = 0.0f;
  for (int block = 0; block < 750; ++block) {
    for (std::size_t n = 0; n < in.size(); ++n) {
      in[n] = 2.0f * std::sin(0.13f * static_cast<float>(64 * block + static_cast<int>(n)));  // 6 dB over full scale
    }
    chain.process(feeds, outputs, in.size());
    for (const float sample : out) loudest = std::fmax(loudest, std::fabs(sample));
  }
  std::printf("chain: loudest sample %.6f, ceiling %.6f\n", static_cast<double>(loudest), 0.5);
  return loudest > 0.4f && loudest <= 0.5f ? 0 : 1;
}
