// Shows the greatest of the last 5 values, for every sample, as its definition gives it.
#include <algorithm>
#include <array>
#include <cstddef>
#include <cstdio>

#include "dsp/blocks/sliding_maximum.hpp"

using namespace rackproof;
using Maximum = dsp::SlidingMaximum<1>;

int main() {
  constexpr Maximum::Settings kSettings{.window_samples = 5};
  std::array<float, Maximum::required_values(kSettings)> memory{};  // yours
  Maximum maximum;
  if (maximum.configure(kSettings, memory) != dsp::Setup::ok) return 1;

  const std::array<float, 12> in{1, 0, 7, 2, 2, 3, 1, 0, 4, 9, 0, 0};  // none negative
  std::array<float, 12> out{};
  maximum.process(in, out);

  std::size_t wrong = 0;
  for (std::size_t n = 0; n < in.size(); ++n) {
    const float* const first = in.data() + (n < 4 ? 0 : n - 4);
    if (out[n] != *std::max_element(first, in.data() + n + 1)) ++wrong;
  }
  std::printf("sliding_maximum: 7 entered as sample 2; sample 6 is %g and sample 7 is %g; %zu are wrong\n",
              static_cast<double>(out[6]), static_cast<double>(out[7]), wrong);
  return wrong == 0 ? 0 : 1;
}
