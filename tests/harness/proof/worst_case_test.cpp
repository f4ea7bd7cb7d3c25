// Must hold: no input within full scale goes beyond the bound (random and adversarial inputs are tried), the input that
// is made for it reaches it; a path that is not linear, or goes beyond what the core carries, falls.
#include <gmock/gmock.h>

#include <cmath>
#include <random>

#include "harness/proof/stimulation.hpp"
#include "harness/stimuli/path_worst_case.hpp"
#include "proof_rig.hpp"

namespace rackproof::proof::test {
namespace {

using testing::HasSubstr;

TEST(WorstCase, IsMetAndNeverPassed) {
  const Prepared prepared(kRig);
  EXPECT_EQ(fallen_ids(check_worst_case(prepared.subject)), "");
  const std::vector<WorstInput> worst = worst_inputs(prepared.subject);
  const std::unique_ptr<Device> device = make_chain(prepared.unlimited.settings());
  const std::size_t outputs = worst.size();
  for (std::size_t o = 0; o < outputs; ++o) {
    ASSERT_TRUE(worst[o].died_away);
    const Row out = run(*device, worst[o].feeds, outputs)[o];
    // 20000 additions in single precision of the path, each off by 6e-8 of what it adds to.
    EXPECT_NEAR(std::abs(static_cast<double>(out[worst[o].at])), worst[o].bound, 1e-4 * worst[o].bound);
    for (const Row& in : worst[o].feeds) EXPECT_LE(greatest_magnitude(in), 1.0);
  }
  std::mt19937 random(3);
  for (int trial = 0; trial < 20; ++trial) {
    Rows in(2, Row(6000));
    const std::uint32_t run_length = 1u << (trial % 10);  // from noise to slow squares
    for (Row& row : in)
      for (std::size_t n = 0; n < row.size(); ++n)
        row[n] = n % run_length == 0 ? (random() & 1u ? 1.0f : -1.0f) : row[n - 1];
    const Rows out = run(*device, in, outputs);
    for (std::size_t o = 0; o < outputs; ++o) EXPECT_LE(greatest_magnitude(out[o]), worst[o].bound * 1.0001);
  }
}
TEST(WorstCase, AgreesWithTheStimulusThatIsMadeFromTheSettings) {
  const Prepared prepared(kRig);
  const std::vector<WorstInput> worst = worst_inputs(prepared.subject);
  const std::vector<std::vector<std::size_t>> channels = {{0}, {1}};
  for (std::size_t o = 0; o < worst.size(); ++o) {
    const auto other = stimuli::path_worst_case(prepared.compiled.settings(), o, channels, 48000);
    EXPECT_NEAR(other.peak / worst[o].bound, 1, 1e-5);  // each leaves a part in a million of the end
  }
}
TEST(WorstCase, APathThatRingsForEverOnOneFeedHasNotDiedAway) {
  int lives = 0;  // of the device: made, then reset ahead of the sample on each feed
  const Prepared prepared(kRig, spoiling([&lives]() -> Spoil {
                            const bool left = ++lives == 2;
                            return [left](std::span<float* const> rows, std::size_t frames) {
                              for (float* const row : rows)
                                for (std::size_t n = 0; left && n < frames; ++n) row[n] += 0.001f;
                            };
                          }));
  const std::vector<WorstInput> worst = worst_inputs(prepared.subject);
  ASSERT_EQ(lives, 3);
  for (std::size_t o = 0; o < worst.size(); ++o) {
    const std::string& name = prepared.unlimited.outputs[o].name;
    EXPECT_EQ(worst[o].died_away, name == "high.right") << name;  // "low" hears the mean of both feeds
  }
}
TEST(WorstCase, BeyondWhatTheCoreCarriesFallsWithTheGainToTakeOut) {
  const Prepared prepared(edited(kRig, "gain = \"-3 dB\"", "gain = \"+33 dB\""));
  const auto fell = fallen(check_worst_case(prepared.subject), "worst-case");
  ASSERT_FALSE(fell.empty());
  EXPECT_GT(fell[0].measured, 36);
  EXPECT_THAT(fell[0].text, HasSubstr("system.gain"));
}
TEST(WorstCase, APathThatClipsDoesNotMeetItsBound) {
  const Prepared prepared(kRig, mapping([](float x) { return std::clamp(x, -0.5f, 0.5f); }));
  EXPECT_FALSE(fallen(check_worst_case(prepared.subject), "worst-case").empty());
}
// A path that makes the loud a little louder than the soft: the bound is summed from soft answers, the input that is
// made for it is loud.
TEST(WorstCase, IsMetWithinATenthOfADecibel) {
  for (const double louder_db : {0.08, 0.13, -0.08, -0.13}) {
    const auto louder = static_cast<float>(std::pow(10, louder_db / 20));
    const Prepared prepared(kRig, mapping([=](float x) { return std::abs(x) > 1.0f ? x * louder : x; }));
    const auto findings = check_worst_case(prepared.subject);
    ASSERT_GT(findings[0].measured, 0) << "the input reaches beyond 1, where the path is louder";
    EXPECT_EQ(fallen(findings, "worst-case").empty(), std::abs(louder_db) < 0.1) << louder_db;
    if (std::abs(louder_db) > 0.1)
      EXPECT_THAT(fallen(findings, "worst-case").at(0).text, HasSubstr("the path is not linear"));
  }
}
// Linear gain moves the bound by as much: the 36 dB that the core carries, from both sides.
TEST(WorstCase, WhatTheCoreCarriesIsBracketed) {
  const std::string text = edited(kRig, "gain = \"-3 dB\"", "gain = \"20 dB\"");
  const double at_20_db = check_worst_case(Prepared(text).subject).at(0).measured;
  for (const double beyond_db : {-0.1, 0.1}) {
    const std::string gain = "gain = \"" + std::to_string(20 + 36 - at_20_db + beyond_db) + " dB\"";
    const Finding f = check_worst_case(Prepared(edited(kRig, "gain = \"-3 dB\"", gain)).subject).at(0);
    EXPECT_NEAR(f.measured, 36 + beyond_db, 0.01);
    EXPECT_EQ(f.holds, beyond_db < 0) << f.text;
    if (beyond_db > 0) EXPECT_THAT(f.text, testing::Not(HasSubstr("this build")));
  }
}
TEST(Stability, AnEqThatRingsForHalfAMinuteIsNamed) {
  const Prepared prepared(edited(kRig, "q = 1.4 } ]",
                                 "q = 1.4 }, { type = \"peaking\", at = \"5 Hz\", gain = \"6 dB\", "
                                 "q = 90 } ]"));
  const auto fell = fallen(check_stability(prepared.subject), "stability");
  ASSERT_FALSE(fell.empty());
  EXPECT_THAT(fell[0].text, HasSubstr("system.eq[2] (peaking, +6 dB at 5 Hz)"));
  EXPECT_THAT(fell[0].text, testing::Not(HasSubstr("this build")));
}
TEST(WorstCase, APathThatNeverDiesAwayHasNoBound) {
  const Prepared prepared(kRig, mapping([](float x) { return x + 1e-4f; }));
  const auto fell = fallen(check_worst_case(prepared.subject), "worst-case");
  ASSERT_EQ(fell.size(), 3u);
  EXPECT_THAT(fell[0].text, HasSubstr("not died away"));
}

}  // namespace
}  // namespace rackproof::proof::test
