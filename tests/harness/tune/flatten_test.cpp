// Must hold: known faults of a response are found and mended, at places that were not fitted too; cancellation, noise
// and what lies outside the loudspeaker's range are left alone and told; no boost above 6 dB, none in a notch, none below
// the rig's high-pass or the corner that was measured.
#include "harness/tune/flatten.hpp"

#include <gmock/gmock.h>

#include <cmath>
#include <complex>
#include <numbers>
#include <random>

#include "dsp/design/response.hpp"
#include "harness/analysis/bands.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof::tune {
namespace {

using testing::Contains;
using testing::Field;
using Complex = std::complex<double>;

dsp::EqSettings peaking(double at_hz, double gain_db, double q) {
  return {dsp::EqType::peaking, at_hz, gain_db, dsp::EqWidth::q, q};
}
Complex response_of(const std::vector<dsp::EqSettings>& eq, double hz) {
  Complex product = 1;
  for (const dsp::EqSettings& settings : eq) {
    dsp::ExactSection section;
    EXPECT_TRUE(dsp::design(settings, 48000, section));
    product *= dsp::response(section, hz, 48000);
  }
  return product;
}
template <class Response>
Measurement measured(Response response, double level_db = 0) {
  Measurement m;
  m.frequency_hz = analysis::log_frequencies(20, 20000, 48);
  for (const double hz : m.frequency_hz) {
    m.magnitude_db.push_back(20 * std::log10(std::abs(Complex(response(hz)))) + level_db);
    m.coherence.push_back(1);
  }
  return m;
}
/// One reflection: later by `ms`, at `share` of the direct sound.
Complex reflection(double hz, double ms, double share) {
  return 1.0 + std::polar(share, -2e-3 * std::numbers::pi * hz * ms);
}
double boost_at(const Flattened& f, double hz) { return gain_db_of(f.eq, std::vector<double>{hz}, 48000)[0]; }
/// Between the frequencies of its grid too.
double most_boost(const Flattened& f) {
  const std::vector<double> gain_db = gain_db_of(f.eq, analysis::log_frequencies(20, 20000, 480), 48000);
  return std::ranges::max(gain_db);
}

const std::vector<dsp::EqSettings> kFaults{peaking(80, 5, 1.2), peaking(400, -4, 1.5), peaking(3150, 4, 2)};

TEST(Flatten, MendsWhatSectionsMadeAndTakesTheLevelOut) {
  const std::vector<Measurement> one{measured([](double hz) { return response_of(kFaults, hz); }, -37)};
  const Flattened f = flatten(one, {.points = 3});
  EXPECT_GT(f.all.before.rms_db, 1.2);
  EXPECT_LT(f.all.after.rms_db, 0.1);  // what three sections made, three can undo; smoothing blurs both alike
  EXPECT_LT(f.all.after.max_db, 0.4);
  EXPECT_TRUE(f.left_alone.empty());
  EXPECT_FALSE(f.elsewhere.has_value());  // one place: nothing was left out
  EXPECT_NEAR(f.gain_db, -most_boost(f), 0.1);
  EXPECT_LE(f.gain_db + most_boost(f), 1e-9);
}

TEST(Flatten, ReportsWhatAnyoneWouldCompute) {
  const Measurement one = measured([](double hz) { return response_of(kFaults, hz); });
  const Flattened f = flatten(std::vector{one}, {.from_hz = 50, .to_hz = 8000, .points = 2});
  for (const bool after : {false, true}) {
    std::vector<double> power;
    for (std::size_t k = 0; k < one.frequency_hz.size(); ++k) {
      const Complex eq = after ? response_of(f.eq, one.frequency_hz[k]) : 1.0;
      power.push_back(std::pow(10, one.magnitude_db[k] / 10) * std::norm(eq));
    }
    power = analysis::smooth<double>(one.frequency_hz, std::span<const double>(power), 3);
    std::vector<double> off;
    for (std::size_t k = 0; k < power.size(); ++k)
      if (one.frequency_hz[k] >= 50 && one.frequency_hz[k] <= 8000) off.push_back(10 * std::log10(power[k]));
    double mean = 0, squares = 0, most = 0;
    for (const double db : off) mean += db / static_cast<double>(off.size());
    for (const double db : off) {
      squares += (db - mean) * (db - mean);
      most = std::max(most, std::abs(db - mean));
    }
    const Deviation& told = after ? f.all.after : f.all.before;
    // The grid has half as many frequencies as the measurement: 0.03 dB and 0.05 dB where slopes are 10 dB an octave.
    EXPECT_NEAR(told.rms_db, std::sqrt(squares / static_cast<double>(off.size())), 0.03);
    EXPECT_NEAR(told.max_db, most, 0.05);
  }
}

TEST(Flatten, NeverFillsANotchNorBoostsByMoreThanSixDecibels) {
  const auto notched = [](double hz) {
    return response_of({peaking(800, -20, 8), peaking(2500, -14, 1.0), peaking(120, 4, 1)}, hz);
  };
  for (const int points : {1, 3, 6, 10}) {
    const Flattened f = flatten(std::vector{measured(notched)}, {.points = points});
    EXPECT_LE(most_boost(f), 6.0);
    for (const double hz : {760.0, 800.0, 840.0}) EXPECT_LE(boost_at(f, hz), 0.31) << hz << " Hz, " << points;
    EXPECT_THAT(f.left_alone, Contains(Field(&LeftAlone::code, "notch")));
    for (const LeftAlone& band : f.left_alone) EXPECT_LT(band.from_hz, band.to_hz);
    for (const dsp::EqSettings& eq : f.eq) {
      EXPECT_LE(eq.gain_db, 6.0);
      EXPECT_GE(eq.width_value, 0.5);
      EXPECT_LE(eq.width_value, 6.0);
    }
  }
}

// Three dips of a search for the worst: held on the grid alone, 6 dB are passed by 0.013 dB between two of its frequencies.
TEST(Flatten, HoldsItsBoundBetweenTheFrequenciesOfItsGrid) {
  const auto dips = [](double hz) {
    return response_of({peaking(7306.5, -7.36, 1.83), peaking(142.8, -8.81, 0.94), peaking(869.6, -9.27, 2.59)}, hz);
  };
  const Flattened f = flatten(std::vector{measured(dips)}, {.points = 3});
  EXPECT_LE(most_boost(f), 6.0);
  EXPECT_GT(most_boost(f), 5.8);  // so that it is near the bound that it tests
  // And two whose boost lies just above a tenth of a decibel there: 0.02 dB more than the gain of the grid takes.
  const auto narrow = [](double hz) { return response_of({peaking(339, -2, 4), peaking(649, -4, 4)}, hz); };
  const Flattened two = flatten(std::vector{measured(narrow)}, {.points = 2});
  EXPECT_LE(two.gain_db + most_boost(two), 1e-9);
}

TEST(Flatten, LeavesAloneWhereTheLoudspeakerFallsOff) {
  const auto falling = [](double hz) {
    return response_of({peaking(1000, 3, 1)}, hz) * std::pow(Complex(0, hz / 70) / (1.0 + Complex(0, hz / 70)), 4) /
           std::pow(1.0 + Complex(0, hz / 14000), 6);
  };
  const Flattened f = flatten(std::vector{measured(falling)}, {.points = 6});
  EXPECT_GT(f.range_from_hz, 70);
  EXPECT_LT(f.range_to_hz, 14000);
  EXPECT_THAT(f.left_alone, Contains(Field(&LeftAlone::code, "outside-range")));
  EXPECT_LE(boost_at(f, 30), kBelowCornerBoostDb);
  EXPECT_LE(boost_at(f, 20000), 1.0);
  EXPECT_LT(f.all.after.rms_db, 0.5 * f.all.before.rms_db);
  // Asked for more than it does: judged over all that was asked for, but not boosted.
  const Flattened more = flatten(std::vector{measured(falling)}, {.from_hz = 25, .points = 6});
  EXPECT_LE(boost_at(more, 30), 1.0);
  EXPECT_GT(more.all.before.max_db, 10);
  EXPECT_LT(more.fitted.before.max_db, 6);
}

/// The most that is boosted anywhere below this frequency; and whether a section stands there.
double most_below(const Flattened& f, double hz) {
  double most = -100;
  for (std::size_t k = 0; k < f.frequency_hz.size() && f.frequency_hz[k] < hz * (1 - 1e-9); ++k)
    most = std::max(most, f.eq_db[k]);
  return most;
}
bool any_below(const Flattened& f, double hz) {
  return std::any_of(f.eq.begin(), f.eq.end(), [&](const dsp::EqSettings& eq) { return eq.at_hz < hz * (1 - 1e-3); });
}
RigBand from_50_hz() { return {50, 0, "the high-pass of way low stands at 50 Hz", ""}; }

// As a room made it: a hollow under the high-pass, where resonances above it held up the smoothed level.
TEST(Flatten, NeverBoostsBelowTheRigsHighPass) {
  const auto room = [](double hz) { return response_of({peaking(44, -6, 2), peaking(33, 6, 3)}, hz); };
  const std::vector<Measurement> one{measured(room)};
  const Flattened held = flatten(one, {.rig = from_50_hz(), .points = 6});
  EXPECT_LE(most_below(held, 50), kBelowCornerBoostDb);
  EXPECT_FALSE(any_below(held, 50));
  EXPECT_THAT(held.left_alone, Contains(testing::AllOf(Field(&LeftAlone::code, "outside-rig"),
                                                       Field(&LeftAlone::why, testing::HasSubstr("50 Hz")))));
  EXPECT_NEAR(std::log2(held.from_hz / 50), 0, 1.0 / 24);
  EXPECT_EQ(held.from_why, from_50_hz().from_why);
  // Asked for lower ones: judged there, and still not boosted.
  const Flattened asked = flatten(one, {.from_hz = 30, .rig = from_50_hz(), .points = 6});
  EXPECT_LE(most_below(asked, 50), kBelowCornerBoostDb);
  EXPECT_FALSE(any_below(asked, 50));
  EXPECT_EQ(asked.from_hz, 30);
  EXPECT_EQ(asked.from_why, "--from");
  EXPECT_THAT(asked.left_alone, Contains(Field(&LeftAlone::code, "outside-rig")));
  // Controls: without the rig it is boosted; and so is what lies above the high-pass, with it.
  EXPECT_GT(most_below(flatten(one, {.points = 6}), 50), 2);
  const std::vector<Measurement> above{measured([](double hz) { return response_of({peaking(90, -6, 2)}, hz); })};
  const Flattened lifted = flatten(above, {.rig = from_50_hz(), .points = 6});
  EXPECT_GT(boost_at(lifted, 90), 3);
  EXPECT_LE(most_below(lifted, 50), kBelowCornerBoostDb);
}

// A fourth-order high-pass has fallen 10 dB at 0.76 of its corner: hardly any boost from there down, and 6 dB at most in
// between, whatever hollow lies there.
TEST(Flatten, NorBelowTheCornerThatIsMeasured) {
  for (const double corner_hz : {40.0, 80.0, 160.0}) {
    const auto box = [corner_hz](double hz) {
      const Complex s(0, hz / corner_hz);
      const Complex high_pass = s * s * s * s / ((s * s + 0.76537 * s + 1.0) * (s * s + 1.84776 * s + 1.0));
      return high_pass * response_of({peaking(corner_hz, -5, 1.5), peaking(1000, 4, 1)}, hz);
    };
    const Flattened f = flatten(std::vector{measured(box)}, {.points = 6});
    double fallen_hz = 20;  // where it is 10 dB down, third-octave smoothed or not to within a step of the grid
    while (20 * std::log10(std::abs(box(fallen_hz))) < -10) fallen_hz *= 1.005;
    EXPECT_LE(most_below(f, fallen_hz / std::exp2(2.0 / 24)), kBelowCornerBoostDb) << corner_hz;
    EXPECT_FALSE(any_below(f, fallen_hz)) << corner_hz;
    EXPECT_THAT(f.left_alone, Contains(Field(&LeftAlone::code, "outside-range"))) << corner_hz;
    EXPECT_THAT(f.from_why, testing::HasSubstr("as measured")) << corner_hz;
    EXPECT_EQ(f.to_why, "where the measurements, or what the sample rate carries, end");
  }
}

TEST(Flatten, TakesItsRangeFromTheRigAndSaysSo) {
  const std::vector<Measurement> one{measured([](double hz) { return response_of(kFaults, hz); })};
  RigBand band = from_50_hz();
  band.to_hz = 5000;
  band.to_why = "driver horn of way high may be used up to 5 kHz";
  const Flattened f = flatten(one, {.rig = band, .points = 4});
  EXPECT_NEAR(std::log2(f.to_hz / 5000), 0, 1.0 / 24);
  EXPECT_LE(f.to_hz, 5000);
  EXPECT_EQ(f.to_why, band.to_why);
  for (const dsp::EqSettings& eq : f.eq) EXPECT_LE(eq.at_hz, 5000 * (1 + 1e-3));
  const Flattened asked = flatten(one, {.to_hz = 2000, .rig = band, .points = 4});
  EXPECT_EQ(asked.to_hz, 2000);
  EXPECT_EQ(asked.to_why, "--to");
  EXPECT_EQ(flatten(one, {.points = 2}).from_why, "where the measurements begin");
  EXPECT_THROW(flatten(one, {.from_hz = 6000, .rig = band}), InputError);  // above all that the rig plays
}

TEST(Flatten, KnowsTheBandThatARigPlays) {
  const auto band = [](const std::string& low_way, const std::string& sheet, const std::string& horn = "") {
    return band_of(rig::parse_rig(R"(format = 1
title = "two ways"
[controller]
sample_rate = "48 kHz"
output_full_scale = "+18 dBu"
[feeds]
main = 1
[amplifier.a]
ratings = [ { power = "500 W", load = "8 ohm" } ]
gain = "32 dB"
[driver.cone]
impedance = "8 ohm"
continuous_power = "200 W"
)" + sheet + "\n[driver.horn]\nimpedance = \"8 ohm\"\ncontinuous_power = \"50 W\"\n" +
                                      horn + R"(
[crossover]
points = [ { at = "1.6 kHz", alignment = "linkwitz-riley", slope = "24 dB/oct" } ]
[[way]]
name = "low"
amplifier = "a"
driver = "cone"
)" + low_way + R"(
[[way]]
name = "high"
amplifier = "a"
driver = "horn"
)",
                                  "rig.toml"));
  };
  const std::string high_pass = R"(highpass = { at = "50 Hz", alignment = "butterworth", slope = "24 dB/oct" })";
  EXPECT_EQ(band("", "").from_hz, 0);  // nothing says where it begins: not the point of the way above either
  EXPECT_EQ(band("", "").to_hz, 0);
  EXPECT_EQ(band(high_pass, "").from_hz, 50);
  EXPECT_EQ(band(high_pass, "").from_why, "the high-pass of way low stands at 50 Hz");
  EXPECT_EQ(band(R"(eq = [ { type = "highpass", at = "62 Hz", q = 0.7 } ])", "").from_hz, 62);
  EXPECT_EQ(band(high_pass, "lowest = \"45 Hz\"").from_hz, 50);  // the higher one
  EXPECT_EQ(band(high_pass, "lowest = \"55 Hz\"").from_hz, 55);
  EXPECT_EQ(band(high_pass, "lowest = \"55 Hz\"").from_why, "driver cone of way low may be used from 55 Hz on");
  EXPECT_EQ(band("", "highest = \"3 kHz\"").to_hz, 0);  // the lowest way's end is the crossover's matter
  EXPECT_EQ(band("", "", "highest = \"18 kHz\"").to_hz, 18000);
}

