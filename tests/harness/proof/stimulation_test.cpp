// Must hold: the oracle for the wave between samples knows sines of every phase and frequency up to 0.45 of the rate,
// and clicks, to 0.02 dB; how signals stand on feeds; that a device is run from reset.
#include <gtest/gtest.h>

#include <cmath>
#include <numbers>

#include "harness/analysis/decibels.hpp"
#include "harness/proof/stimulation.hpp"
#include "harness/stimuli/tones.hpp"
#include "proof_rig.hpp"

namespace rackproof::proof::test {
namespace {

TEST(WaveCrest, ReadsSinesOfEveryFrequencyAndPhase) {
  for (const double f : {0.001, 0.1, 0.2371, 0.25, 1.0 / 3, 0.4, 0.42, 0.45}) {
    double greatest_sample = 0;
    for (int phase = 0; phase < 16; ++phase) {
      Row row(4000);
      for (std::size_t n = 0; n < row.size(); ++n)
        row[n] = static_cast<float>(std::sin(2 * std::numbers::pi * f * static_cast<double>(n) + phase * 0.1963));
      // Fades: a tone that begins dead is another wave.
      for (std::size_t n = 0; n < 800; ++n)
        row[n] *= static_cast<float>(0.5 - 0.5 * std::cos(std::numbers::pi * static_cast<double>(n) / 800));
      greatest_sample = std::max(greatest_sample, greatest_magnitude(row));
      EXPECT_NEAR(analysis::db_from_ratio(wave_crest(row)), 0, 0.02) << f << " phase " << phase;
    }
  }
}
TEST(WaveCrest, IsNotWhatTheSamplesSay) {  // the control: at a quarter of the rate, 45 degrees off
  Row row(2000);
  for (std::size_t n = 0; n < row.size(); ++n)
    row[n] = static_cast<float>(std::min(1.0, static_cast<double>(n) / 500) *
                                std::sin(std::numbers::pi * (static_cast<double>(n) / 2 + 0.25)));
  EXPECT_NEAR(greatest_magnitude(row), std::numbers::sqrt2 / 2, 1e-6);
  EXPECT_NEAR(wave_crest(row), 1, 0.0025);
}
TEST(WaveCrest, FindsAClickAnywhereBetweenSamplesAndInAnyCut) {
  for (int k = 0; k < 32; ++k) {
    const Row row = samples_of(stimuli::click({.at = 400 + k / 32.0, .amplitude = 0.8, .band = 0.75}), 900);
    EXPECT_NEAR(analysis::db_from_ratio(wave_crest(row) / 0.8), 0, 0.02) << k;
    WaveCrest pieces;
    for (std::size_t n = 0; n < row.size(); n += 7)
      pieces.add(std::span(row).subspan(n, std::min<std::size_t>(7, row.size() - n)));
    // A parabola has no neighbour at the edge of a piece: a point in eight of each sample there is all that is lost.
    EXPECT_NEAR(analysis::db_from_ratio(pieces.greatest() / wave_crest(row)), 0, 0.1) << k;
  }
}
TEST(Fed, PutsOneSignalOnTheFeeds) {
  const Row x = {1, -2};
  EXPECT_EQ(fed(x, 3, Feeding::together), (Rows{x, x, x}));
  EXPECT_EQ(fed(x, 3, Feeding::opposed), (Rows{x, {-1, 2}, x}));
  EXPECT_EQ(fed(x, 3, Feeding::one), (Rows{x, {0, 0}, {0, 0}}));
  OutputPlan right;
  right.source = 1;
  EXPECT_EQ(fed_to(right, x, 2), (Rows{{0, 0}, x}));
  right.source = dsp::kMeanOfFeeds;
  EXPECT_EQ(fed_to(right, x, 2), (Rows{x, x}));
}
TEST(Differing, CountsBitsAndLengths) {
  EXPECT_EQ(differing({{0.0f, 1.0f}}, {{0.0f, 1.0f}}), 0u);
  EXPECT_EQ(differing({{0.0f, 1.0f}}, {{-0.0f, 1.0f}}), 1u);
  EXPECT_EQ(differing({{0.0f}}, {{0.0f, 1.0f, 2.0f}}), 2u);
  EXPECT_NE(differing({{0.0f}}, {}), 0u);
  EXPECT_EQ(differing({{NAN}}, {{NAN}}), 0u);
}
TEST(Run, StartsFromResetAndTheLimitersAloneHaveNothingAheadOfThem) {
  const Prepared prepared(kRig);
  const std::unique_ptr<Device> device = make_chain(prepared.compiled.settings());
  const Rows in = fed(samples_of(stimuli::square({.frequency_hz = 333}, 48000), 3000), 2, Feeding::together);
  const Rows first = run(*device, in, 3);
  EXPECT_EQ(differing(run(*device, in, 3, 17), first), 0u);
  EXPECT_GT(differing(run_on(*device, in, 3), first), 0u);

  const LimitersAlone alone(prepared.compiled.settings(), 0, false);
  const Row quiet(500, 1e-3f);
  const Row out = run(*make_chain(alone.settings), {quiet}, 1)[0];
  EXPECT_EQ(std::vector<float>(out.begin() + 200, out.end()), std::vector<float>(300, 1e-3f));
}
// Each copy of the limiters that stand side by side makes of its feed, bit for bit, what they make of it alone, whatever
// the others are fed. Control: two feeds do not come out alike.
TEST(LimitersAbreast, ACopyIsTheLimitersAlone) {
  const Prepared prepared(kRig);
  for (const bool with_power : {false, true}) {
    const LimitersAlone alone(prepared.compiled.settings(), 0, with_power);
    const LimitersAbreast abreast(alone, 8);
    Rows feeds;
    for (std::uint32_t copy = 0; copy < 8; ++copy)
      feeds.push_back(scaled(samples_of(stimuli::square({.frequency_hz = 50.0 + 90 * copy}, 48000), 20000),
                             0.01 * std::pow(2.5, copy)));
    const Rows out = run(*make_chain(abreast.settings), feeds, 8);
    for (std::size_t copy = 0; copy < 8; ++copy)
      EXPECT_EQ(differing({out[copy]}, run(*make_chain(alone.settings), {feeds[copy]}, 1)), 0u) << copy;
    EXPECT_GT(differing({out[6]}, {out[7]}), 10000u);
  }
}

}  // namespace
}  // namespace rackproof::proof::test
