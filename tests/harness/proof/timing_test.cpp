// Must hold: latency, delay and polarity are what leaves the outputs, to a hundredth of a sample, whatever the rig's
// filters do to the phase; and one sample, or one sign, is missed on no way.
#include <gmock/gmock.h>

#include <cmath>
#include <random>

#include "dsp/design/fractional_delay.hpp"
#include "harness/proof/arrival_times.hpp"
#include "tests/harness/proof/three_ways.hpp"

namespace rackproof::proof {
namespace {

using namespace test;

using rig::Alignment;
using testing::ElementsAre;
using testing::HasSubstr;
using testing::IsEmpty;

/// Raw bits to 0 .. 1.
struct Random {
  std::mt19937 bits;
  double operator()() { return static_cast<double>(bits()) / 4294967296.0; }
  double operator()(double from, double to) { return from + (to - from) * (*this)(); }
};

rig::Rig a_random_rig(std::uint32_t seed) {
  Random random{std::mt19937(seed)};
  rig::Rig rig = three_ways();
  constexpr std::uint32_t kRates[] = {44100, 48000, 96000, 192000};
  rig.controller.sample_rate_hz = kRates[seed % 4];
  constexpr int kSlopes[] = {12, 24, 36, 48};
  for (rig::Point& point : rig.points) {
    point = a_point(point.low.at_hz * random(0.6, 1.6), Alignment::linkwitz_riley, kSlopes[random.bits() % 4]);
    if (random() < 0.3) point.low.alignment = Alignment::butterworth;
    if (random() < 0.3) point.high.alignment = Alignment::bessel;
  }
  for (rig::Way& way : rig.ways) {
    way.gain_db = random(-12, 6);
    way.inverted = random() < 0.5;
    way.delay_s = random() < 0.2 ? 0 : random(0, 20e-3);
    way.eq.push_back(a_band(rig::EqType::peaking, random(40, 8000), random(-8, 8), random(0.5, 4)));
    way.limit->look_ahead_s = random(0, 5e-3);
    way.limit->true_peak = random() < 0.5;
  }
  rig.system_eq.push_back(a_band(rig::EqType::lowshelf, random(60, 300), random(-6, 6), 0.7));
  return rig;
}
/// Left and right unlike: the sub then hears the mean of two filters.
rig::Venue a_venue() {
  rig::Venue venue;
  venue.all.gain_db = -1;
  venue.feed["left"] = {-2, {a_band(rig::EqType::peaking, 80, -6, 2)}};
  return venue;
}

TEST(ArrivalTimes, AreTheFilesForEveryRig) {
  for (std::uint32_t seed = 1; seed <= 8; ++seed) {
    Prepared bench(a_random_rig(seed));
    const rig::Venue venue = a_venue();
    if (seed % 3 == 0) bench.compiled = compile(bench.rig, &venue);
    const ArrivalTimes times = arrival_times(bench.subject);
    EXPECT_NEAR(times.latency_samples, bench.compiled.latency_samples, 0.01) << "seed " << seed;
    for (std::size_t o = 0; o < times.outputs.size(); ++o) {
      const ArrivalTime& time = times.outputs[o];
      ASSERT_TRUE(time.found) << "seed " << seed << ", output " << o;
      EXPECT_NEAR(time.delay_samples, time.set_samples, time.tolerance_samples) << "seed " << seed << ", output " << o;
      EXPECT_LE(time.tolerance_samples, 0.25);  // a fault of one sample is four of them
      EXPECT_EQ(time.polarity, bench.rig.ways[bench.compiled.outputs[o].way_index].inverted ? -1 : 1);
    }
    if (seed > 2) continue;  // the checks read the same times
    EXPECT_THAT(fallen(check_latency(bench.subject)), IsEmpty());
    EXPECT_THAT(fallen(check_delay(bench.subject)), IsEmpty());
    EXPECT_THAT(fallen(check_polarity(bench.subject)), IsEmpty());
  }
}

rig::Rig delayed() {
  rig::Rig rig = three_ways();
  rig.ways[0].delay_s = 2.1e-3;
  rig.ways[1].delay_s = 1.23456e-3;
  rig.ways[1].inverted = true;
  return rig;
}

TEST(Timing, OneSampleOnOneOutputIsThatOutputsDelay) {
  for (const std::uint32_t rate : {48000u, 192000u})
    for (std::size_t o = 0; o < 5; ++o) {
      rig::Rig rig = delayed();
      rig.controller.sample_rate_hz = rate;
      const Prepared bench(rig, with_fault(o, {.late_frames = 1}));
      const std::vector<Finding> delays = check_delay(bench.subject);
      EXPECT_THAT(fallen(delays), ElementsAre(bench.compiled.outputs[o].name)) << rate;
      EXPECT_NEAR(delays[o].measured, delays[o].allowed + 1, 0.1);
      EXPECT_THAT(delays[o].text, HasSubstr("too late"));
      if (rate > 48000) continue;  // the check that it is meant for is enough there
      EXPECT_THAT(fallen(check_latency(bench.subject)), IsEmpty());
      EXPECT_THAT(fallen(check_polarity(bench.subject)), IsEmpty());
    }
}
TEST(Timing, OneSampleOnAllOutputsIsTheLatency) {
  const Prepared bench(delayed(), with_fault(kEveryOutput, {.late_frames = 1}));
  EXPECT_THAT(fallen(check_latency(bench.subject)), ElementsAre("rig"));
  EXPECT_NEAR(check_latency(bench.subject)[0].measured, bench.compiled.latency_samples + 1, 0.1);
  EXPECT_THAT(fallen(check_delay(bench.subject)), IsEmpty());
}
TEST(Timing, OfTwoOutputsTheOneThatIsOffIsTold) {
  rig::Rig rig = a_rig();
  rig.feeds.resize(1);
  for (std::size_t o = 0; o < 2; ++o) {
    const Prepared bench(rig, with_fault(o, {.late_frames = 1}));
    EXPECT_THAT(fallen(check_delay(bench.subject)), ElementsAre(bench.compiled.outputs[o].name));
    EXPECT_THAT(fallen(check_latency(bench.subject)), IsEmpty());
  }
}
TEST(Timing, AFractionThatIsDroppedIsMissed) {
  const Prepared bench(delayed(), altering([](dsp::OutputSettings& output) {
                         if (output.delay.fractional) {
                           output.delay.fractional = false;
                           output.delay.whole_samples += 7;
                         }
                       }));
  EXPECT_THAT(fallen(check_delay(bench.subject)), ElementsAre("sub", "low.left", "low.right"));  // 100.8, 59.26 samples
  EXPECT_THAT(fallen(check_latency(bench.subject)), IsEmpty());
}
/// Devices whose fractional delays are later than they should be.
DeviceMaker later_by(double samples, bool every_output) {
  return [=](const dsp::ChainSettings& original) {
    Altered altered(original);
    for (dsp::OutputSettings& output : altered.outputs) {
      if (!output.delay.fractional || (output.way != 1 && !every_output)) continue;
      constexpr double kFraction[] = {0.3, 0.4, 0.6};  // of the ways' delays below
      EXPECT_TRUE(dsp::fractional_delay(kFraction[output.way] + samples, output.delay.taps));
    }
    return make_chain(altered.settings);
  };
}
// Below 1.6 kHz the tolerance is 0.01 sample: at the upper edge of the way's band 0.01 degree is less.
TEST(Timing, AHundredthOfASampleIsBracketed) {
  rig::Rig rig = three_ways();
  rig.ways[0].delay_s = 100.3 / 48000;
  rig.ways[1].delay_s = 59.4 / 48000;
  rig.ways[2].delay_s = 20.6 / 48000;
  for (const double off : {0.007, 0.013, -0.007, -0.013}) {
    const Prepared one(rig, later_by(off, false));
    const bool found = std::abs(off) > 0.01;
    const std::vector<std::string> expected =
        found ? std::vector<std::string>{"low.left", "low.right"} : std::vector<std::string>{};
    EXPECT_EQ(fallen(check_delay(one.subject)), expected) << off;
    EXPECT_THAT(fallen(check_latency(one.subject)), IsEmpty());
    // Of all outputs it is the latency: the sub, whose edge is 100 Hz, is granted 0.0133 there.
    const Prepared all(rig, later_by(found ? 1.3 * off : off, true));
    EXPECT_EQ(fallen(check_latency(all.subject)).empty(), !found) << off;
  }
}
TEST(Timing, FiltersThatExcludeEachOtherLeaveNothingToTimeAndAreNamed) {
  rig::Rig rig = three_ways();
  rig.ways[1].highpass = a_filter(12000, Alignment::butterworth, 48);  // below 1.6 kHz: nothing is left
  rig.points[1] = a_point(400, Alignment::linkwitz_riley, 48);
  const Prepared bench(rig);
  for (const auto check : {check_delay, check_polarity}) {
    const std::vector<Finding> findings = check(bench.subject);
    EXPECT_THAT(fallen(findings), IsEmpty());
    EXPECT_FALSE(findings[1].judged);
    EXPECT_TRUE(findings[0].judged);
    EXPECT_THAT(findings[1].text, HasSubstr("way.low.highpass (high-pass, butterworth 48 dB/oct at 12 kHz) takes"));
  }
  EXPECT_THAT(fallen(check_latency(bench.subject)), IsEmpty());
}
TEST(Timing, ATurnedSignIsThatOutputsPolarity) {
  for (std::size_t o = 0; o < 5; ++o) {
    const Prepared bench(delayed(), with_fault(o, {.gain = -1}));
    const std::vector<Finding> polarities = check_polarity(bench.subject);
    EXPECT_THAT(fallen(polarities), ElementsAre(bench.compiled.outputs[o].name));
    EXPECT_EQ(polarities[o].measured, -polarities[o].allowed);
    EXPECT_THAT(fallen(check_delay(bench.subject)), IsEmpty());
  }
}
TEST(Timing, AnOutputThatIsDeadOrNotItselfIsNotTimed) {
  const Prepared dead(delayed(), with_fault(3, {.gain = 0}));
  const Prepared swapped(delayed(), altering([](dsp::OutputSettings& output) {
                           if (output.way == 2) output.way = 0;
                         }));
  EXPECT_THAT(fallen(check_delay(dead.subject)), ElementsAre("high.left"));
  EXPECT_THAT(fallen(check_polarity(dead.subject)), ElementsAre("high.left"));
  EXPECT_THAT(check_delay(dead.subject)[3].text, HasSubstr("silent"));
  EXPECT_THAT(fallen(check_delay(swapped.subject)), ElementsAre("high.left", "high.right"));
  const Prepared silent(delayed(), with_fault(kEveryOutput, {.gain = 0}));
  EXPECT_THAT(fallen(check_latency(silent.subject)), ElementsAre("rig"));
}

// A threshold so low that the sample would be limited: the level is lowered until it is not, so what is timed is still
// the path.
TEST(Timing, LimitersWorkButDoNotAct) {
  rig::Rig rig = delayed();
  for (rig::Driver& driver : rig.drivers) {
    driver.peak_power_watts = 1e-3;
    driver.continuous_power_watts = 1e-4;
  }
  const Prepared bench(rig);
  ASSERT_LT(bench.compiled.outputs[3].limit_dbfs_peak, -50);  // the sample starts at -36 dBFS
  EXPECT_THAT(fallen(check_delay(bench.subject)), IsEmpty());
  EXPECT_THAT(fallen(check_latency(bench.subject)), IsEmpty());
}

TEST(Timing, OfTheReportIsInMilliseconds) {
  const Prepared bench(delayed());
  const std::vector<Timing> timings = timings_of(bench.subject);
  ASSERT_EQ(timings.size(), 5u);
  EXPECT_EQ(timings[0].output, "sub");
  EXPECT_NEAR(timings[0].delay_ms, 2.1, 1e-3);
  EXPECT_NEAR(timings[0].latency_ms, bench.compiled.latency_samples / 48.0, 1e-3);
  EXPECT_EQ(timings[1].polarity, -1);
  EXPECT_EQ(timings[3].polarity, 1);
}

}  // namespace
}  // namespace rackproof::proof