TEST(Flatten, TrustsCoherenceAlone) {
  Measurement noisy = measured([](double hz) { return response_of({peaking(200, 5, 1.4)}, hz); });
  std::mt19937 bits(7);
  for (std::size_t k = 0; k < noisy.frequency_hz.size(); ++k) {
    if (noisy.frequency_hz[k] < 1500 || noisy.frequency_hz[k] > 4000) continue;
    noisy.magnitude_db[k] += static_cast<double>(bits() >> 16) / 65536.0 * 16 - 2;  // noise, and a lot of it
    noisy.coherence[k] = 0.1;
  }
  const Flattened f = flatten(std::vector{noisy}, {.points = 4});
  EXPECT_THAT(f.left_alone, Contains(Field(&LeftAlone::code, "low-coherence")));
  EXPECT_NEAR(boost_at(f, 2500), boost_at(f, 8000), 1.0);
  EXPECT_LT(f.fitted.after.rms_db, 0.3);
  // Control: were it trusted, it would be cut.
  std::fill(noisy.coherence.begin(), noisy.coherence.end(), 1.0);
  const Flattened trusting = flatten(std::vector{noisy}, {.points = 4});
  EXPECT_LT(boost_at(trusting, 2500), boost_at(trusting, 8000) - 3);
}

TEST(Flatten, HoldsWhereNothingWasMeasured) {
  std::vector<Measurement> places;
  for (const double ms : {1.9, 2.6, 3.7, 4.6, 5.9, 7.3})
    places.push_back(measured([ms](double hz) { return response_of(kFaults, hz) * reflection(hz, ms, 0.35); }, ms));
  const Flattened f = flatten(places, {.points = 5});
  ASSERT_TRUE(f.elsewhere.has_value());
  EXPECT_EQ(f.elsewhere_places, 6u);
  EXPECT_LT(f.elsewhere->after.rms_db, 0.7 * f.elsewhere->before.rms_db);
  EXPECT_GT(f.elsewhere->after.rms_db, f.fitted.after.rms_db);  // an unseen place keeps its own reflection
  const std::vector<Measurement> unseen{
      measured([](double hz) { return response_of(kFaults, hz) * reflection(hz, 3.1, 0.35); })};
  const Flattened checked = flatten(places, {.points = 5}, unseen);
  EXPECT_EQ(checked.elsewhere_places, 1u);
  EXPECT_LT(checked.elsewhere->after.rms_db, 0.7 * checked.elsewhere->before.rms_db);
}

