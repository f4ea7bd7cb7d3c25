// Must hold: a sound rig gets no warning; each fault gets its own, alone where it stands alone, and the text says which
// way or amplifier, and which key to change.
#include "harness/calibration/warnings.hpp"

#include <gmock/gmock.h>

#include <functional>
#include <set>

#include "a_rig.hpp"

namespace rackproof {
namespace {

using rig::Alignment;

struct Fault {
  const char* code;
  std::function<void(rig::Rig&)> plant;
  std::vector<std::string> words;            ///< of the text
  std::function<void(rig::Rig&)> near_miss;  ///< what is still sound
};
void PrintTo(const Fault& fault, std::ostream* out) { *out << fault.code; }

/// A sub, LR at 100 Hz, below the two ways.
void add_sub(rig::Rig& rig) {
  rig.points.insert(rig.points.begin(), a_point(100));
  rig.ways.insert(rig.ways.begin(), a_way("sub", "lows", "cone"));
  rig.ways[0].highpass = a_filter(30, Alignment::butterworth);
}

const Fault kFaults[] = {
    {"no-limiter", [](auto& r) { r.ways[0].limit.reset(); }, {"low", "105.8 V", "limit ="}, [](auto&) {}},
    {"no-power-limiter",
     [](auto& r) { r.ways[1].thermal.reset(); },
     {"high", "horn", "21.9 V RMS", "thermal ="},
     // clip less 2 dB: 44.95 V peak, 31.8 V RMS; horn of 200 W: 40 V RMS
     [](auto& r) {
       r.ways[1].thermal.reset(), r.drivers[1].continuous_power_watts = 200, r.drivers[1].peak_power_watts = 800;
     }},
    {"load-below-rating",
     [](auto& r) { r.ways[1].drivers = 2; },
     {"high", "highs", "4 ohm", "drivers = 2"},
     [](auto& r) { r.ways[0].drivers = 2; }},
    {"crossover-null",
     [](auto& r) { r.points[0] = a_point(1600, Alignment::linkwitz_riley, 12); },
     {"low", "high", "1.6 kHz", "polarity = \"inverted\""},
     [](auto& r) { r.points[0] = a_point(1600, Alignment::linkwitz_riley, 12), r.ways[1].inverted = true; }},
    {"crossover-null",
     [](auto& r) { r.ways[1].inverted = true; },
     {"polarity = \"normal\""},
     [](auto& r) { r.ways[0].inverted = r.ways[1].inverted = true; }},
    {"crossover-null",
     [](auto& r) { r.points[0] = a_point(1600, Alignment::linkwitz_riley, 36); },
     {"way.high"},
     [](auto& r) { r.points[0] = a_point(1600, Alignment::linkwitz_riley, 48); }},
    {"not-phase-matched",
     [](auto& r) { add_sub(r), r.points[1] = a_point(1600, Alignment::bessel, 24), r.ways[1].highpass.reset(); },
     {"1.6 kHz", "100 Hz", "phase_matched = false"},
     [](auto& r) { r.points[0] = a_point(1600, Alignment::bessel, 24); }},  // there is no way below
    {"no-protection-highpass",
     [](auto& r) { r.ways[0].highpass.reset(); },
     {"low", "cone", "highpass ="},
     [](auto& r) { r.ways[0].highpass.reset(), r.ways[0].eq = {a_band(rig::EqType::highpass, 50, 0)}; }},
    // 200 W at 8 ohm less 2 dB: 31.8 V RMS of a sine; 150 W less 1 dB: 30.9 V RMS, still below
    {"power-above-peak",
     [](auto& r) { r.drivers[1].continuous_power_watts = 180, r.drivers[1].peak_power_watts = 720; },
     {"high", "33.8 V RMS", "31.8 V RMS", "below_clip"},
     [](auto& r) { r.drivers[1].continuous_power_watts = 150, r.drivers[1].peak_power_watts = 600; }},
    // 44.95 V peak against 60 W at 8 ohm, 21.9 V RMS: 6.2 dB; against 30 W, 15.5 V RMS: 9.2 dB, 9.03 is the line
    {"amplifier-large",
     [](auto& r) { r.drivers[1].peak_power_watts.reset(), r.drivers[1].continuous_power_watts = 30; },
     {"high", "horn", "9.2 dB", "peak_power"},
     [](auto& r) { r.drivers[1].peak_power_watts.reset(); }},
    // full scale 8.70 V peak x 10^(14/20) = 43.6 V, below the driver's 43.8 and the amplifier's 45.0
    {"converter-below-clip",
     [](auto& r) { r.amplifiers[1].gain_db = 14; },
     {"high", "43.6 V", "output_full_scale"},
     [](auto& r) { r.amplifiers[1].gain_db = 15; }},
    {"threshold-low",
     [](auto& r) { r.amplifiers[1].gain_db = 44.2; },
     {"high", "-30.2 dBFS", "output_full_scale"},
     [](auto& r) { r.amplifiers[1].gain_db = 43.8; }},
    {"gain-unlikely",
     [](auto& r) { r.amplifiers[0].gain_db.reset(), r.amplifiers[0].sensitivity_volts_rms = 0.3; },  // 47.9 dB
     {"lows", "47.9 dB", "sensitivity"},
     [](auto& r) { r.amplifiers[0].gain_db.reset(), r.amplifiers[0].sensitivity_volts_rms = 1.0; }},
    {"attenuator-open",
     [](auto& r) { r.amplifiers[1].attenuator_db = -6; },
     {"highs", "6 dB", "attenuator_fixed = true"},
     [](auto& r) { r.amplifiers[1].attenuator_db = -6, r.amplifiers[1].attenuator_fixed = true; }},
    {"look-ahead-short",
     [](auto& r) { r.ways[0].limit->look_ahead_s = 0.8e-3; },
     {"low", "55 Hz", "look_ahead = \"4.5 ms\""},
     [](auto& r) { r.ways[0].limit->look_ahead_s = 1e-3; }},
    {"release-short",
     [](auto& r) { r.ways[0].limit->release_s = 30e-3; },
     {"low", "55 Hz", "release = \"36 ms\""},
     [](auto& r) { r.ways[0].limit->release_s = 30e-3, r.ways[0].limit->hold_s = 10e-3; }},
};

std::multiset<std::string> codes(const rig::Rig& rig) {
  std::multiset<std::string> found;
  for (const Warning& warning : compile(rig).warnings) found.insert(warning.code);
  return found;
}

TEST(Warnings, ASoundRigGetsNone) {
  EXPECT_THAT(codes(a_rig()), testing::IsEmpty());
  rig::Rig three = a_rig();
  add_sub(three);
  EXPECT_THAT(codes(three), testing::IsEmpty());
}

class EveryFault : public testing::TestWithParam<Fault> {};
INSTANTIATE_TEST_SUITE_P(, EveryFault, testing::ValuesIn(kFaults));

TEST_P(EveryFault, IsToldOnceWithWhatToChange) {
  rig::Rig rig = a_rig();
  GetParam().plant(rig);
  std::string text;
  for (const Warning& warning : compile(rig).warnings) {
    if (warning.code == GetParam().code) text += warning.text;
  }
  const auto found = codes(rig);
  EXPECT_EQ(found.count(GetParam().code), 1u) << testing::PrintToString(found);  // one, for two outputs alike
  for (const std::string& word : GetParam().words) EXPECT_THAT(text, testing::HasSubstr(word));
}
TEST_P(EveryFault, IsNotSeenWhereItNearlyIs) {
  rig::Rig rig = a_rig();
  GetParam().near_miss(rig);
  EXPECT_EQ(codes(rig).count(GetParam().code), 0u);
}

TEST(Warnings, NoLimiterNamesADriverThatClipWouldHurt) {
  rig::Rig rig = a_rig();
  rig.ways[1].limit.reset();  // clip 56.6 V peak, the horn takes 43.8
  const std::vector<Warning> warnings = compile(rig).warnings;
  ASSERT_EQ(warnings.size(), 1u);
  EXPECT_THAT(warnings[0].text, testing::AllOf(testing::HasSubstr("56.6 V"), testing::HasSubstr("43.8 V")));
}

}  // namespace
}  // namespace rackproof
