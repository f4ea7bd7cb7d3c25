// Must hold: a sound rig gets no warning; each fault gets its own, alone where it stands alone, and the text says which
// way or amplifier, and which key to change.
#include "harness/calibration/warnings.hpp"

#include "faulty_rigs.hpp"

namespace rackproof {
namespace {

using rig::Alignment;

void without_power_limiter(rig::Rig& rig, double continuous_watts) {
  rig.ways[1].thermal.reset();
  rig.drivers[1].continuous_power_watts = continuous_watts;
  rig.drivers[1].peak_power_watts = 1000;
}

const Fault kFaults[] = {
    {"no-limiter", [](auto& r, auto&) { r.ways[0].limit.reset(); }, {"low", "105.8 V", "limit ="}, [](auto&, auto&) {}},
    // clip less 2 dB: 44.93 V peak, 31.8 V RMS of a sine; a horn of 252 W takes 44.90 V RMS, one of 253 W 44.99 V
    {"no-power-limiter",
     [](auto& r, auto&) { without_power_limiter(r, 252); },
     {"high", "horn", "44.9 V RMS of a clipped signal", "31.8 V RMS of a sine", "thermal ="},
     [](auto& r, auto&) { without_power_limiter(r, 253); }},
    {"load-below-rating",
     [](auto& r, auto&) { r.ways[1].drivers = 2; },
     {"high", "highs", "4 ohm", "drivers = 2"},
     [](auto& r, auto&) { r.ways[0].drivers = 2; }},
    {"crossover-null",
     [](auto& r, auto&) { r.points[0] = a_point(1600, Alignment::linkwitz_riley, 12); },
     {"low", "high", "1.6 kHz", "polarity = \"inverted\""},
     [](auto& r, auto&) {
       r.points[0] = a_point(1600, Alignment::linkwitz_riley, 12);
       r.ways[1].inverted = true;
     }},
    {"crossover-null",
     [](auto& r, auto&) { r.ways[1].inverted = true; },
     {"polarity = \"normal\""},
     [](auto& r, auto&) { r.ways[0].inverted = r.ways[1].inverted = true; }},
    {"crossover-null",
     [](auto& r, auto&) { r.points[0] = a_point(1600, Alignment::linkwitz_riley, 36); },
     {"way.high"},
     [](auto& r, auto&) { r.points[0] = a_point(1600, Alignment::linkwitz_riley, 48); }},
    {"crossover-null",
     [](auto& r, auto&) { r.ways[1].output["left"].inverted = true; },
     {"outputs low.left and high.left", "polarity = \"normal\" in way.high.output.left"},
     [](auto& r, auto&) {
       r.points[0] = a_point(1600, Alignment::linkwitz_riley, 12);
       r.ways[1].output["left"].inverted = r.ways[1].output["right"].inverted = true;
     }},
    {"crossover-null",
     [](auto& r, auto&) {
       r.points[0] = a_point(1600, Alignment::linkwitz_riley, 12);
       r.ways[0].sum_of_feeds = true;
       r.ways[1].output["left"].inverted = true;
     },
     {"outputs low and high.right", "polarity = \"inverted\" in way.high.output.right"},
     [](auto& r, auto&) {
       r.ways[0].inverted = true;
       r.ways[1].output["left"].inverted = r.ways[1].output["right"].inverted = true;
     }},
    {"crossover-null",
     [](auto& r, auto&) {
       r.ways[1].sum_of_feeds = true;
       r.ways[0].output["left"].inverted = true;
     },
     {"outputs low.left and high", "polarity = \"normal\" in way.low.output.left"},
     [](auto& r, auto&) { r.ways[1].sum_of_feeds = true; }},
    {"not-phase-matched",
     [](auto& r, auto&) {
       add_sub(r);
       r.points[1] = a_point(1600, Alignment::bessel, 24);
       r.ways[1].highpass.reset();
     },
     {"1.6 kHz", "100 Hz", "phase_matched = false"},
     [](auto& r, auto&) { r.points[0] = a_point(1600, Alignment::bessel, 24); }},  // there is no way below
    {"no-protection-highpass",
     [](auto& r, auto&) { r.ways[0].highpass.reset(); },
     {"low", "cone", "highpass ="},
     [](auto& r, auto&) {
       r.ways[0].highpass.reset();
       r.ways[0].eq = {a_band(rig::EqType::highpass, 50, 0)};
     }},
    // 200 W at 8 ohm less 2 dB: 31.8 V RMS of a sine, 6 dB more are 63.45 V; less 1 dB, 640 W are 63.8 and 630 W 63.3 V
    {"power-above-peak",
     [](auto& r, auto&) {
       r.drivers[1].continuous_power_watts = 640;
       r.drivers[1].peak_power_watts = 2560;
     },
     {"high", "63.8 V RMS", "31.8 V RMS", "below_clip"},
     [](auto& r, auto&) {
       r.drivers[1].continuous_power_watts = 630;
       r.drivers[1].peak_power_watts = 2520;
     }},
    // 44.95 V peak are 9.03 dB (8 times the power) over 15.89 V RMS, which 31.57 W make at 8 ohm
    {"amplifier-large",
     [](auto& r, auto&) {
       r.drivers[1].peak_power_watts.reset();
       r.drivers[1].continuous_power_watts = 31.5;
     },
     {"high", "horn", "9.0 dB", "peak_power"},
     [](auto& r, auto&) {
       r.drivers[1].peak_power_watts.reset();
       r.drivers[1].continuous_power_watts = 31.6;
     }},
    // full scale 8.70 V peak x 10^(14/20) = 43.6 V, below the driver's 43.8 and the amplifier's 45.0
    {"converter-below-clip",
     [](auto& r, auto&) { r.amplifiers[1].gain_db = 14; },
     {"high", "43.6 V", "output_full_scale"},
     [](auto& r, auto&) { r.amplifiers[1].gain_db = 15; }},
    {"threshold-low",
     [](auto& r, auto&) {
       r.amplifiers[1].gain_db = 45.9;
       r.controller.output_full_scale_volts_rms = volts_of_dbu(20.2);
     },
     {"high", "-34.1 dBFS", "output_full_scale"},
     [](auto& r, auto&) {
       r.amplifiers[1].gain_db = 45.9;
       r.controller.output_full_scale_volts_rms = volts_of_dbu(20);
     }},
    {"gain-unlikely",
     [](auto& r, auto&) {
       r.amplifiers[0].gain_db.reset();
       r.amplifiers[0].sensitivity_volts_rms = 0.3;  // 47.9 dB
     },
     {"lows", "47.9 dB", "sensitivity"},
     [](auto& r, auto&) {
       r.amplifiers[0].gain_db.reset();
       r.amplifiers[0].sensitivity_volts_rms = 1.0;
     }},
    {"attenuator-open",
     [](auto& r, auto&) { r.amplifiers[1].attenuator_db = -6; },
     {"highs", "6 dB", "attenuator_fixed = true"},
     [](auto& r, auto&) {
       r.amplifiers[1].attenuator_db = -6;
       r.amplifiers[1].attenuator_fixed = true;
     }},
    // a thirtieth of a period at 55 Hz is 0.606 ms
    {"look-ahead-short",
     [](auto& r, auto&) { r.ways[0].limit->look_ahead_s = 0.60e-3; },
     {"low", "55 Hz", "look_ahead = \"4.5 ms\""},
     [](auto& r, auto&) { r.ways[0].limit->look_ahead_s = 0.61e-3; }},
    // two periods of 55 Hz are 36.4 ms
    {"release-short",
     [](auto& r, auto&) {
       r.ways[0].limit->release_s = 26e-3;
       r.ways[0].limit->hold_s = 10e-3;
     },
     {"low", "55 Hz", "release = \"36 ms\""},
     [](auto& r, auto&) {
       r.ways[0].limit->release_s = 27e-3;
       r.ways[0].limit->hold_s = 10e-3;
     }},
};

TEST(Warnings, ASoundRigGetsNone) {
  EXPECT_THAT(codes_of(compile(a_rig()).warnings), testing::IsEmpty());
  rig::Rig three = a_rig();
  add_sub(three);
  EXPECT_THAT(codes_of(compile(three).warnings), testing::IsEmpty());
  const rig::Venue nothing;
  EXPECT_THAT(codes_of(compile(three, &nothing).warnings), testing::IsEmpty());
}

class EveryWarning : public testing::TestWithParam<Fault> {};
INSTANTIATE_TEST_SUITE_P(, EveryWarning, testing::ValuesIn(kFaults));
TEST_P(EveryWarning, IsToldOnceWithWhatToChange) { expect_told_once(GetParam()); }
TEST_P(EveryWarning, IsNotSeenWhereItNearlyIs) { expect_near_miss_unblamed(GetParam()); }

TEST(Warnings, NoLimiterNamesADriverThatClipWouldHurt) {
  rig::Rig rig = a_rig();
  rig.ways[1].limit.reset();  // clip 56.6 V peak, the horn takes 43.8
  const std::vector<Warning> warnings = compile(rig).warnings;
  ASSERT_EQ(warnings.size(), 1u);
  EXPECT_THAT(warnings[0].text, testing::AllOf(testing::HasSubstr("56.6 V"), testing::HasSubstr("43.8 V")));
  // "56.6 V, above the 56.6 V that the horn takes" would puzzle people: 0.04 and 0.06 dB of peak power on 8 ohm.
  rig.drivers[1].peak_power_watts = 396.4;
  EXPECT_THAT(compile(rig).warnings[0].text, testing::Not(testing::HasSubstr("above the")));
  rig.drivers[1].peak_power_watts = 394.5;
  EXPECT_THAT(compile(rig).warnings[0].text, testing::HasSubstr("above the 56.2 V"));
}

}  // namespace
}  // namespace rackproof
