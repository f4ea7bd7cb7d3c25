// Must hold: the claim at the top of admission.hpp.
#include "dsp/blocks/admission.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <bit>
#include <cmath>
#include <cstdint>
#include <cstring>
#include <limits>
#include <random>
#include <span>
#include <vector>

namespace {
using namespace rackproof::dsp;

constexpr float kNaN = std::numeric_limits<float>::quiet_NaN(), kInf = std::numeric_limits<float>::infinity();

/// The claim as it reads, with the library's own words for what is finite.
float as_claimed(float x) { return !std::isfinite(x) ? 0.0f : std::clamp(x, -kMagnitudeBound, kMagnitudeBound); }
std::vector<float> awkward(std::size_t count, unsigned seed) {
  std::mt19937 rng(seed);
  const float odd[] = {kNaN,
                       -kNaN,
                       kInf,
                       -kInf,
                       0.0f,
                       -0.0f,
                       1e-42f,
                       -std::numeric_limits<float>::denorm_min(),
                       kMagnitudeBound,
                       -kMagnitudeBound,
                       std::nextafter(kMagnitudeBound, 100.0f),
                       std::nextafter(-kMagnitudeBound, -100.0f),
                       std::nextafter(kMagnitudeBound, 0.0f),
                       std::numeric_limits<float>::max(),
                       std::bit_cast<float>(0x7f800001u),   // a NaN that signals
                       std::bit_cast<float>(0xffffffffu)};  // and the greatest one
  std::vector<float> samples(count);
  for (float& x : samples)
    x = rng() % 3 == 0 ? odd[rng() % std::size(odd)] : std::bit_cast<float>(static_cast<std::uint32_t>(rng()));
  return samples;
}
template <int W>
void expect_as_claimed() {
  constexpr auto kWidth = std::size_t{W};
  for (std::size_t count = 0; count <= 70; ++count) {
    const std::vector<float> samples = awkward(count * kWidth, static_cast<unsigned>(count));
    std::vector<Pack<W>> in(count), out(count + 1, broadcast<W>(42.0f));
    std::vector<std::int32_t> not_finite(kWidth), bounded(kWidth);
    for (std::size_t n = 0; n < samples.size(); ++n) {
      set_lane<W>(in[n / kWidth], static_cast<int>(n % kWidth), samples[n]);
      not_finite[n % kWidth] += std::isfinite(samples[n]) ? 0 : 1;
      bounded[n % kWidth] += std::isfinite(samples[n]) && std::abs(samples[n]) > kMagnitudeBound ? 1 : 0;
    }
    const Admitted<W> admitted = admit<W>(in, out.data());
    const auto counts_of = [](const PackInt<W>& counts) {
      return std::bit_cast<std::array<std::int32_t, kWidth>>(counts);
    };
    for (std::size_t l = 0; l < kWidth; ++l) {
      EXPECT_EQ(counts_of(admitted.not_finite)[l], not_finite[l]) << "lane " << l << " of " << W;
      EXPECT_EQ(counts_of(admitted.bounded)[l], bounded[l]) << "lane " << l << " of " << W;
    }
    for (std::size_t n = 0; n < samples.size(); ++n)
      ASSERT_EQ(std::bit_cast<std::uint32_t>(lane<W>(out[n / kWidth], static_cast<int>(n % kWidth))),
                std::bit_cast<std::uint32_t>(as_claimed(samples[n])))
          << samples[n];
    EXPECT_EQ(lane<W>(out[count], 0), 42.0f) << "wrote past its samples";
    admit<W>(in, in.data());
    for (std::size_t n = 0; n < count; ++n)
      EXPECT_EQ(std::memcmp(&in[n], &out[n], sizeof in[n]), 0) << "in place the same";
  }
}
TEST(Admission, LeavesWhatMayGoOnAndReplacesAndCountsTheRest) {
  expect_as_claimed<1>();
  expect_as_claimed<4>();
#if defined(__AVX2__)
  expect_as_claimed<8>();
#endif
}
TEST(Admission, CountsStayAtTheirLimit) {
  EXPECT_EQ(counted<1>(kCountLimit - 3, 2), kCountLimit - 1);
  EXPECT_EQ(counted<1>(kCountLimit - 3, 64), kCountLimit);
  EXPECT_EQ(counted<1>(kCountLimit, kCountLimit - 1), kCountLimit);
  const PackInt<4> counts = counted<4>(PackInt<4>{0, 7, kCountLimit - 1, kCountLimit}, PackInt<4>{5, 0, 3, 3});
  EXPECT_EQ(counts[0], 5);
  EXPECT_EQ(counts[1], 7);
  EXPECT_EQ(counts[2], kCountLimit);
  EXPECT_EQ(counts[3], kCountLimit);
}
TEST(Admission, TellsWhetherAllMayGoOnAsTheyAre) {
  const std::vector<float> fine = {0.0f, -0.0f, 1e-42f, kMagnitudeBound, -kMagnitudeBound};
  EXPECT_TRUE(may_go_on({}));
  EXPECT_TRUE(may_go_on(fine));
  for (const float bad : {kNaN, -kNaN, kInf, -kInf, std::nextafter(kMagnitudeBound, 100.0f), -1e30f})
    for (std::size_t at = 0; at <= fine.size(); ++at) {
      std::vector<float> samples = fine;
      samples.insert(samples.begin() + static_cast<std::ptrdiff_t>(at), bad);
      EXPECT_FALSE(may_go_on(samples)) << bad << " at " << at;
    }
}
}  // namespace