// What only one place has, the others know nothing of: judged where it was left out, the fit is of no use.
TEST(Flatten, APlaceThatIsLeftOutIsNotFitted) {
  std::vector<Measurement> places;
  for (const double at_hz : {200.0, 1000.0, 5000.0})
    places.push_back(measured([at_hz](double hz) { return response_of({peaking(at_hz, 10, 2)}, hz); }));
  const Flattened f = flatten(places, {.points = 3});
  ASSERT_TRUE(f.elsewhere.has_value());
  EXPECT_GE(f.elsewhere->after.rms_db, f.elsewhere->before.rms_db);
  EXPECT_LT(f.fitted.after.rms_db, f.fitted.before.rms_db);  // and to those that were fitted it seems to be
}

TEST(Flatten, ADipThatMovesFromPlaceToPlaceIsNotTheLoudspeakers) {
  std::vector<Measurement> places;
  for (const double depth : {-2.0, -14.0, -3.0, -16.0})
    places.push_back(measured([depth](double hz) { return response_of({peaking(500, depth, 4)}, hz); }));
  const Flattened f = flatten(places, {.points = 4});
  EXPECT_THAT(f.left_alone, Contains(Field(&LeftAlone::code, "positions-differ")));
  EXPECT_LE(boost_at(f, 500), 0.31);
  // Control: the same dip in all places, no deeper than their average, is mended.
  for (Measurement& m : places) m = measured([](double hz) { return response_of({peaking(500, -5, 4)}, hz); });
  EXPECT_GT(boost_at(flatten(places, {.points = 4}), 500), 2.5);
}

