// Shows signals brought side by side: three rows, one signal each, become frames of four lanes, and rows again.
#include <array>
#include <cstddef>
#include <cstdio>

#include "dsp/blocks/turn.hpp"
#include "dsp/pack.hpp"

using namespace rackproof;

int main() {
  constexpr std::size_t kFrames = 10;
  const std::array<std::array<float, kFrames>, 3> in{{{0, 1, 2, 3, 4, 5, 6, 7, 8, 9},
                                                      {10, 11, 12, 13, 14, 15, 16, 17, 18, 19},
                                                      {20, 21, 22, 23, 24, 25, 26, 27, 28, 29}}};
  std::array<std::array<float, kFrames>, 3> out{};
  std::array<dsp::Pack<4>, kFrames> frames{};
  const std::array<const float*, 3> from{in[0].data(), in[1].data(), in[2].data()};
  const std::array<float*, 3> to{out[0].data(), out[1].data(), out[2].data()};
  dsp::frames_from_rows<4>(from, frames);
  dsp::rows_from_frames<4>(frames, to);

  std::size_t wrong = in == out ? 0 : 1;
  for (std::size_t n = 0; n < kFrames; ++n)
    for (std::size_t row = 0; row < in.size(); ++row)
      if (frames[n][row] != in[row][n]) ++wrong;
  std::printf("turn: frame 7 is %g %g %g %g; %zu samples are not where they should be\n",
              static_cast<double>(frames[7][0]), static_cast<double>(frames[7][1]), static_cast<double>(frames[7][2]),
              static_cast<double>(frames[7][3]), wrong);
  return wrong == 0 && frames[7][3] == 0.0f ? 0 : 1;
}
