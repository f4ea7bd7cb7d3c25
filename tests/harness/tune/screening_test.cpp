// Must hold: a recording that ran out of numbers is told from one that did not, whatever was sent; crests that are flat
// because the wave is, and flat tops that were sent and that a wire hands on, are no clipping. The thresholds from both
// sides.
#include "harness/tune/screening.hpp"

#include <gmock/gmock.h>

#include <algorithm>
#include <cmath>

#include "harness/analysis/decibels.hpp"
#include "tests/harness/refusal.hpp"
#include "tests/harness/tune/rig_in_a_field.hpp"

namespace rackproof::tune {
namespace {

using testing::HasSubstr;

std::string refused(const std::vector<double>& captured, const std::vector<double>& sent, double rate = kRate) {
  return test::refusal_of([&] { screen_captured({"seat.wav", rate, captured}, {"sent.wav", kRate, sent}); });
}
std::vector<double> clamped(std::vector<double> wave, double ceiling) {
  for (double& x : wave) x = std::clamp(x, -ceiling, ceiling);
  return wave;
}
std::vector<double> scaled(std::vector<double> wave, double gain) {
  for (double& x : wave) x *= gain;
  return wave;
}

TEST(Screening, FlatTopsAreClippingAndCrestsAreNot) {
  // 16 bits, 20 Hz: six samples at the crest are the same number, and no converter ran out.
  std::vector<double> slow = stimuli::take(stimuli::sine({20, 1.0}, kRate), 48000);
  for (double& x : slow) x = std::round(x * 32767) / 32768;
  EXPECT_EQ(flat_tops(slow), 0u);
  EXPECT_EQ(flat_tops(clamped(slow, 0.9)), 40u);
  EXPECT_EQ(flat_tops({}), 0u);
}
// Three samples that stand still and a step are a flat top; two are none, and three without a step are none.
TEST(Screening, AFlatTopIsThreeSamplesAndAStep) {
  EXPECT_EQ(flat_tops(std::vector<double>{0, 0.5, 1, 1, 1, 0.5, 0, -0.5}), 1u);
  EXPECT_EQ(flat_tops(std::vector<double>{0, 0.5, 1, 1, 0.5, 0, -0.5}), 0u);
  EXPECT_EQ(flat_tops(std::vector<double>{0, 0.9998, 1, 1, 1, 0.9998, 0, -0.5}), 0u);
}
// A wire hands on what was sent with its crests cut: that is no clipping of the recorder, at any gain of the wire.
TEST(Screening, AWireHandsOnFlatTopsThatWereSent) {
  const std::vector<double> sent = clamped(noise_sent(2), 0.15);
  ASSERT_GT(flat_tops(sent), 100u);
  for (const double gain : {1.0, -0.5, 3.0}) EXPECT_EQ(refused(scaled(sent, gain), sent), "taken") << gain;
  // The control: the same tops in a recording of what was sent without any.
  EXPECT_THAT(refused(sent, noise_sent(2)), HasSubstr("clipped"));
}
TEST(Screening, TheLevelFromBothSides) {
  const std::vector<double> sent = noise_sent(2);
  double power = 0;
  for (const double x : sent) power += x * x / static_cast<double>(sent.size());
  const auto at = [&](double dbfs) { return scaled(sent, analysis::rms_from_dbfs(dbfs) / std::sqrt(power)); };
  EXPECT_THAT(refused(at(-75.1), sent), HasSubstr("too quiet"));
  EXPECT_EQ(refused(at(-74.9), sent), "taken");
  const auto doubt = [&](double dbfs) { return screen_captured({"seat.wav", kRate, at(dbfs)}, {"s", kRate, sent}); };
  EXPECT_THAT(doubt(-60.1), HasSubstr("faint"));
  EXPECT_EQ(doubt(-59.9), "");
  std::vector<double> full = at(-30);
  full[100] = 0.9994;
  EXPECT_EQ(screen_captured({"seat.wav", kRate, full}, {"s", kRate, sent}), "");
  full[100] = 0.9996;
  EXPECT_THAT(screen_captured({"seat.wav", kRate, full}, {"s", kRate, sent}), HasSubstr("full scale"));
}
TEST(Screening, HalfASecondIsTheLeast) {
  const std::vector<double> sent = noise_sent(2);
  EXPECT_EQ(refused({sent.begin(), sent.begin() + 24000}, sent), "taken");
  EXPECT_THAT(refused({sent.begin(), sent.begin() + 23999}, sent), HasSubstr("too short"));
  EXPECT_THAT(refused(sent, sent, 44100), HasSubstr("44100 Hz"));
}
TEST(Screening, WhatIsActiveIsWithinSixtyDecibelsOfThePeak) {
  EXPECT_EQ(active_stretch(std::vector<double>{0, 0, 1e-4, 1, 0.5, 1e-4, 0}).begin, 3u);
  EXPECT_EQ(active_stretch(std::vector<double>{0, 0, 1e-4, 1, 0.5, 1e-4, 0}).size(), 2u);
  EXPECT_EQ(active_stretch(std::vector<double>{0, 0, 1.1e-3, 1, 0.5, 0.9e-3, 0}).size(), 3u);
  EXPECT_EQ(active_stretch(std::vector<double>(9, 0.0)).size(), 0u);
}

}  // namespace
}  // namespace rackproof::tune