// A floor bounce at 0.6 of the direct sound. At three places it is 77, 80 and 84 samples late: the first null lies at 286
// to 312 Hz, 12 dB under the hump above it and too wide for a notch of its own.
TEST(Flatten, TheFirstNullOfACombIsNotFilled) {
  std::vector<Measurement> places;
  for (const double samples : {77.0, 80.0, 84.0})
    places.push_back(measured([samples](double hz) { return reflection(hz, samples / 48, 0.6); }));
  const Flattened f = flatten(places, {.points = 6});
  for (const double hz : {247.0, 286.0, 300.0, 312.0, 334.0}) EXPECT_LE(boost_at(f, hz), 0.31) << hz;
  EXPECT_THAT(f.left_alone,
              Contains(testing::AllOf(Field(&LeftAlone::code, "notch"), Field(&LeftAlone::from_hz, testing::Lt(286)),
                                      Field(&LeftAlone::to_hz, testing::Gt(312)))));
  // Control: a hollow as deep and as wide that has no harmonics is mended. Q 1.6 is 0.87 octave at half its depth.
  const std::vector<Measurement> hollow{measured([](double hz) { return response_of({peaking(300, -8, 1.6)}, hz); })};
  EXPECT_GT(boost_at(flatten(hollow, {.points = 6}), 300), 3);
}

