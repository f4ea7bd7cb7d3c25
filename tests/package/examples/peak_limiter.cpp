// Shows the peak limiter with a look-ahead of 2 ms: noise 12 dB above full scale leaves at or below -6 dBFS.
#include <array>
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <cstdio>

#include "dsp/blocks/peak_limiter.hpp"

using namespace rackproof;
using Limiter = dsp::PeakLimiter<1>;  // one signal; with <4>, <8> or <16> as many go side by side

int main() {
  constexpr Limiter::Shape kShape{.look_ahead_samples = 96, .hold_samples = 48};
  constexpr Limiter::Memory kNeeded = Limiter::required(kShape);
  std::array<float, kNeeded.values> values{};
  std::array<std::int32_t, kNeeded.integers> integers{};
  const Limiter::LaneSettings lane{.enabled = true, .ceiling = 0.5f, .release_keep = 0.9998f};  // release 100 ms
  Limiter limiter;
  if (limiter.configure(kShape, {&lane, 1}, values, integers) != dsp::Setup::ok) return 1;

  std::array<float, 48000> sound{};
  std::uint32_t random = 1;
  for (float& sample : sound) {
    random = random * 1664525u + 1013904223u;
    sample = 4.0f * (static_cast<float>(random >> 8) / 8388608.0f - 1.0f);  // -4 to 4
  }
  limiter.process(sound, sound);  // in place

  float loudest = 0.0f;
  for (const float sample : sound) loudest = std::fmax(loudest, std::fabs(sample));
  std::printf("peak_limiter: loudest sample %.6f, ceiling %.6f, gain at the end %.1f dB\n",
              static_cast<double>(loudest), static_cast<double>(lane.ceiling),
              20.0 * std::log10(static_cast<double>(limiter.gain(0))));
  return loudest > 0.4f && loudest <= lane.ceiling ? 0 : 1;
}
