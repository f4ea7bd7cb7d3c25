// Shows what may go on: samples that are no numbers become 0, those beyond +36 dBFS are bounded, and both are counted.
#include <array>
#include <cstdio>
#include <limits>
#include <span>

#include "dsp/blocks/admission.hpp"

using namespace rackproof;

int main() {
  constexpr float kInfinity = std::numeric_limits<float>::infinity();
  const std::array<float, 6> in{0.5f, -0.25f, std::numeric_limits<float>::quiet_NaN(), -kInfinity, 100.0f, -1e30f};
  std::array<float, 6> out{};
  const dsp::Admitted<1> admitted = dsp::admit<1>(std::span<const float>(in), out.data());
  const std::array<float, 6> wanted{0.5f, -0.25f, 0.0f, 0.0f, dsp::kMagnitudeBound, -dsp::kMagnitudeBound};
  std::printf("admission: %d samples were no numbers, %d were bounded, to %.2f\n",
              static_cast<int>(admitted.not_finite), static_cast<int>(admitted.bounded), static_cast<double>(out[4]));
  const bool right = out == wanted && admitted.not_finite == 2 && admitted.bounded == 2;
  return right && !dsp::may_go_on(in) && dsp::may_go_on(out) ? 0 : 1;
}
