// Must hold: the claim at the top of converter_codes.hpp, against codes of two's complement worked by hand.
#include "harness/part/converter_codes.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

#include "harness/firmware/sources.hpp"

namespace rackproof::firmware {
namespace {

struct HandWorked {
  float sample;
  std::uint32_t right, left;
};
constexpr float kLsb = 0x1p-23f;
// 24 bits: the greatest code is 0x7fffff = 2^23 - 1, the least 0x800000 = -2^23, one step below 0 is 0xffffff.
constexpr HandWorked kExact[] = {{0.0f, 0x00000000, 0x00000000},  {kLsb, 0x00000001, 0x00000100},
                                 {-kLsb, 0xffffffff, 0xffffff00}, {0.5f, 0x00400000, 0x40000000},
                                 {-0.5f, 0xffc00000, 0xc0000000}, {1.0f - kLsb, 0x007fffff, 0x7fffff00},
                                 {-1.0f, 0xff800000, 0x80000000}};
// Between two codes it is the one nearer to 0, at half-way too; what is out of range is held; no number is 0.
constexpr float kInfinity = std::numeric_limits<float>::infinity();
constexpr HandWorked kHeld[] = {{0.5f * kLsb, 0x00000000, 0x00000000},
                                {-0.5f * kLsb, 0x00000000, 0x00000000},
                                {1.5f * kLsb, 0x00000001, 0x00000100},
                                {-1.5f * kLsb, 0xffffffff, 0xffffff00},
                                {0x1.fffffep-1f, 0x007fffff, 0x7fffff00},
                                {1.0f, 0x007fffff, 0x7fffff00},
                                {63.0f, 0x007fffff, 0x7fffff00},
                                {-1.0f - 0x1p-22f, 0xff800000, 0x80000000},
                                {-63.0f, 0xff800000, 0x80000000},
                                {kInfinity, 0x007fffff, 0x7fffff00},
                                {-kInfinity, 0xff800000, 0x80000000},
                                {std::numeric_limits<float>::quiet_NaN(), 0, 0},
                                {0x1p-140f, 0, 0}};

TEST(ConverterCodes, AreThoseWorkedByHand) {
  for (const HandWorked& one : kExact) {
    EXPECT_EQ(word_of(one.sample, Justified::right), one.right) << one.sample;
    EXPECT_EQ(word_of(one.sample, Justified::left), one.left) << one.sample;
    EXPECT_EQ(sample_of(one.right, Justified::right), one.sample);
    EXPECT_EQ(sample_of(one.left, Justified::left), one.sample);
  }
  for (const HandWorked& one : kHeld) {
    EXPECT_EQ(word_of(one.sample, Justified::right), one.right) << one.sample;
    EXPECT_EQ(word_of(one.sample, Justified::left), one.left) << one.sample;
  }
}
TEST(ConverterCodes, WhatStandsBesideTheCodeIsNotRead) {
  EXPECT_EQ(sample_of(0x00ffffff, Justified::right), -kLsb) << "no sign above it";
  EXPECT_EQ(sample_of(0x5a7fffff, Justified::right), 1.0f - kLsb);
  EXPECT_EQ(sample_of(0xa5800000, Justified::right), -1.0f);
  EXPECT_EQ(sample_of(0x000001ff, Justified::left), kLsb);
  EXPECT_EQ(sample_of(0xffffffff, Justified::left), -kLsb);
}
TEST(ConverterCodes, ASampleThatCameFromACodeGivesThatCode) {
  for (std::uint32_t code = 0; code < 0x1000000u; code += 251) {  // a prime: all low bits come by
    const std::uint32_t signed_code = code < 0x800000u ? code : code | 0xff000000u;
    ASSERT_EQ(word_of(sample_of(code, Justified::right), Justified::right), signed_code) << code;
    ASSERT_EQ(word_of(sample_of(code << 8, Justified::left), Justified::left), code << 8) << code;
  }
}
TEST(ConverterCodes, NoCodePassesTheCeilingOfItsSample) {
  bool other_does = false;
  for (std::uint32_t n = 1; n < 20000; ++n) {
    const float sample = -0x1p-9f - static_cast<float>(n) * 0x1p-30f;
    for (const Justified justified : {Justified::right, Justified::left})
      ASSERT_LE(std::abs(sample_of(word_of(sample, justified), justified)), std::abs(sample)) << n;
    // The control: 32 bits of which a converter drops 8.
    const auto word = static_cast<std::uint32_t>(static_cast<std::int32_t>(sample * 0x1p31f));
    other_does = other_does || std::abs(sample_of(word, Justified::left)) > std::abs(sample);
  }
  EXPECT_TRUE(other_does);
}
TEST(ConverterCodes, WrittenRightAndTakenLeftIsQuietAndTheOtherWayRoundIsNot) {
  float other = 0.0f;
  for (std::int32_t n = -20000; n <= 20000; ++n) {
    const float sample = static_cast<float>(n) * 0x1p-14f;  // beyond full scale too, and between codes
    const float taken = sample_of(word_of(sample, Justified::right), Justified::left);
    const float held = std::clamp(sample, -1.0f, 1.0f);
    ASSERT_LE(std::abs(taken), std::abs(held) / 256 + kLsb) << sample;
    if (std::abs(sample) <= 0.01f)
      other = std::max(other, std::abs(sample_of(word_of(sample * 0.987f, Justified::left), Justified::right)));
  }
  EXPECT_GT(other, 0.9f) << "a peak of 0.01";
}
TEST(ConverterCodes, TheExampleBeginsWithTheQuietOne) {
  EXPECT_THAT(source("harness/part/example.cpp"), testing::HasSubstr("kJustified = firmware::Justified::right;"));
}
TEST(ConverterCodes, SlotsOfAFrameGoToTheirRows) {
  std::array<std::uint32_t, 24> words{};  // three frames of eight slots
  for (std::uint32_t w = 0; w < words.size(); ++w) words[w] = (w + 1) << 8;
  std::array<float, 4> a{}, b{};
  a[3] = b[3] = 9.0f;  // fences
  const std::array<float*, 2> rows{a.data(), b.data()};
  samples_of_slots(words, {5, 8}, Justified::left, rows, 3);
  EXPECT_EQ(a, (std::array<float, 4>{6 * kLsb, 14 * kLsb, 22 * kLsb, 9.0f}));
  EXPECT_EQ(b, (std::array<float, 4>{7 * kLsb, 15 * kLsb, 23 * kLsb, 9.0f}));
  std::array<std::uint32_t, 24> back;
  back.fill(0xdead);
  const std::array<const float*, 2> from{a.data(), b.data()};
  slots_of_samples(from, {5, 8}, Justified::left, back, 3);
  for (std::size_t w = 0; w < back.size(); ++w) EXPECT_EQ(back[w], w % 8 == 5 || w % 8 == 6 ? words[w] : 0xdeadu) << w;
}

}  // namespace
}  // namespace rackproof::firmware
