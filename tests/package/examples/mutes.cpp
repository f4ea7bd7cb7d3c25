// Shows an output that is muted without a click: it falls to exact zeros in equal steps, over 64 frames.
#include <array>
#include <cmath>
#include <cstddef>
#include <cstdio>

#include "dsp/blocks/mutes.hpp"

using namespace rackproof;

int main() {
  std::array<dsp::Mutes::Output, 1> memory{};  // one for each output; yours
  dsp::Mutes mutes;
  mutes.configure(memory);

  float last = 1.0f, greatest_step = 0.0f;
  for (int cell = 0; cell < 4; ++cell) {
    if (cell == 1) mutes.want(0, true);
    std::array<float, dsp::kGridFrames> row;
    row.fill(1.0f);  // a constant signal: what leaves is the factor itself
    const std::array<float*, 1> rows{row.data()};
    mutes.process(rows, row.size());
    for (const float sample : row) {
      greatest_step = std::fmax(greatest_step, std::fabs(sample - last));
      last = sample;
    }
  }
  constexpr float kEqualStep = 1.0f / dsp::kGridFrames;
  std::printf("mutes: the last sample is %g, the greatest step on the way there %g (1/64 is %g)\n",
              static_cast<double>(last), static_cast<double>(greatest_step), static_cast<double>(kEqualStep));
  return last == 0.0f && greatest_step == kEqualStep ? 0 : 1;
}
