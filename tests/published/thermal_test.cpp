// Heating and RMS against published figures and textbook arithmetic.
#include <gtest/gtest.h>

#include <cmath>
#include <numbers>
#include <vector>

#include "dsp/design/time_constants.hpp"
#include "harness/analysis/decibels.hpp"
#include "harness/proof/proof.hpp"
#include "harness/proof/thermal_model.hpp"

namespace rackproof::proof {
namespace {

// "Power compression", encyclopaedia article: copper from 20 to 200 degC has 72 % more resistance and gives about
// 4.7 dB less output. With alpha = 0.00393/K (from memory) 180 K make x1.7074 and 4.647 dB; tolerance 0.1 dB.
TEST(PublishedHeating, CopperAt200DegreesLosesFourPointSevenDecibels) {
  EXPECT_NEAR(1 + CoilModel::kCopperPerKelvin * 180, 1.72, 0.015);
  EXPECT_NEAR(CoilModel::level_lost_db(180), 4.7, 0.1);
  EXPECT_NEAR(CoilModel::level_lost_db(180), 4.647, 5e-4);
}

// First-order step, textbook: after 1, 2 and 3 time constants 63.212, 86.466 and 95.021 % of the end. Both poles of the
// model are such; at a power so small that the wire's resistance does not move, and before the motor counts for much.
TEST(PublishedHeating, ACoilRisesAsAFirstOrderStep) {
  rig::Driver driver;
  driver.continuous_power_watts = 1e6;
  driver.impedance_ohm = 8;
  driver.thermal_time_s = 2;
  const double end = CoilModel::kRiseAtRatingKelvin *
                     (1 + CoilModel::kCopperPerKelvin * CoilModel::kRiseAtRatingKelvin) * 8.0 /
                     (driver.continuous_power_watts * 8);  // at 8 square volts
  const double shares[] = {0.63212, 0.86466, 0.95021};
  for (int taus = 1; taus <= 3; ++taus) {
    CoilModel coil(driver);
    coil.step(8, taus * driver.thermal_time_s);
    const double motor = (1 - CoilModel::kCoilShare) * end * -std::expm1(-taus * 2.0 / CoilModel::kMotorTime_s);
    EXPECT_NEAR((coil.rise_kelvin() - motor) / (CoilModel::kCoilShare * end), shares[taus - 1], 1e-4) << taus;
  }
}

// An RMS detector of one pole on the mean square, on a tone step (arithmetic on 1 - e^(-t/tau)): it reads -1.9920,
// -0.6315 and -0.0294 dB after 1, 2 and 5 time constants. The heat that a chain's meter reads is such a detector.
TEST(PublishedHeating, TheHeatOfAChainGoesUpAsAnRmsDetectorDoes) {
  constexpr double kRate = 48000, kTau_s = 1;
  dsp::FeedSettings feed;
  dsp::OutputSettings output;
  output.power.enabled = true;
  output.power.threshold_rms = 10;
  output.peak.true_peak = false;
  ASSERT_TRUE(dsp::forget_per_grid(kTau_s, kRate, output.power.forget));
  dsp::LoudspeakerSettings loudspeaker;
  dsp::ChainSettings settings;
  settings.feeds = std::span(&feed, 1);
  settings.loudspeakers = std::span(&loudspeaker, 1);
  settings.outputs = std::span(&output, 1);
  const std::unique_ptr<Device> device = make_chain(settings);
  struct Row {
    double seconds, level_db;
  };
  std::size_t done = 0;
  for (const Row& row : {Row{1, -1.9920}, Row{2, -0.6315}, Row{5, -0.0294}}) {
    std::vector<float> in(static_cast<std::size_t>(row.seconds * kRate) - done);
    for (std::size_t n = 0; n < in.size(); ++n)
      in[n] = static_cast<float>(std::sin(2 * std::numbers::pi * 1000 * static_cast<double>(done + n) / kRate));
    done += in.size();
    const float* from = in.data();
    float* to = in.data();
    device->process({&from, 1}, {&to, 1}, in.size());
    const double level = static_cast<double>(device->take_meter(0).heat_mean_square) / 0.5;
    // It counts by cells of 64 frames: half of one too much, 64 / 48000 / 2 of it, 0.003 dB.
    EXPECT_NEAR(analysis::db_from_ratio(std::sqrt(level)), row.level_db, 0.004) << row.seconds;
  }
}

}  // namespace
}  // namespace rackproof::proof
