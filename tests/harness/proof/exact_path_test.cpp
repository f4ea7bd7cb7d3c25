// Must hold: stability sees a pole that should not be there, in the numbers and in what runs; noise-floor sees noise
// that is above -120 dBFS and silence that does not come; both leave a sound rig alone.
#include <gmock/gmock.h>

#include <algorithm>
#include <cmath>
#include <vector>

#include "harness/proof/checks/exact_path.hpp"
#include "proof_rig.hpp"

namespace rackproof::proof::test {
namespace {

using testing::HasSubstr;

/// rate, damp, cross of a section with poles r e^(+-j w): damp + cross = 2 - 2 r cos w; (1-damp)(1-cross) + rate^2 =
/// r^2.
dsp::Section ringing(double r, double w) {
  const double half = 1 - r * std::cos(w);  // damp = cross = half
  const double rate = std::sqrt(r * r - (1 - half) * (1 - half));
  dsp::Section s;
  s.rate = static_cast<float>(rate);
  s.damp = s.cross = static_cast<float>(half);
  s.mix_v = 0.0f;
  s.mix_2 = 1.0f;
  return s;
}
DeviceMaker with_section(const dsp::Section& section) {
  return [section](const dsp::ChainSettings& original) {
    std::vector<dsp::OutputSettings> outputs(original.outputs.begin(), original.outputs.end());
    std::vector<dsp::Section> sections(outputs[0].sections.begin(), outputs[0].sections.end());
    sections.push_back(section);
    outputs[0].sections = sections;
    dsp::ChainSettings settings = original;
    settings.outputs = outputs;
    return make_chain(settings);
  };
}

TEST(PoleRadius, IsWhatTheSectionWasMadeFor) {
  for (const double r : {0.5, 0.9, 0.999, 0.99999, 1.0001, 1.5})
    EXPECT_NEAR(pole_radius(ringing(r, 0.3)), r, 1e-6) << r;  // three coefficients, each rounded by 6e-8
  EXPECT_EQ(pole_radius(dsp::Section{}), 0);
  dsp::Section first;  // s2' = s2 + cross (x - s2): a pole at 1 - cross
  first.cross = 0.25f;
  EXPECT_EQ(pole_radius(first), 0.75);
}
TEST(Stability, HoldsAndSaysHowLongTheSlowestRings) {
  const auto findings = check_stability(Prepared(kRig).subject);
  ASSERT_EQ(findings.size(), 1u);
  EXPECT_TRUE(findings[0].holds);
  EXPECT_LT(findings[0].measured, 1);
  EXPECT_GT(findings[0].measured, 0.99) << "a 55 Hz filter is close to the circle";
}
/// A device with a pole at `radius` behind its outputs, which the core's own settings cannot have.
DeviceMaker growing(double radius) {
  return spoiling([radius]() -> Spoil {
    return [radius, state = std::vector<double>()](std::span<float* const> rows, std::size_t frames) mutable {
      state.resize(rows.size(), 0.0);
      for (std::size_t o = 0; o < rows.size(); ++o)
        for (std::size_t n = 0; n < frames; ++n) {
          state[o] = radius * state[o] + static_cast<double>(rows[o][n]);
          rows[o][n] = static_cast<float>(state[o]);
        }
    };
  });
}
TEST(Stability, APoleOutsideTheCircleGrowsAndFalls) {
  EXPECT_THROW(static_cast<void>(check_stability(Prepared(kRig, with_section(ringing(1.0005, 0.3))).subject)),
               std::invalid_argument)
      << "the core refuses it";
  for (const double r : {1.0005, 1.05}) {  // slowly, and beyond all numbers
    const auto findings = check_stability(Prepared(kRig, growing(r)).subject);
    ASSERT_EQ(findings.size(), 1u);
    EXPECT_FALSE(findings[0].holds) << r;
    EXPECT_TRUE(std::isfinite(findings[0].measured));
  }
}
TEST(Stability, AFilterThatRingsForMinutesIsNotWhatTheRigAskedFor) {
  const auto findings = check_stability(Prepared(kRig, with_section(ringing(0.999999, 0.3))).subject);
  EXPECT_FALSE(findings[0].holds);
  EXPECT_THAT(findings[0].text, HasSubstr("rings or grows"));
}
/// A device whose outputs keep a share of the greatest sample that they had.
DeviceMaker leaving(double left_db) {
  return spoiling([share = static_cast<float>(std::pow(10, left_db / 20))]() -> Spoil {
    return [share, greatest = std::vector<float>()](std::span<float* const> rows, std::size_t frames) mutable {
      greatest.resize(rows.size(), 0.0f);
      for (std::size_t o = 0; o < rows.size(); ++o)
        for (std::size_t n = 0; n < frames; ++n) {
          greatest[o] = std::max(greatest[o], std::abs(rows[o][n]));
          rows[o][n] += share * greatest[o];
        }
    };
  });
}
TEST(Stability, WhatIsLeftOfAClickIsBracketedAt120Decibels) {
  const Turn turn = turn_of(
      -130, -110, [](double left_db) { return check_stability(Prepared(kRig, leaving(left_db)).subject).at(0); });
  EXPECT_NEAR(turn.falls.measured, -120, 0.1);  // a hair is 0.08 dB
  EXPECT_EQ(turn.falls.allowed, -120);
  EXPECT_EQ(turn.holds.unit, "pole radius");
  EXPECT_THAT(turn.falls.text, HasSubstr("this build"));  // the file's own numbers die away
}
// What the file asks for may ring for 7.5 s until it is 60 dB down: radius^(7.5 s * 48 kHz) = 1/1000.
TEST(Stability, SevenAndAHalfSecondsAreBracketed) {
  const Turn turn = turn_of(10, 20, [](double q) {
    const std::string band = "{ type = \"peaking\", at = \"5 Hz\", gain = \"1 dB\", q = " + std::to_string(q) + " }";
    return check_stability(Prepared(edited(kRig, "q = 1.4 } ]", "q = 1.4 }, " + band + " ]")).subject).at(0);
  });
  EXPECT_NEAR(turn.falls.measured, 7.5, 0.1);  // rounded to single precision, such a pole moves by a hundredth
  EXPECT_NEAR(std::log(1e-3) / std::log(turn.holds.measured) / 48000, 7.5, 0.1);
  EXPECT_THAT(turn.falls.text, testing::Not(HasSubstr("this build")));
}
// As wide as this so near to half the sample rate, a shelf comes to z^2 - 1 over z^2 - 1: poles at 1 and -1.
const std::string kOnTheCircle = "{ type = \"highshelf\", at = \"23.5 kHz\", gain = \"2 dB\", bandwidth = \"2 oct\" }";
/// Of a rig with such a band: what falls, each told by the band's name, and which outputs are silent in the end.
std::vector<std::string> silent_beside(const std::string& band, const std::string& rig, std::size_t falling) {
  const Prepared prepared(rig);
  std::vector<Finding> findings = check_stability(prepared.subject);
  for (Finding& f : check_noise_floor(prepared.subject)) findings.push_back(std::move(f));
  EXPECT_EQ(findings.size(), 4u);
  std::size_t fell = 0;
  std::vector<std::string> silent;
  for (const Finding& f : findings) {
    if (f.holds) {
      EXPECT_THAT(f.text, HasSubstr("it is exactly silent within")) << f.id;
      silent.push_back(f.output.value_or("-"));
      continue;
    }
    ++fell;
    EXPECT_THAT(f.text, testing::AllOf(HasSubstr(band), testing::Not(HasSubstr("this build")))) << f.id;
  }
  EXPECT_EQ(fell, falling);
  return silent;
}
// Ahead of the crossover: low does fall silent, as its high-pass takes what stands at 1, its low-pass what stands at -1.
TEST(Stability, APoleOnTheCircleIsToldByTheNameOfItsBandInEveryCheckThatItFails) {
  const std::string rig = edited(kRig, "q = 1.4 } ]", "q = 1.4 }, " + kOnTheCircle + " ]");
  EXPECT_THAT(silent_beside("system.eq[2]", rig, 3), testing::ElementsAre("low"));
}
// Behind it nothing takes either.
TEST(Stability, APoleOnTheCircleOfAWayIsToldByTheNameOfItsBand) {
  const std::string rig = edited(kRig, "delay = \"0.3 ms\"", "delay = \"0.3 ms\"\neq = [ " + kOnTheCircle + " ]");
  EXPECT_THAT(silent_beside("way.low.eq[1]", rig, 2), testing::ElementsAre("high.left", "high.right"));
}
TEST(NoiseFloor, OfASoundRigIsFarBelow) {
  const auto findings = check_noise_floor(Prepared(kRig).subject);
  EXPECT_EQ(findings.size(), 3u);
  EXPECT_EQ(fallen_ids(findings), "");
  for (const Finding& f : findings) EXPECT_LT(f.measured, -140);
}
TEST(NoiseFloor, TwentyBitsAreNotEnough) {
  const auto rounded_to = [](float steps) { return mapping([=](float x) { return std::round(x * steps) / steps; }); };
  // Of a step q an even error: q / sqrt(12) RMS, 3 dB more against a sine. 2^-18: -108.4 - 10.8 + 3.0 = -116.2 dBFS;
  // 2^-20: -128.2.
  const auto coarse = check_noise_floor(Prepared(kRig, rounded_to(262144)).subject);
  EXPECT_EQ(fallen(coarse, "noise-floor").size(), 3u);
  EXPECT_NEAR(coarse[0].measured, 20 * std::log10(std::ldexp(1, -18) * std::sqrt(2.0 / 12)), 0.2);
  EXPECT_EQ(fallen_ids(check_noise_floor(Prepared(kRig, rounded_to(1048576)).subject)), "");
}
TEST(NoiseFloor, OneHundredAndTwentyDecibelsAreBracketed) {
  // Of a step q an even error: 20 log10(q / sqrt(12)) + 3 dBFS.
  const double step = std::pow(10, -120 / 20.0) / std::sqrt(2.0 / 12);
  for (const double beyond_db : {-0.3, 0.3}) {
    const auto steps = static_cast<float>(1 / (step * std::pow(10, beyond_db / 20)));
    const Prepared prepared(kRig, mapping([=](float x) { return std::round(x * steps) / steps; }));
    const Finding f = check_noise_floor(prepared.subject).at(0);
    EXPECT_NEAR(f.measured, -120 + beyond_db, 0.2) << "an error that is even in the mean alone";
    EXPECT_EQ(f.holds, beyond_db < 0) << f.text;
  }
}
// The silence ahead of a late output is no part of its mean.
TEST(NoiseFloor, OfALateOutputIsThatOfOneThatIsNot) {
  const auto rounded = mapping([](float x) { return std::round(x * 65536) / 65536; });
  const double soon = check_noise_floor(Prepared(kRig, rounded).subject).at(0).measured;
  const std::string late = edited(kRig, "delay = \"0.3 ms\"", "delay = \"900.3 ms\"");
  EXPECT_NEAR(check_noise_floor(Prepared(late, rounded).subject).at(0).measured, soon, 0.1)
      << "2.8 dB with the silence";
}
TEST(NoiseFloor, AToneThatNeverEndsFallsHoweverQuiet) {
  const Prepared prepared(kRig, mapping([](float x) { return x + 1e-12f; }));
  const auto fell = fallen(check_noise_floor(prepared.subject), "noise-floor");
  ASSERT_EQ(fell.size(), 3u);
  EXPECT_THAT(fell[0].text, HasSubstr("never ends"));
}
TEST(ExactPath, IsTheChainForAllItsParts) {
  // With a fractional delay, a mean of feeds, gains and every cascade: the low output of the rig has them all.
  const Prepared prepared(kRig);
  const Rows in = {Row{1, 0.5f, -0.25f, 0.125f}, Row{-1, 1, 1, -0.5f}};
  Rows longer = in;
  for (Row& row : longer) row.resize(2000, 0.0f);
  const Rows out = run(*make_chain(prepared.unlimited.settings()), longer, 3);
  const auto exact = exact_outputs(prepared.unlimited.settings(), longer);
  for (std::size_t o = 0; o < 3; ++o)
    for (std::size_t n = 0; n < 2000; ++n)
      ASSERT_NEAR(static_cast<double>(out[o][n]), static_cast<double>(exact[o][n]), 1e-6) << o << " " << n;
}

}  // namespace
}  // namespace rackproof::proof::test
