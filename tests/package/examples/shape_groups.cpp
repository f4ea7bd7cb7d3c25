// Shows lanes of two shapes in one limiter: the rings of the longer look-ahead serve both.
#include <array>
#include <cstdio>
#include <span>

#include "dsp/blocks/shape_groups.hpp"

using namespace rackproof;

int main() {
  const std::array<dsp::LimiterShape, 3> lanes{{{.look_ahead_samples = 48, .hold_samples = 0, .true_peak = false},
                                                {.look_ahead_samples = 192, .hold_samples = 96, .true_peak = false},
                                                {.look_ahead_samples = 48, .hold_samples = 0, .true_peak = false}}};
  const dsp::ShapeGroups<4> groups{std::span<const dsp::LimiterShape>(lanes)};
  std::printf("shape_groups: %zu shapes, the longest look-ahead %u; lanes 0, 1, 2 are of shape %zu, %zu, %zu\n",
              groups.size(), static_cast<unsigned>(groups[0].look_ahead_samples), groups.group_of(0),
              groups.group_of(1), groups.group_of(2));
  const bool right = groups.group_of(0) == 1 && groups.group_of(1) == 0 && groups.group_of(2) == 1;
  return right && groups.together() && groups.size() == 2 && groups[0].look_ahead_samples == 192 ? 0 : 1;
}
