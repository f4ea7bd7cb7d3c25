// Must hold: how the stream is cut changes no bit; long streams lose nothing; every bucket of an envelope holds the
// extremes of its own frames, at every small size.
#include "harness/analysis/levels.hpp"

#include <gtest/gtest.h>

#include <random>

#include "harness/analysis/envelope.hpp"

namespace rackproof::analysis {
namespace {
std::vector<float> noise(std::size_t size, unsigned seed) {
  std::mt19937 bits(seed);
  std::vector<float> x(size);
  for (float& v : x) v = static_cast<float>(bits() >> 8) / 8388608.0f - 1.0f;
  return x;
}

TEST(Levels, AreTheSameHoweverTheStreamIsCut) {
  const std::vector<float> x = noise(10000, 1);
  const Levels whole = levels_of(x);
  long double squares = 0;
  for (const float v : x) squares += static_cast<long double>(v) * static_cast<long double>(v);
  EXPECT_NEAR(whole.mean_square(), static_cast<double>(squares / 10000), 1e-16);
  for (const std::size_t cut : {1u, 13u, 4096u}) {
    Levels pieces;
    for (std::size_t n = 0; n < x.size(); n += cut)
      pieces.add(std::span<const float>(x).subspan(n, std::min(cut, x.size() - n)));
    EXPECT_EQ(pieces.rms(), whole.rms());
    EXPECT_EQ(pieces.mean(), whole.mean());
    EXPECT_EQ(pieces.peak(), whole.peak());
    EXPECT_EQ(pieces.count(), x.size());
  }
}

TEST(Levels, LoseNothingInALongStream) {
  Levels levels;  // a large start, then what plain summation would drop
  levels.add(std::span<const double>(std::vector<double>{1e8}));
  const std::vector<double> small(1000, 1e-1);
  for (int i = 0; i < 1000; ++i) levels.add(std::span<const double>(small));
  EXPECT_NEAR(levels.mean_square() * 1000001.0 - 1e16, 1e4, 2.0 + 1e16 * 2.3e-16);
}

TEST(Levels, OfSilenceAndNothing) {
  EXPECT_EQ(Levels().rms(), 0.0);
  EXPECT_EQ(Levels().crest_factor(), 0.0);
  EXPECT_TRUE(std::isinf(levels_of(std::vector<double>{0.0, 0.0}).rms_dbfs()));
  EXPECT_EQ(levels_of(std::vector<double>{0.25, -0.5}).peak(), 0.5);
}

TEST(Envelope, HoldsTheExtremesOfEachBucketsOwnFrames) {
  for (std::size_t frames = 0; frames < 60; ++frames) {
    const std::vector<float> x = noise(frames, static_cast<unsigned>(frames));
    for (std::size_t buckets = 1; buckets < 20; ++buckets) {
      for (const std::size_t cut : {1u, 7u, 64u}) {
        Envelope envelope(frames, buckets);
        for (std::size_t n = 0; n < frames; n += cut)
          envelope.add(std::span<const float>(x).subspan(n, std::min(cut, frames - n)));
        const auto result = envelope.buckets();
        ASSERT_EQ(result.size(), std::min(frames, buckets));
        std::size_t next = 0;
        for (std::size_t i = 0; i < result.size(); ++i) {
          const auto begin = static_cast<std::size_t>(envelope.begin_of(i));
          const auto end = i + 1 < result.size() ? static_cast<std::size_t>(envelope.begin_of(i + 1)) : frames;
          ASSERT_EQ(begin, next);  // no frame left out, none twice
          ASSERT_LT(begin, end);
          next = end;
          const auto [least, greatest] = std::minmax_element(x.begin() + static_cast<std::ptrdiff_t>(begin),
                                                             x.begin() + static_cast<std::ptrdiff_t>(end));
          ASSERT_EQ(result[i].least, static_cast<double>(*least)) << frames << " in " << buckets;
          ASSERT_EQ(result[i].greatest, static_cast<double>(*greatest));
        }
      }
    }
  }
}
}  // namespace
}  // namespace rackproof::analysis
