// Must hold: the claim at the top of box_mean.hpp. "At least" is compared exactly, without tolerance.
#include "dsp/blocks/box_mean.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <numeric>
#include <random>
#include <span>
#include <vector>

namespace {
using namespace rackproof::dsp;

using Box = BoxMean<1>;
constexpr std::int32_t kMost = Box::kMostValue;

/// A box of one lane with memory of its own and a fence behind it, carried as late as it may be.
class OneBox {
 public:
  explicit OneBox(std::size_t length) : memory_(length + 1, 0), box_(std::span(memory_).first(length)) {
    memory_.back() = 42;
  }
  ~OneBox() { EXPECT_EQ(memory_.back(), 42) << "wrote past its memory"; }
  OneBox(const OneBox&) = delete;
  OneBox& operator=(const OneBox&) = delete;

  float push(std::int32_t q) {
    if (++pushes_ % Box::kMostPushes == 0) box_.carry();
    return box_.push(q, *box_.ring().place());
  }
  void reset() { box_.reset(); }

 private:
  std::vector<std::int32_t> memory_;
  Box box_;
  std::size_t pushes_ = 0;
};

/// The sums of the last `length`, in 64 bits, and the least value among them.
struct Wanted {
  std::vector<std::int64_t> sum;
  std::vector<std::int32_t> least;
};
Wanted by_brute_force(const std::vector<std::int32_t>& values, std::size_t length) {
  Wanted wanted;
  for (std::size_t n = 0; n < values.size(); ++n) {
    std::int64_t sum = 0;
    std::int32_t least = n + 1 < length ? 0 : kMost;
    for (std::size_t k = 0; k < std::min(length, n + 1); ++k) {
      sum += values[n - k];
      least = std::min(least, values[n - k]);
    }
    wanted.sum.push_back(sum);
    wanted.least.push_back(least);
  }
  return wanted;
}
/// Values of every size, and long runs of one that is hard to round.
std::vector<std::int32_t> hostile(std::size_t count, unsigned seed) {
  std::mt19937 rng(seed);
  std::vector<std::int32_t> values;
  while (values.size() < count) {
    const std::size_t run = rng() % 3 == 0 ? 90 : 1;
    const auto value = static_cast<std::int32_t>(rng() % 4 == 0 ? kMost - rng() % 3 : (rng() % kMost) >> rng() % 31);
    values.insert(values.end(), run, value);
  }
  values.resize(count);
  return values;
}

TEST(BoxMean, IsNeverBelowTheLeastAndNextToTheExactMean) {
  std::size_t below_without = 0;
  for (std::size_t length = 1; length <= 80; ++length) {
    const std::vector<std::int32_t> values = hostile(900, static_cast<unsigned>(length));
    const Wanted wanted = by_brute_force(values, length);
    OneBox box(length);
    for (std::size_t n = 0; n < values.size(); ++n) {
      const float sum = box.push(values[n]), mean = sum * Box::factor(length);
      ASSERT_GE(mean, static_cast<float>(wanted.least[n])) << length << ", value " << n;
      ASSERT_GE(to_int<1>(mean), wanted.least[n]) << length << ", value " << n;
      const double exact = static_cast<double>(wanted.sum[n]) / static_cast<double>(length);
      ASSERT_LE(static_cast<double>(mean), exact * (1 + 0x1p-20)) << length << ", value " << n;
      ASSERT_GE(static_cast<double>(mean), exact) << "of each mean, too";
      below_without += to_int<1>(sum * (1.0f / static_cast<float>(length))) < wanted.least[n] ? 1 : 0;
    }
  }
  EXPECT_GT(below_without, 100u) << "the control: with a factor that is not enlarged it is below";
}
TEST(BoxMean, HoldsTheGreatestSums) {
  for (const std::size_t length : {std::size_t{4097}, Box::kMostLength - 1, Box::kMostLength}) {
    OneBox box(length);
    float mean = 0;
    for (std::size_t n = 0; n < 2 * length; ++n) mean = box.push(kMost) * Box::factor(length);
    EXPECT_GE(to_int<1>(mean), kMost) << length;
    for (std::size_t n = 0; n < length; ++n) mean = box.push(0) * Box::factor(length);
    EXPECT_EQ(mean, 0.0f) << "exactly, " << length;
  }
}
TEST(BoxMean, IsAFunctionOfTheLastValuesAlone) {
  for (const std::size_t length : {std::size_t{1}, std::size_t{13}, std::size_t{64}, std::size_t{1000}}) {
    OneBox old(length), fresh(length);
    for (const std::int32_t q : hostile(100'003, 5)) old.push(q);
    for (std::size_t n = 0; n < length; ++n) old.push(0);
    for (const std::int32_t q : hostile(3000, 6)) ASSERT_EQ(old.push(q), fresh.push(q)) << length;
    old.reset();
    fresh.reset();
    for (const std::int32_t q : hostile(500, 7)) ASSERT_EQ(old.push(q), fresh.push(q)) << "after reset, " << length;
  }
}
TEST(BoxMean, LanesOfTheirOwnLengthsHaveTheBitsOfOneLane) {
  constexpr std::size_t kLengths[] = {20, 1, 7, 19};
  std::vector<PackInt<4>> memory(20);
  BoxMean<4> wide{std::span(memory)};
  std::vector<std::vector<std::int32_t>> values;
  OneBox one(kLengths[0]), two(kLengths[1]), three(kLengths[2]), four(kLengths[3]);
  OneBox* const alone[] = {&one, &two, &three, &four};
  for (unsigned l = 0; l < 4; ++l) values.push_back(hostile(2000, 20 + l));
  for (std::size_t n = 0; n < 2000; ++n) {
    if ((n + 1) % Box::kMostPushes == 0) wide.carry();
    PackInt<4> q{}, leaves{};
    for (std::size_t l = 0; l < 4; ++l) {
      q[l] = values[l][n];
      leaves[l] = (*wide.ring().before(kLengths[l]))[l];
    }
    const Pack<4> sum = wide.push(q, leaves);
    for (std::size_t l = 0; l < 4; ++l) ASSERT_EQ(sum[l], alone[l]->push(values[l][n])) << "lane " << l << ", " << n;
  }
}
}  // namespace
