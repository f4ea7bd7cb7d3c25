// Must hold: every level of a channel is the arithmetic that its definition says, for every branch of it. Worked values
// come with their source; each is within half a unit of the last digit that the source gives.
#include "harness/calibration/levels.hpp"

#include <gmock/gmock.h>

#include <algorithm>
#include <random>

#include "a_rig.hpp"
#include "harness/calibration/compile.hpp"

namespace rackproof {
namespace {

using std::numbers::sqrt2;

OutputPlan plan_of(const rig::Rig& rig) { return compile(rig).outputs.at(0); }

// Textbook arithmetic: V = sqrt(P R), peak = sqrt(2) V; in = V / gain; ceiling = dBu(in) - dBu(0 dBFS).
TEST(Levels, RatedPowerToClipAndCeiling) {
  struct Case {
    double watts, ohm, gain_db, full_scale_dbu, clip_volts_peak, clip_in_dbu, clip_dbfs;
  };
  for (const Case& c :
       {Case{1000, 8, 32, 18, 126.4911, 9.2494, -8.7506}, Case{500, 4, 26, 24, 63.2456, 9.2288, -14.7712},
        Case{2400, 4, 35, 22, 138.5641, 7.0412, -14.9588}}) {
    const OutputPlan plan = plan_of(one_way(an_amplifier("amp", {{c.watts, c.ohm}}, c.gain_db),
                                            a_driver("d", c.ohm, c.watts / 2), c.full_scale_dbu));
    EXPECT_NEAR(plan.clip_volts_peak, c.clip_volts_peak, 5e-5);
    EXPECT_NEAR(plan.clip_dbfs_peak, c.clip_dbfs, 5e-5);
    EXPECT_NEAR(
        analysis::dbu_from_volts(plan.clip_volts_peak / sqrt2 / analysis::ratio_from_db(plan.amplifier_gain_db)),
        c.clip_in_dbu, 5e-5);
    EXPECT_NEAR(plan.limit_dbfs_peak, c.clip_dbfs - 2, 5e-5);
    EXPECT_NEAR(plan.limit_volts_peak, c.clip_volts_peak * std::pow(10, -0.1), 1e-4);
  }
}

// Worked examples on two public pages on amplifier sensitivity (rounded there: 16 W, 8 ohm, 0.6 V gives 11.3 V and
// 25.5 dB; 130 W, 8 ohm, 0.7 V gives 33.2 dB; 200 W, 8 ohm, 32 dB needs 1 V); digits by G = 20 log10(sqrt(P R) / V).
TEST(Levels, GainFromSensitivityOfTheFirstRating) {
  for (const auto& [watts, volts, gain_db] :
       {std::tuple{200.0, 1.0, 32.0412}, {16.0, 0.6, 25.5091}, {130.0, 0.7, 33.2684}, {800.0, 1.4, 35.1392}}) {
    rig::Amplifier amplifier = an_amplifier("amp", {{watts, 8}, {watts * 1.6, 4}}, 0);
    amplifier.gain_db.reset();
    amplifier.sensitivity_volts_rms = volts;
    EXPECT_NEAR(amplifier_gain_db(amplifier), gain_db, 5e-5);
    std::reverse(amplifier.ratings.begin(),
                 amplifier.ratings.end());  // negative control: the first counts, not the best
    EXPECT_NEAR(amplifier_gain_db(amplifier), gain_db + 10 * std::log10(1.6 / 2), 1e-4);
  }
}

// "Each amplifier sees half the load": read in an encyclopaedia mirror on bridge-tied loads. By P = V^2 / R: 500 W at
// 4 ohm is 63.2456 V peak a side, so the two make 126.491 V peak, 89.4427 V RMS, 1000 W into 8 ohm.
TEST(Levels, BridgedIsTwiceTheVoltsAtHalfTheLoad) {
  rig::Rig rig = one_way(an_amplifier("amp", {{300, 8}, {500, 4}}, 32), a_driver("d", 8, 1000));
  const OutputPlan one_side = plan_of(rig);
  EXPECT_NEAR(one_side.clip_volts_peak, std::sqrt(2 * 300 * 8), 1e-9);  // not bridged: 8 ohm looks up 8 ohm
  rig.amplifiers[0].bridged = true;
  const OutputPlan plan = plan_of(rig);
  EXPECT_EQ(plan.load_ohm, 8);
  EXPECT_EQ(plan.rating_ohm, 4);
  EXPECT_NEAR(plan.clip_volts_peak, 126.491, 5e-4);
  EXPECT_NEAR(plan.amplifier_gain_db, 32 + 6.0206, 5e-5);
  // sqrt(2 500 4) = 63.2456 V a side at 32 dB: the dBFS of the bridge are those of one side.
  EXPECT_NEAR(plan.clip_dbfs_peak, 20 * std::log10(63.2456 / (sqrt2 * volts_of_dbu(18) * std::pow(10, 1.6))), 1e-5);
  rig.ways[0].drivers = 2;  // 4 ohm: 2 ohm a side, which no rating covers
  EXPECT_THAT(compile(rig).warnings, testing::Contains(testing::Field(&Warning::code, "load-below-rating")));
}

// The same amplifier by the plate's two printings. A bridge of two sides of 500 W at 4 ohm makes 2 x 44.7214 =
// 89.4427 V RMS, 1000 W into 8 ohm, and 6.0206 dB more gain than a side: P = V^2 / R.
TEST(Levels, AsPrintedForBridgedUseNothingIsDoubled) {
  rig::Rig sides = one_way(an_amplifier("amp", {{300, 8}, {500, 4}}, 32), a_driver("d", 8, 1000));
  sides.amplifiers[0].bridged = true;
  sides.amplifiers[0].rated = rig::Rated::per_side;
  rig::Rig bridge = one_way(an_amplifier("amp", {{1000, 8}}, 32 + 20 * std::log10(2.0)), a_driver("d", 8, 1000));
  bridge.amplifiers[0].bridged = true;
  bridge.amplifiers[0].rated = rig::Rated::bridged;
  const OutputPlan by_side = plan_of(sides), as_printed = plan_of(bridge);
  EXPECT_EQ(as_printed.rating_ohm, 8);  // looked up at the channel's own load
  EXPECT_NEAR(as_printed.clip_volts_peak, 126.491, 5e-4);
  EXPECT_NEAR(as_printed.clip_volts_peak, by_side.clip_volts_peak, 1e-9);
  EXPECT_NEAR(as_printed.amplifier_gain_db, by_side.amplifier_gain_db, 1e-9);
  EXPECT_NEAR(as_printed.limit_dbfs_peak, by_side.limit_dbfs_peak, 1e-9);
  // As sensitivity: what drives the bridge to the first rating, as written.
  bridge.amplifiers[0].gain_db.reset();
  bridge.amplifiers[0].sensitivity_volts_rms = 1.0;
  EXPECT_NEAR(plan_of(bridge).amplifier_gain_db, 20 * std::log10(89.4427), 1e-5);
  // The control: the same figures taken for those of one side stand 6 dB too high.
  bridge.amplifiers[0].rated = rig::Rated::per_side;
  EXPECT_NEAR(analysis::db_from_ratio(plan_of(bridge).clip_volts_peak / as_printed.clip_volts_peak), 6.0206, 5e-5);
  // Not said counts as per side.
  sides.amplifiers[0].rated = rig::Rated::unsaid;
  EXPECT_EQ(plan_of(sides).clip_volts_peak, by_side.clip_volts_peak);
}

// 8 + 8 = 16 ohm, and each of two has half the volts (textbook): a driver that takes sqrt(350 x 8) = 52.915 V RMS
// allows 105.830 V at the output, and one that takes sqrt(1400 x 8) = 105.830 V of peaks allows 211.660 V.
TEST(Levels, DriversInSeriesRaiseTheLoadAndShareTheVolts) {
  rig::Rig rig = one_way(an_amplifier("amp", {{2000, 16}, {4000, 8}}, 32), a_driver("d", 8, 350, 1400));
  rig.ways[0].drivers = 2;
  rig.ways[0].in_series = true;
  OutputPlan plan = plan_of(rig);
  EXPECT_EQ(plan.load_ohm, 16);
  EXPECT_EQ(plan.rating_watts, 2000);
  EXPECT_EQ(plan.driver_share, 0.5);
  EXPECT_NEAR(plan.driver_continuous_volts, 105.830, 5e-4);
  EXPECT_NEAR(*plan.thermal_volts_rms, 105.830 * analysis::ratio_from_db(-1), 5e-4);
  EXPECT_NEAR(plan.driver_peak_volts, 211.660, 5e-4);
  EXPECT_NEAR(plan.limit_volts_peak, std::sqrt(2.0 * 2000 * 16) * analysis::ratio_from_db(-2),
              1e-9);                       // 200.95 V: the amplifier's
  rig.drivers[0].peak_power_watts = 1200;  // 2 x sqrt(1200 x 8) = 195.96 V: now the driver's
  EXPECT_EQ(plan_of(rig).limited_by, LimitedBy::driver);
  EXPECT_NEAR(plan_of(rig).limit_volts_peak, 195.959, 5e-4);
  rig.ways[0].drivers = 1;  // one alone is the same either way
  const OutputPlan one = plan_of(rig);
  rig.ways[0].in_series = false;
  EXPECT_EQ(one.limit_volts_peak, plan_of(rig).limit_volts_peak);
  EXPECT_EQ(one.load_ohm, 8);
}

// 98 dB for 1 W (2.8284 V into 8 ohm): 56.5685 V RMS are 400 W, 26.0206 dB more; two that share one pressure field in
// phase 6.0206 dB more, in series with half the volts each 6.0206 dB less again. Arithmetic; that pressures of drivers
// close to one another add is common practice, no source.
TEST(Levels, LevelAtOneMetreIsSensitivityVoltsAndDrivers) {
  rig::Rig rig = one_way(an_amplifier("amp", {{4000, 4}, {3000, 8}, {2000, 16}}, 32), a_driver("d", 8, 1000, 800));
  EXPECT_FALSE(plan_of(rig).level_at_1m_db);
  EXPECT_FALSE(plan_of(rig).level_at_1m_per_volt_db);
  rig.drivers[0].sensitivity_db = 98;
  OutputPlan plan = plan_of(rig);  // 800 W of peaks are 80 V peak, 56.5685 V RMS
  EXPECT_NEAR(plan.limit_volts_peak, 80, 1e-9);
  EXPECT_NEAR(*plan.level_at_1m_db, 98 + 26.0206, 5e-5);
  EXPECT_NEAR(*plan.level_at_1m_per_volt_db, 98 - 20 * std::log10(std::sqrt(8)), 1e-9);
  rig.ways[0].drivers = 2;
  EXPECT_NEAR(*plan_of(rig).level_at_1m_db, 98 + 26.0206 + 6.0206, 1e-4);
  rig.ways[0].in_series = true;  // 160 V at the output, 80 V each
  EXPECT_NEAR(*plan_of(rig).level_at_1m_db, 98 + 26.0206 + 6.0206, 1e-4);
  EXPECT_NEAR(*plan_of(rig).level_at_1m_per_volt_db, 98 - 20 * std::log10(std::sqrt(8)), 1e-9);
}

// 8 || 8 = 4, 8 || 8 || 8 = 2.6667 ohm (textbook).
TEST(Levels, DriversInParallelLowerTheLoadAndKeepTheVolts) {
  rig::Rig rig = one_way(an_amplifier("amp", {{700, 8}, {1150, 4}, {1500, 8.0 / 3}}, 32), a_driver("d", 8, 350, 1400));
  for (const auto& [drivers, load, watts] : {std::tuple{1u, 8.0, 700.0}, {2u, 4.0, 1150.0}, {3u, 2.6667, 1500.0}}) {
    rig.ways[0].drivers = drivers;
    const OutputPlan plan = plan_of(rig);
    EXPECT_NEAR(plan.load_ohm, load, 5e-5);
    EXPECT_EQ(plan.rating_watts, watts);
    EXPECT_NEAR(*plan.thermal_volts_rms, std::sqrt(350 * 8) * analysis::ratio_from_db(-1), 1e-9);
    EXPECT_NEAR(plan.driver_peak_volts, std::sqrt(1400 * 8), 1e-9);
  }
}

TEST(Levels, TheRatingIsTheHighestLoadThatDoesNotExceedTheChannels) {
  const rig::Amplifier amplifier = an_amplifier("amp", {{1150, 4}, {700, 8}, {1600, 2}}, 32);
  for (const auto& [load, watts, below] : {std::tuple{16.0, 700.0, false},
                                           {8.0, 700.0, false},
                                           {7.99, 1150.0, false},
                                           {5.3333, 1150.0, false},
                                           {4.0, 1150.0, false},
                                           {3.0, 1600.0, false},
                                           {2.0, 1600.0, false},
                                           {1.99, 1600.0, true},
                                           {0.5, 1600.0, true}}) {
    const LookedUp found = look_up(amplifier, load);
    EXPECT_EQ(found.rating.power_watts, watts) << load;
    EXPECT_EQ(found.load_below_rating, below) << load;
  }
}

TEST(Levels, TheRatingIsTheDefinitionForEveryList) {
  std::mt19937 random(11);
  for (int round = 0; round < 2000; ++round) {
    rig::Amplifier amplifier;
    for (auto n = random() % 5 + 1; n > 0; --n) {
      amplifier.ratings.push_back({double(random() % 900 + 1), double(random() % 6 + 1)});
    }
    const double load = double(random() % 70) / 10 + 0.1;
    std::vector<rig::Rating> fit, all = amplifier.ratings;
    std::copy_if(all.begin(), all.end(), std::back_inserter(fit), [&](auto& r) { return r.load_ohm <= load; });
    double ohm = fit.empty() ? 1e9 : 0;
    for (const auto& r : fit.empty() ? all : fit)
      ohm = fit.empty() ? std::min(ohm, r.load_ohm) : std::max(ohm, r.load_ohm);
    double watts = 1e9;  // of two at the same load, the one that promises less
    for (const auto& r : all) watts = r.load_ohm == ohm ? std::min(watts, r.power_watts) : watts;
    const LookedUp found = look_up(amplifier, load);
    ASSERT_EQ(found.rating.load_ohm, ohm);
    ASSERT_EQ(found.rating.power_watts, watts);
    ASSERT_EQ(found.load_below_rating, fit.empty());
  }
}

// 400 W noise power, 8 ohm: 56.5685 V RMS; 32 dB, 0 dBFS = +18 dBu: -12.7300 dBFS (RMS against a full-scale sine, as in
// AES17). Arithmetic; to set the threshold there is common practice, no source.
TEST(Levels, ContinuousPowerToPowerThreshold) {
  rig::Rig rig = one_way(an_amplifier("amp", {{1000, 8}}, 32), a_driver("d", 8, 400));
  rig.ways[0].thermal->below_rating_db = 0;
  const CompiledRig made = compile(rig);
  EXPECT_NEAR(*made.outputs[0].thermal_volts_rms, 56.5685, 5e-5);
  EXPECT_NEAR(*made.outputs[0].thermal_dbfs_rms, -12.7300, 5e-5);
  // The core's measure is plain RMS, 0.7071 for that sine: 10^(-12.73/20) / sqrt(2) = 0.16328.
  EXPECT_NEAR(made.settings().outputs[0].power.threshold_rms, std::pow(10, -12.7300 / 20) / sqrt2, 1e-5);
  EXPECT_LE(double{made.settings().outputs[0].power.threshold_rms},
            *made.outputs[0].thermal_volts_rms / made.outputs[0].full_scale_volts_peak);
  rig.ways[0].thermal->below_rating_db = 3;
  EXPECT_NEAR(*plan_of(rig).thermal_dbfs_rms, -15.7300, 5e-5);
  rig.ways[0].thermal.reset();
  EXPECT_FALSE(plan_of(rig).thermal_volts_rms);
  EXPECT_FALSE(compile(rig).settings().outputs[0].power.enabled);
}

// A divider of -6.0206 dB halves what arrives (textbook). One that can be turned up is no protection.
TEST(Levels, OnlyAFixedAttenuatorCounts) {
  rig::Rig rig = one_way(an_amplifier("amp", {{1000, 8}}, 32), a_driver("d", 8, 400));
  rig.amplifiers[0].attenuator_db = -6;
  EXPECT_NEAR(plan_of(rig).clip_dbfs_peak, -8.7506, 5e-5);
  EXPECT_EQ(plan_of(rig).amplifier_gain_db, 32);
  rig.amplifiers[0].attenuator_fixed = true;
  EXPECT_NEAR(plan_of(rig).clip_dbfs_peak, -2.7506, 5e-5);
  EXPECT_EQ(plan_of(rig).amplifier_gain_db, 26);
  EXPECT_NEAR(plan_of(rig).clip_volts_peak, 126.4911, 5e-5);  // the clip itself does not move
}

TEST(Levels, TheLeastOfThreeLimits) {
  // 1000 W at 8 ohm: clip 126.491 V, 2 dB below 100.475 V. Full scale at 32 dB: 8.7018 V x 39.811 = 346.41 V.
  rig::Rig rig = one_way(an_amplifier("amp", {{1000, 8}}, 32), a_driver("d", 8, 400));
  EXPECT_EQ(plan_of(rig).limited_by, LimitedBy::amplifier);
  EXPECT_NEAR(plan_of(rig).limit_volts_peak, 100.475, 1e-3);
  EXPECT_NEAR(plan_of(rig).full_scale_volts_peak, 346.410, 1e-3);

  rig.drivers[0].peak_power_watts = 1300;  // sqrt(1300 x 8) = 101.980 V: above
  EXPECT_EQ(plan_of(rig).limited_by, LimitedBy::amplifier);
  rig.drivers[0].peak_power_watts = 1250;  // 100 V: below
  EXPECT_EQ(plan_of(rig).limited_by, LimitedBy::driver);
  EXPECT_NEAR(plan_of(rig).limit_volts_peak, 100, 1e-9);
  EXPECT_NEAR(plan_of(rig).limit_dbfs_peak, 20 * std::log10(100 / 346.41016), 1e-5);

  rig.amplifiers[0].gain_db = 20;  // full scale: 87.018 V, less than both
  EXPECT_EQ(plan_of(rig).limited_by, LimitedBy::converter);
  EXPECT_NEAR(plan_of(rig).limit_volts_peak, 87.014, 1e-3);
  EXPECT_EQ(plan_of(rig).limit_dbfs_peak, 0);
  EXPECT_EQ(compile(rig).settings().outputs[0].peak.ceiling, 1.0f);
}

TEST(Levels, WithoutALimiterTheThresholdIsClipItself) {
  rig::Rig rig = one_way(an_amplifier("amp", {{1000, 8}}, 32), a_driver("d", 8, 400, 800));
  rig.ways[0].limit.reset();
  const CompiledRig made = compile(rig);
  EXPECT_EQ(made.outputs[0].limit_volts_peak, made.outputs[0].clip_volts_peak);
  EXPECT_EQ(made.outputs[0].limit_dbfs_peak, made.outputs[0].clip_dbfs_peak);
  EXPECT_EQ(made.outputs[0].limited_by, LimitedBy::amplifier);
  EXPECT_FALSE(made.settings().outputs[0].peak.enabled);
}

/// The greatest single at or below the exact value, which is bracketed: the next one is above.
void expect_rounded_down(float threshold, double exact) {
  ASSERT_LE(static_cast<double>(threshold), exact);
  ASSERT_GT(static_cast<double>(std::nextafter(threshold, 10.0f)), exact);
}
// Rounded to single precision, a threshold may lose a hair, never gain one: peak and power alike, however the exact
// value falls between two singles. A ceiling never passes full scale.
TEST(Levels, AThresholdIsTheGreatestSingleThatIsNotAboveIt) {
  std::mt19937 random(5);
  int nearest_is_above = 0;
  for (int round = 0; round < 2000; ++round) {
    rig::Rig rig = one_way(an_amplifier("amp", {{double(random() % 3000 + 20), 8}}, 18 + double(random() % 2000) / 100),
                           a_driver("d", 8, double(random() % 300 + 1)));
    rig.ways[0].thermal->below_rating_db = double(random() % 600) / 100;
    const CompiledRig made = compile(rig);
    const OutputPlan& plan = made.outputs[0];
    const dsp::OutputSettings& core = made.settings().outputs[0];
    const double peak = plan.limit_volts_peak / plan.full_scale_volts_peak;
    const double power = *plan.thermal_volts_rms / plan.full_scale_volts_peak;
    if (peak < 1) {
      expect_rounded_down(core.peak.ceiling, peak);
      nearest_is_above += static_cast<double>(static_cast<float>(peak)) > peak;
    } else {
      ASSERT_EQ(core.peak.ceiling, 1.0f);
    }
    expect_rounded_down(core.power.threshold_rms, power);
    nearest_is_above += static_cast<double>(static_cast<float>(power)) > power;
  }
  EXPECT_GT(nearest_is_above, 1000);  // the control: rounding to the nearest would fail about every second time
}

}  // namespace
}  // namespace rackproof
