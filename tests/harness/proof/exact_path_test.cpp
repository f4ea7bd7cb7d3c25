// Must hold: stability sees a pole that should not be there, in the numbers and in what runs; noise-floor sees noise
// that is above -120 dBFS and silence that does not come; both leave a sound rig alone.
#include <gmock/gmock.h>

#include <cmath>

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
  s.rate = static_cast<float>(rate), s.damp = s.cross = static_cast<float>(half);
  s.mix_v = 0.0f, s.mix_2 = 1.0f;
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
TEST(Stability, APoleOutsideTheCircleGrowsAndFalls) {
  for (const double r : {1.0005, 1.05}) {  // slowly, and beyond all numbers
    const auto findings = check_stability(Prepared(kRig, with_section(ringing(r, 0.3))).subject);
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
