// Must hold: what two rigs do unlike one another is told as the formulas of their filters have it; a rig beside itself
// differs in nothing; sums keep their phases; what is out of reach is not judged; a distortion is that of the whole
// chain; recordings are put together by their times.
#include "harness/compare/comparison.hpp"

#include <gmock/gmock.h>

#include <cmath>
#include <numbers>

#include "dsp/chain/chain.hpp"
#include "harness/compare/words.hpp"
#include "harness/proof/checks/checks.hpp"
#include "tests/harness/compare/two_rigs.hpp"
#include "tests/harness/scratch.hpp"

namespace rackproof::compare {
namespace {

using test::output_of;
using test::Two;
using testing::ElementsAre;
using testing::HasSubstr;
using testing::IsEmpty;

constexpr double kRate_hz = 48000;

/// Level of one side of a Linkwitz-Riley point of 24 dB/oct: 1 / (1 + r^4), r of the tangents, as the bilinear
/// transform has it (two Butterworth sides of second order in a row: textbook).
double linkwitz_riley_db(double hz, double at_hz, bool high) {
  const double r = std::tan(std::numbers::pi * hz / kRate_hz) / std::tan(std::numbers::pi * at_hz / kRate_hz);
  const double r4 = std::pow(r, 4);
  return 20 * std::log10((high ? r4 : 1) / (1 + r4));
}

TEST(Comparison, ARigBesideItselfDiffersInNothing) {
  const Two same([](rig::Rig& rig) { rig.title = "another title"; });
  const Comparison found = same.compared();
  EXPECT_TRUE(found.same());
  EXPECT_THAT(found.moved, IsEmpty());
  ASSERT_EQ(found.outputs.size(), 4u);
  for (const Output& output : found.outputs) {
    EXPECT_EQ(output.response->db, 0) << output.name;  // to the bit: both are measured on chains of the same numbers
    EXPECT_EQ(output.at_work->db, 0) << output.name;
    EXPECT_EQ(output.a->distortion_db, output.b->distortion_db);
    EXPECT_EQ(place_text(output.response), "");
  }
  for (const Sum& sum : found.sums) EXPECT_EQ(sum.response->db, 0);
  EXPECT_THAT(found.warnings.a, IsEmpty());
  EXPECT_THAT(found.warnings.b, IsEmpty());
}

/// Muted, an output is told of as it will be heard again; what is heard now, the sum, is without it.
TEST(Comparison, AMutedOutputHasItsResponseAndIsInNoSum) {
  const Two two([](rig::Rig& rig) { rig.ways[1].output["left"].muted = true; },
                [](rig::Rig& rig) { rig.ways[0].highpass.reset(); });
  const Comparison found = two.compared();
  EXPECT_FALSE(found.same());
  for (const Output& output : found.outputs) EXPECT_EQ(output.response->db, 0) << output.name;
  ASSERT_EQ(found.sums.size(), 2u);
  EXPECT_EQ(found.sums[1].response->db, 0) << "the right side is whole";
  const Sum& left = found.sums[0];
  EXPECT_LT(left.response->db, -50) << "the highs are missing: far above the point the lows are that far down";
  for (std::size_t k = 0; k < found.frequency_hz.size(); ++k) {
    const double low_db = linkwitz_riley_db(found.frequency_hz[k], 1600, false);
    if (low_db > -60) ASSERT_NEAR((*left.b_db)[k], low_db, 0.01) << found.frequency_hz[k] << ": the lows alone";
  }
}

TEST(Comparison, ResponsesAreThoseOfTheFormula) {
  const Two two([](rig::Rig& rig) { rig.points = {a_point(1900)}; },
                [](rig::Rig& rig) { rig.ways[0].highpass.reset(); });
  const Comparison found = two.compared();
  EXPECT_FALSE(found.same());
  const auto level = [](double hz, bool of_b, bool high) { return linkwitz_riley_db(hz, of_b ? 1900 : 1600, high); };
  for (const bool high : {false, true}) {
    const Output& output = output_of(found, high ? "high.left" : "low.left");
    double most = 0, at_hz = 0;
    for (std::size_t k = 0; k < found.frequency_hz.size(); ++k) {
      const double hz = found.frequency_hz[k], a = level(hz, false, high), b = level(hz, true, high);
      // The chain works in single precision: down to -80 dB that is less than a hundredth of a decibel.
      if (a > -80) {
        EXPECT_NEAR(output.a->response_db[k], a, 0.01) << hz;
      }
      if (b > -80) {
        EXPECT_NEAR(output.b->response_db[k], b, 0.01) << hz;
      }
      // Both have their loudest at 0 dB.
      if ((a > -60 || b > -60) && std::abs(b - a) > std::abs(most)) {
        most = b - a;
        at_hz = hz;
      }
    }
    EXPECT_NEAR(output.response->db, most, 0.02);
    EXPECT_GT(std::abs(most), 5.0);
    // Within what is judged: of the low way b is the louder out there, of the high way a.
    EXPECT_GT(level(output.response->at_hz, !high, high), -60.5);
    // Nearly level out there: some frequencies along, the difference is the same within its tolerance.
    EXPECT_NEAR(std::log2(output.response->at_hz / at_hz), 0, 0.25);
    // At work: the greatest with either above -12 dB, by the formula.
    double at_work = 0;
    for (double hz = 20; hz < 20e3; hz *= 1.0005) {
      const double a = level(hz, false, high), b = level(hz, true, high);
      if ((a > -12 || b > -12) && std::abs(b - a) > std::abs(at_work)) at_work = b - a;
    }
    EXPECT_NEAR(output.at_work->db, at_work, 0.03);  // the edge itself lies between two frequencies
    EXPECT_LT(std::abs(at_work), std::abs(most) - 1);
  }
  // Both points add up to an all-pass: the sums do not differ, and that is no matter of phases left out (below).
  for (const Sum& sum : found.sums) EXPECT_LT(std::abs(sum.response->db), 0.01) << sum.feed;
}

TEST(Comparison, OneBandOfThreeDecibelsIsFoundAtItsFrequency) {
  for (const double hz : {63.0, 1000.0, 7130.0}) {
    const Two two([&](rig::Rig& rig) { rig.system_eq = {a_band(rig::EqType::peaking, hz, 3, 8)}; });
    const Comparison found = two.compared();
    for (const Sum& sum : found.sums) {
      EXPECT_NEAR(sum.response->db, 3, 0.005);
      EXPECT_NEAR(sum.response->at_hz / hz, 1, 0.002);
      EXPECT_FALSE(sum.response->everywhere);
    }
    const Output& plays = output_of(found, hz > 1600 ? "high.left" : "low.left");
    EXPECT_NEAR(plays.at_work->db, 3, 0.005);
    EXPECT_NEAR(plays.at_work->at_hz / hz, 1, 0.002);
    EXPECT_EQ(apart_text(plays.at_work), "+3.00 dB");
  }
  const Two cut([](rig::Rig& rig) { rig.system_eq = {a_band(rig::EqType::peaking, 1000, -3, 8)}; });
  EXPECT_NEAR(cut.compared().sums[0].response->db, -3, 0.005);  // b less a
}

TEST(Comparison, ANarrowBandBetweenTheFrequenciesIsNotPassedOver) {
  // Half-way between two of 96 an octave, where the nearest of them see a tenth of it; and a wide one that is lower.
  const double hz = 20 * std::exp2((400 + 0.5) / 96);
  const Two two([&](rig::Rig& rig) {
    rig.system_eq = {a_band(rig::EqType::peaking, hz, 5, 800), a_band(rig::EqType::peaking, 6000, 3, 2)};
  });
  const Comparison found = two.compared();
  EXPECT_NEAR(found.sums[0].response->db, 5, 0.02);
  EXPECT_NEAR(found.sums[0].response->at_hz / hz, 1, 1e-4);
}

TEST(Comparison, AGainAloneIsTheSameEverywhere) {
  const Two two([](rig::Rig& rig) { rig.ways[1].gain_db = -2; });
  const Comparison found = two.compared();
  EXPECT_NEAR(output_of(found, "high.right").response->db, -2, 0.01);
  EXPECT_TRUE(output_of(found, "high.right").response->everywhere);
  EXPECT_EQ(place_text(output_of(found, "high.right").response), "everywhere");
  EXPECT_EQ(output_of(found, "low.right").response->db, 0);
}

TEST(Comparison, SumsKeepTheirPhases) {
  const Two two([](rig::Rig& rig) { rig.ways[1].inverted = true; },
                [](rig::Rig& rig) { rig.ways[0].highpass.reset(); });
  const Comparison found = two.compared();
  EXPECT_EQ(output_of(found, "high.left").response->db, 0);  // a level has no sign
  // (1 - r^4) / (1 + r^4) is nothing at the point: no lower than 100 dB below its loudest counts.
  EXPECT_NEAR(found.sums[0].response->at_hz / 1600, 1, 0.001);
  EXPECT_LT(found.sums[0].response->db, -60);
  EXPECT_GE(found.sums[0].response->db, -100.01);
}

TEST(Comparison, WhatOnlyOneHasIsTold) {
  const Two two([](rig::Rig& rig) { rig.ways[0].sum_of_feeds = true; });
  const Comparison found = two.compared();
  std::vector<std::string> names;
  for (const Output& output : found.outputs) names.push_back(output.name);
  EXPECT_THAT(names, ElementsAre("low.left", "low.right", "high.left", "high.right", "low"));
  EXPECT_TRUE(output_of(found, "low.left").a && !output_of(found, "low.left").b);
  EXPECT_TRUE(!output_of(found, "low").a && output_of(found, "low").b);
  EXPECT_FALSE(output_of(found, "low").response.has_value());
  EXPECT_TRUE(output_of(found, "high.left").response.has_value());
  ASSERT_EQ(found.sums.size(), 2u);
  EXPECT_EQ(found.sums[0].response->db, 0);  // all feeds driven alike, their mean is any of them
}

TEST(Comparison, WhatIsHeardTakesAmplifiersAndDriversIn) {
  const auto sheets = [](rig::Rig& rig) {
    rig.drivers[0].sensitivity_db = 98;
    rig.drivers[1].sensitivity_db = 104;
    for (rig::Way& way : rig.ways) way.depth_m = 0.1;
  };
  const Two two([](rig::Rig& rig) { rig.amplifiers[1].gain_db = 28; }, sheets);
  const Comparison found = two.compared();
  EXPECT_TRUE(found.sums[0].heard_in_pascals);
  EXPECT_EQ(found.not_heard(), "");
  EXPECT_EQ(found.sums[0].response->db, 0);       // the controller makes the same of both
  EXPECT_NEAR(found.sums[0].heard->db, 2, 0.01);  // 28 dB after 26
  EXPECT_GT(found.sums[0].heard->at_hz, 3000);
  // A sine of 0 dBFS at 200 Hz, where the low alone plays: +18 dBu RMS through 32 dB, 98 dB for sqrt(8 W ohm).
  const double volts = volts_of_dbu(18) * std::pow(10, 32 / 20.0);
  const double level = 98 + 20 * std::log10(volts / std::sqrt(8.0)) + kHeardAt_dbfs;
  const auto at = std::ranges::lower_bound(found.frequency_hz, 200.0) - found.frequency_hz.begin();
  EXPECT_NEAR((*found.sums[0].a_heard_db)[static_cast<std::size_t>(at)], level, 0.05);

  const Comparison blind = Two([](rig::Rig& rig) { rig.drivers[1].sensitivity_db.reset(); }, sheets).compared();
  EXPECT_FALSE(blind.sums[0].heard.has_value());
  EXPECT_THAT(blind.not_heard(), HasSubstr("driver.horn.sensitivity"));
}

TEST(Comparison, DistortionIsThatOfTheWholeChain) {
  const auto one = [](rig::Rig& rig) {
    rig = one_way(an_amplifier("a", {{500, 8}}, 32), a_driver("d", 8, 200));
    rig.ways[0].thermal.reset();
    rig.ways[0].highpass = a_filter(60, rig::Alignment::butterworth, 12);
    rig.ways[0].limit->hold_s = 0;
    rig.ways[0].limit->release_s = 0.1;
  };
  const Two two([](rig::Rig& rig) { rig.ways[0].limit->release_s = 0.4; }, one);
  const Comparison found = two.compared();
  const Output& output = output_of(found, "full.main");
  EXPECT_EQ(output.tone_hz, 60);
  // The same by a transform over whole periods, 800 samples each, of what the whole chain makes.
  const auto by_transform = [](const Candidate& rig) {
    const dsp::ChainSettings& settings = rig.compiled.settings();
    std::vector<std::byte> memory(dsp::Chain::required_bytes(settings));
    dsp::Chain chain;
    EXPECT_EQ(chain.configure(settings, memory), dsp::Setup::ok);
    constexpr std::size_t kPeriod = 800, kAll = 60 * kPeriod, kMeasured = 12 * kPeriod;
    // Butterworth at its own frequency is 3.01 dB down.
    const double amplitude = 2 * std::numbers::sqrt2 * static_cast<double>(settings.outputs[0].peak.ceiling);
    std::vector<float> in(kAll), out(kAll);
    for (std::size_t n = 0; n < kAll; ++n)
      in[n] =
          static_cast<float>(amplitude * std::sin(2 * std::numbers::pi * static_cast<double>(n % kPeriod) / kPeriod));
    const float* const from[] = {in.data()};
    float* const to[] = {out.data()};
    chain.process(from, to, kAll);
    double fundamental = 0, harmonics = 0;
    for (int h = 1; h <= 15; ++h) {
      double c = 0, s = 0;
      for (std::size_t n = kAll - kMeasured; n < kAll; ++n) {
        const double angle = 2 * std::numbers::pi * h * static_cast<double>(n % kPeriod) / kPeriod;
        c += static_cast<double>(out[n]) * std::cos(angle);
        s += static_cast<double>(out[n]) * std::sin(angle);
      }
      (h == 1 ? fundamental : harmonics) += c * c + s * s;
    }
    return 10 * std::log10(harmonics / fundamental);
  };
  const double a = by_transform(two.a), b = by_transform(two.b);
  // 20 log10 of a ripple some -30 dB deep; where within a period a crest falls moves it by less than half a decibel.
  EXPECT_NEAR(*output.a->distortion_db, a, 0.5);
  EXPECT_NEAR(*output.b->distortion_db, b, 0.5);
  EXPECT_LT(b, a - 6);  // a release four times as long ripples a quarter as much: -12 dB, as far as it is linear
  // A rig without a limiter has none.
  const Comparison bare = Two([](rig::Rig& rig) { rig.ways[0].limit.reset(); }, one).compared();
  EXPECT_FALSE(output_of(bare, "full.main").b->distortion_db.has_value());
}

TEST(Comparison, RecordingsAreThoseOfTheProofPutTogetherByTheirTimes) {
  const rackproof::test::Scratch scratch;
  std::vector<float> loud = rackproof::test::noise(2 * 48000, 5), quiet = rackproof::test::noise(2 * 3 * 48000, 7);
  for (float& x : loud) x *= 1.5f;
  for (float& x : quiet) x *= 0.05f;
  rackproof::test::write_audio(scratch / "loud.wav", SF_FORMAT_WAV | SF_FORMAT_FLOAT, 2, 48000, loud);
  rackproof::test::write_audio(scratch / "quiet.wav", SF_FORMAT_WAV | SF_FORMAT_FLOAT, 2, 48000, quiet);
  const Two two([](rig::Rig& rig) { rig.ways[0].limit->below_clip_db = 6; });
  const Comparison found = two.compared({scratch / "loud.wav", scratch / "quiet.wav"});
  ASSERT_EQ(found.programmes.size(), 2u);
  EXPECT_NEAR(found.programmes[1].seconds, 3, 1e-9);
  const Output& low = output_of(found, "low.left");
  const proof::Recording by_proof =
      proof::record({.rig = two.b.rig, .compiled = two.b.compiled, .unlimited = two.b.unlimited}, scratch / "loud.wav");
  const Playing& of_loud = *found.programmes[0].playing[0].b;
  EXPECT_EQ(of_loud.peak_held.mean_db, by_proof.tracks[0].peak_held.mean_db);
  EXPECT_EQ(of_loud.rms_volts, by_proof.tracks[0].rms_volts);
  EXPECT_GT(of_loud.peak_held.mean_db, found.programmes[0].playing[0].a->peak_held.mean_db + 1);  // a lower ceiling
  // One second of four is loud; nothing is held in the other three.
  EXPECT_GT(of_loud.peak_held.over_3_db, 0.1);
  EXPECT_EQ(found.programmes[1].playing[0].b->peak_held.mean_db, 0);
  EXPECT_NEAR(low.b->playing->peak_held.mean_db, of_loud.peak_held.mean_db / 4, 1e-9);
  EXPECT_NEAR(low.b->playing->peak_held.over_3_db, of_loud.peak_held.over_3_db / 4, 1e-9);
  EXPECT_EQ(low.b->playing->peak_held.p95_db, of_loud.peak_held.p95_db);
  const double quiet_rms = found.programmes[1].playing[0].b->rms_volts;
  EXPECT_NEAR(low.b->playing->rms_volts,
              std::sqrt((of_loud.rms_volts * of_loud.rms_volts + 3 * quiet_rms * quiet_rms) / 4), 1e-9);
}

TEST(Comparison, ARecordingOfAnotherRateIsRefusedBeforeAnythingLong) {
  const rackproof::test::Scratch scratch;
  rackproof::test::write_audio(scratch / "cd.wav", SF_FORMAT_WAV | SF_FORMAT_FLOAT, 2, 44100,
                               rackproof::test::noise(2000, 5));
  const Two two([](rig::Rig&) {});
  EXPECT_THROW(two.compared({scratch / "cd.wav"}), InputError);
  const Comparison converted =
      comparison_of(two.a, two.b, {.programmes = {scratch / "cd.wav"}, .resample = true, .with_cost = false});
  EXPECT_EQ(converted.programmes.size(), 1u);
}

}  // namespace
}  // namespace rackproof::compare
