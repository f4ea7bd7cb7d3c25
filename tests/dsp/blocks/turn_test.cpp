// Must hold: the theorem at the top of turn.hpp.
#include "dsp/blocks/turn.hpp"

#include <gtest/gtest.h>

#include <vector>

namespace {
using namespace rackproof::dsp;

template <int W>
void rows_and_frames_are_one_another() {
  for (std::size_t rows = 1; rows <= W; ++rows)
    for (std::size_t frames = 0; frames <= 3 * W + 1; ++frames) {
      std::vector<std::vector<float>> in(rows, std::vector<float>(frames)),
          out(rows, std::vector<float>(frames + 1, 42));
      std::vector<float*> from, to;
      for (std::size_t l = 0; l < rows; ++l) {
        for (std::size_t n = 0; n < frames; ++n) in[l][n] = static_cast<float>(1000 * l + n + 1);
        from.push_back(in[l].data());
        to.push_back(out[l].data());
      }
      std::vector<Pack<W>> packs(frames);
      frames_from_rows<W>(from, packs);
      for (std::size_t n = 0; n < frames; ++n)
        for (std::size_t l = 0; l < W; ++l)
          ASSERT_EQ(lane<W>(packs[n], static_cast<int>(l)), l < rows ? in[l][n] : 0.0f) << rows << " rows, frame " << n;
      rows_from_frames<W>(packs, to);
      for (std::size_t l = 0; l < rows; ++l) {
        ASSERT_EQ(out[l].back(), 42.0f) << "wrote past the row";
        out[l].pop_back();
        ASSERT_EQ(out[l], in[l]);
      }
    }
}
TEST(Turn, RowsAndFramesAreOneAnother) {
  rows_and_frames_are_one_another<4>();
#ifdef __AVX2__
  rows_and_frames_are_one_another<8>();
#endif
#ifdef __AVX512F__
  rows_and_frames_are_one_another<16>();
#endif
}
}  // namespace
