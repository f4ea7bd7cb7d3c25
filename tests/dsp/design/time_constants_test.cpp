// Must hold: an exponential runs down to 1/e in its time constant, whether it steps by the sample or by the grid; what
// is out of range is refused and nothing is written.
#include "dsp/design/time_constants.hpp"

#include <gtest/gtest.h>

#include "tests/dsp/design/design_reference.hpp"

namespace rackproof::dsp {
namespace {

TEST(TimeConstants, OneOverEIsReachedAfterTheTime) {
  for (const double fs : reference::kSampleRates)
    for (const double time : {0.001, 0.1, 1.0, 3.0}) {
      float keep = 0, forget = 0;
      ASSERT_TRUE(keep_per_sample(time, fs, keep));
      ASSERT_TRUE(forget_per_grid(time, fs, forget));
      // A rounding of 2^-25 in each of time * fs steps.
      EXPECT_NEAR(std::pow(static_cast<double>(keep), time * fs), std::exp(-1.0), 0.37 * time * fs * 3e-8 + 1e-12);
      EXPECT_NEAR(std::pow(1 - static_cast<double>(forget), time * fs / kGridFrames), std::exp(-1.0), 1e-7);
    }
}

TEST(TimeConstants, NoTimeKeepsNothingAndForgetsAll) {
  float keep = 1, forget = 0;
  EXPECT_TRUE(keep_per_sample(0, 48000, keep));
  EXPECT_TRUE(forget_per_grid(0, 48000, forget));
  EXPECT_EQ(keep, 0.0f);
  EXPECT_EQ(forget, 1.0f);
}

TEST(TimeConstants, DistanceIsTimeIsSamples) {
  double speed = 0, time = 0, samples = 0;
  ASSERT_TRUE(speed_of_sound_m_per_s(20, speed));
  EXPECT_DOUBLE_EQ(speed, 343.42);  // 331.3 + 0.606 * 20
  ASSERT_TRUE(travel_time_s(34.342, 20, time));
  EXPECT_NEAR(time, 0.1, 1e-15);
  ASSERT_TRUE(samples_in(time, 48000, samples));
  EXPECT_NEAR(samples, 4800, 1e-9);
  EXPECT_TRUE(travel_time_s(0, 20, time));
  EXPECT_EQ(time, 0);
}

TEST(TimeConstants, WhatIsOutOfRangeIsRefusedAndNothingWritten) {
  const double nan = std::nan(""), infinite = std::numeric_limits<double>::infinity();
  float single = 42;
  double wide = 42;
  for (const double time : {-1e-9, nan, infinite}) {
    EXPECT_FALSE(keep_per_sample(time, 48000, single)) << time;
    EXPECT_FALSE(forget_per_grid(time, 48000, single)) << time;
    EXPECT_FALSE(samples_in(time, 48000, wide)) << time;
    EXPECT_FALSE(travel_time_s(time, 20, wide)) << time;
  }
  for (const double fs : {0.0, -1.0, nan, infinite}) {
    EXPECT_FALSE(keep_per_sample(1, fs, single)) << fs;
    EXPECT_FALSE(forget_per_grid(1, fs, single)) << fs;
    EXPECT_FALSE(samples_in(1, fs, wide)) << fs;
  }
  EXPECT_FALSE(keep_per_sample(200, 192000, single)) << "rounds to 1: would never let go";
  EXPECT_FALSE(forget_per_grid(1e40, 192000, single));
  for (const double degrees : {-600.0, nan, infinite}) {
    EXPECT_FALSE(speed_of_sound_m_per_s(degrees, wide)) << degrees;
    EXPECT_FALSE(travel_time_s(1, degrees, wide)) << degrees;
  }
  EXPECT_EQ(single, 42);
  EXPECT_EQ(wide, 42);
  EXPECT_TRUE(keep_per_sample(100, 192000, single)) << "the control";
}

}  // namespace
}  // namespace rackproof::dsp
