// Shows the mean of the last 12 integers: of values that all are at least 700,000,001 it is never below that.
#include <array>
#include <cstdint>
#include <cstdio>
#include <span>

#include "dsp/blocks/box_mean.hpp"

using namespace rackproof;
using Mean = dsp::BoxMean<1>;  // one track; with <4>, <8> or <16> as many go side by side

int main() {
  constexpr std::size_t kLength = 12;
  constexpr std::int32_t kLeast = 700000001;
  std::array<std::int32_t, kLength> memory{};
  Mean mean{std::span<std::int32_t>(memory)};
  std::uint32_t random = 1;
  std::int32_t lowest = Mean::kMostValue;
  for (std::size_t n = 0; n < 100000; ++n) {
    if (n % Mean::kMostPushes == 0) mean.carry();
    random = random * 1664525u + 1013904223u;
    const auto value = kLeast + static_cast<std::int32_t>(random >> 31);
    const float now = mean.push(value, *mean.ring().place()) * Mean::factor(kLength);
    if (n >= kLength && static_cast<std::int32_t>(now) < lowest) lowest = static_cast<std::int32_t>(now);
  }
  std::printf("box_mean: the lowest mean is %d, no value was below %d\n", static_cast<int>(lowest),
              static_cast<int>(kLeast));
  return lowest >= kLeast ? 0 : 1;
}