// A horn whose cable is turned: Linkwitz-Riley 24 dB/oct at 1.6 kHz, one way subtracted from the other. Nothing at the
// point; 3 dB down from 1.03 to 2.49 kHz, and none of that is to be boosted (0.3 dB and what rounding adds).
TEST(Flatten, NorAreTheFlanksOfAWideNotch) {
  const auto turned = [](double hz) {
    const double x = std::pow(hz / 1600, 4);
    return Complex(std::max(std::abs(1 - x) / (1 + x), 1e-3));
  };
  const Flattened f = flatten(std::vector{measured(turned)}, {.points = 6});
  double most_db = -100;
  for (std::size_t k = 0; k < f.frequency_hz.size(); ++k)
    if (f.frequency_hz[k] > 1030 && f.frequency_hz[k] < 2490) most_db = std::max(most_db, f.eq_db[k]);
  EXPECT_LE(most_db, 0.31);
  for (const double hz : {1292.0, 1985.0})
    EXPECT_THAT(f.left_alone,
                Contains(testing::AllOf(Field(&LeftAlone::code, "notch"), Field(&LeftAlone::from_hz, testing::Lt(hz)),
                                        Field(&LeftAlone::to_hz, testing::Gt(hz)))));
}

// A dip of 14 dB, an octave wide: cutting all else by 9 dB would lift it as much as a boost of 9 dB would.
TEST(Flatten, DoesNotLiftADipByCuttingAllElse) {
  const auto dipped = [](double hz) { return response_of({peaking(120, -14, 1)}, hz); };
  const auto over_median = [](const Flattened& f) {
    std::vector<double> fitted;
    for (std::size_t k = 0; k < f.frequency_hz.size(); ++k)
      if (f.frequency_hz[k] > 40.1 && f.frequency_hz[k] < 15999) fitted.push_back(f.eq_db[k]);
    std::ranges::sort(fitted);
    return fitted.back() - fitted[fitted.size() / 2];
  };
  for (const int points : {1, 3, 6, 10}) {
    const Flattened f = flatten(std::vector{measured(dipped)}, {.from_hz = 40, .to_hz = 16000, .points = points});
    EXPECT_LE(most_boost(f), 6.0) << points;
    EXPECT_LE(over_median(f), 6.02) << points;  // a frequency of the grid more or less at the ends moves the median
    EXPECT_GT(boost_at(f, 120) - boost_at(f, 1000), 4.5) << points;  // what is allowed is used
    // One section leaves 0.51 of it, several 0.42; taken from all of them behind a fit that knows no bound, 0.51 as well.
    EXPECT_LT(f.all.after.rms_db, (points == 1 ? 0.55 : 0.45) * f.all.before.rms_db) << points;
  }
  // Control: what a target asks for is no such lift.
  const Target bass{.name = "bass", .points = {{100, 9}, {200, 0}}};
  const Flattened asked = flatten(std::vector{measured([](double) { return Complex(1); })},
                                  {.from_hz = 40, .to_hz = 16000, .points = 6, .target = bass});
  EXPECT_GT(boost_at(asked, 60) - boost_at(asked, 2000), 8);
  EXPECT_LT(asked.all.after.max_db, 1);
  const Flattened steep =
      flatten(std::vector{measured([](double) { return Complex(1); })},
              {.from_hz = 40, .to_hz = 16000, .points = 6, .target = {.name = "steep", .tilt_db_per_oct = -2}});
  EXPECT_GT(boost_at(steep, 80) - boost_at(steep, 8000), 11);  // 13.3 dB are asked for
}

