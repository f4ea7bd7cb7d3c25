// Must hold: what limited.hpp says, from both sides of its thresholds.
#include "harness/tune/limited.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <numbers>

#include "harness/analysis/decibels.hpp"
#include "tests/harness/demo_rig.hpp"

namespace rackproof::tune {
namespace {

constexpr double kRate = 48000;

/// A sine so far over the threshold of the horn of the demo rig, in every feed.
Recording sine(const CompiledRig& rig, double over_dbfs, double seconds, double hz = 4000) {
  const OutputPlan& horn = rig.outputs.back();
  Recording sent{"sine.wav", kRate, {}};
  const double amplitude = analysis::ratio_from_db(over_dbfs - horn.gain_db);
  for (std::size_t n = 0; n < static_cast<std::size_t>(seconds * kRate); ++n)
    sent.samples.push_back(amplitude * std::sin(2 * std::numbers::pi * hz / kRate * static_cast<double>(n)));
  return sent;
}

constexpr auto kAll = [](const OutputPlan&) { return true; };

TEST(Limited, NamesTheOutputThatHoldsAndHowMuch) {
  const CompiledRig rig = compile(test::demo_rig("two-way-top.toml"));
  const OutputPlan& horn = rig.outputs.back();
  ASSERT_EQ(horn.way, "high");
  // 4 kHz lies where the horn's path is flat within 0.5 dB. Far below the peak threshold, and 6 dB above it, so briefly
  // that the power limiter does not take over.
  EXPECT_FALSE(held_of(rig, sine(rig, horn.limit_dbfs_peak - 30, 1), kAll));
  const auto loud = held_of(rig, sine(rig, horn.limit_dbfs_peak + 6, 0.1), kAll);
  ASSERT_TRUE(loud);
  EXPECT_EQ(loud->output.substr(0, 5), "high.");
  // 6 dB but for the beginning: latency, look-ahead and onset are a tenth of it.
  EXPECT_GT(loud->peak_mean_db, 4.5);
  EXPECT_LT(loud->peak_mean_db, 6.5);
  const auto but_the_horn = [](const OutputPlan& plan) { return plan.way != "high"; };
  EXPECT_FALSE(held_of(rig, sine(rig, horn.limit_dbfs_peak + 6, 0.1), but_the_horn)) << "it was muted";
}

TEST(Limited, PowerCountsWhereverItIsHeldAtAll) {
  const CompiledRig rig = compile(test::demo_rig("two-way-top.toml"));
  const OutputPlan& horn = rig.outputs.back();
  // The threshold is an RMS; a sine at that RMS has its peak 3.01 dB above. What the power limiter needs is time.
  const double at_dbfs = 20 * std::log10(*horn.thermal_volts_rms / horn.full_scale_volts_peak) + 3.01;
  ASSERT_LT(at_dbfs + 2, horn.limit_dbfs_peak) << "the peak limiter is not met";
  EXPECT_FALSE(held_of(rig, sine(rig, at_dbfs - 1, 8), kAll));
  const auto hot = held_of(rig, sine(rig, at_dbfs + 2, 8), kAll);
  ASSERT_TRUE(hot);
  EXPECT_LT(hot->peak_mean_db, 0.3);
  EXPECT_GT(hot->power_most_db, 1);
}

TEST(Limited, NothingIsSaidOfAnotherSampleRateOrOfNothing) {
  const CompiledRig rig = compile(test::demo_rig("two-way-top.toml"));
  Recording loud = sine(rig, 20, 1);
  EXPECT_TRUE(held_of(rig, loud, kAll));
  loud.sample_rate_hz = 44100;
  EXPECT_FALSE(held_of(rig, loud, kAll));
  EXPECT_FALSE(held_of(rig, {"nothing.wav", kRate, {}}, kAll));
}

}  // namespace
}  // namespace rackproof::tune
