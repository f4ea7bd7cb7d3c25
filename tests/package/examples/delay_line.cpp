// Shows a delay of whole samples: what leaves is what entered 96 samples (2 ms at 48 kHz) earlier, bit for bit.
#include <array>
#include <cstddef>
#include <cstdio>

#include "dsp/blocks/delay_line.hpp"

using namespace rackproof;

int main() {
  constexpr dsp::DelaySettings kSettings{.whole_samples = 96};
  std::array<float, dsp::DelayLine::required_values(kSettings)> memory{};  // yours, for as long as the block is used
  dsp::DelayLine delay;
  if (delay.configure(kSettings, memory) != dsp::Setup::ok) return 1;

  std::array<float, 480> in{}, out{};
  for (std::size_t n = 0; n < in.size(); ++n) in[n] = static_cast<float>(n + 1) / 480.0f;  // no two samples are equal
  delay.process(in, out);

  std::size_t wrong = 0;
  for (std::size_t n = 0; n < out.size(); ++n) {
    const float expected = n < kSettings.whole_samples ? 0.0f : in[n - kSettings.whole_samples];
    if (out[n] != expected) ++wrong;
  }
  std::printf("delay_line: %zu of %zu samples differ from those of 96 samples earlier\n", wrong, out.size());
  return wrong == 0 ? 0 : 1;
}