TEST(Flatten, FollowsATargetAndItsTilt) {
  Target tilted;
  tilted.tilt_db_per_oct = -1;
  const std::vector<Measurement> one{measured([](double hz) { return response_of({peaking(300, 4, 1)}, hz); })};
  const Flattened f = flatten(one, {.points = 6, .target = tilted});
  EXPECT_NEAR(boost_at(f, 1200) - boost_at(f, 9600), 3.0, 1.2);  // six bells are no straight line
  EXPECT_LT(f.all.after.rms_db, 0.6);
}

TEST(Flatten, IsTheSameEveryTime) {
  const std::vector<Measurement> one{measured([](double hz) { return response_of(kFaults, hz); })};
  const Flattened a = flatten(one, {}), b = flatten(one, {});
  ASSERT_EQ(a.eq.size(), b.eq.size());
  for (std::size_t s = 0; s < a.eq.size(); ++s) {
    EXPECT_EQ(a.eq[s].at_hz, b.eq[s].at_hz);
    EXPECT_EQ(a.eq[s].gain_db, b.eq[s].gain_db);
  }
}

TEST(Flatten, RefusesWhatHoldsNothing) {
  Measurement low = measured([](double) { return 1.0; }), high = low;
  low.frequency_hz.resize(100);
  low.magnitude_db.resize(100);
  low.coherence.resize(100);
  for (auto* of : {&high.frequency_hz, &high.magnitude_db, &high.coherence}) of->erase(of->begin(), of->begin() + 200);
  EXPECT_THROW(flatten(std::vector{low, high}, {}), InputError);
  EXPECT_THROW(flatten({}, {}), InputError);
  EXPECT_THROW(flatten(std::vector{low}, {.from_hz = 60, .to_hz = 61}), InputError);
}

TEST(TargetFile, IsReadBetweenAndBeyondItsPoints) {
  const Target target = parse_target(
      "\xef\xbb\xbf"
      "frequency_hz,level_db\r\n# house\n100, +6\n1000;0\n",
      "house.csv");
  EXPECT_NEAR(target.level_db(std::sqrt(100.0 * 1000)), 3, 1e-12);
  EXPECT_EQ(target.level_db(20), 6);
  EXPECT_EQ(target.level_db(9000), 0);
  EXPECT_EQ(Target{}.level_db(77), 0);
  for (const char* wrong : {"", "100,1", "100,1\n90,2", "100,1\n200,x", "100,1\n200", "100,1\n200,99"})
    EXPECT_THROW(parse_target(wrong, "x.csv"), InputError) << wrong;
}

}  // namespace
}  // namespace rackproof::tune
