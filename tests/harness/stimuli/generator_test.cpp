// Must hold: a signal is a function of its settings: the same to the bit when made again, however it is cut into
// blocks; and the noise is the same on every machine, so its bits may stand here as numbers.
#include "harness/stimuli/generator.hpp"

#include <gtest/gtest.h>

#include <bit>
#include <cmath>
#include <functional>
#include <string>

#include "harness/stimuli/noise.hpp"
#include "harness/stimuli/tones.hpp"

namespace rackproof::stimuli {
namespace {
struct Named {
  std::string name;
  std::function<Signal()> make;
};
const std::vector<Named>& every_signal() {
  static const std::vector<Named> all{
      {"silence", [] { return silence(); }},
      {"playback",
       [] {
         return playback({1.0, -2.0, 3.0});
       }},
      {"sine",
       [] {
         return sine({997, 0.5, 0.1}, 44100);
       }},
      {"multi_tone",
       [] {
         return multi_tone({{60, 0.5}, {7000, 0.25}}, 48000);
       }},
      {"square",
       [] {
         return square({1000, 1.0}, 48000);
       }},
      {"band_limited_square",
       [] {
         return band_limited_square({440, 1.0}, 48000);
       }},
      {"step", [] { return step(1000, 0.1, -0.9); }},
      {"burst",
       [] {
         return burst({{1000, 1.0}, 10, 480, 48, 1000}, 48000);
       }},
      {"click", [] { return click({.at = 800.3}); }},
      {"sweep",
       [] {
         return sweep({20, 20000, 2500, 1.0, 48000});
       }},
      {"sequence", [] { return maximum_length_sequence(11); }},
      {"uniform", [] { return uniform_noise(5); }},
      {"white", [] { return white_noise(5); }},
      {"pink", [] { return pink_noise(48000, 5); }},
      {"crest", [] { return with_crest_factor(white_noise(6), 2.0); }},
      {"programme", [] { return filtered(white_noise(7), programme_sections(48000)); }},
      {"faded", [] { return faded(scaled(white_noise(8), 0.5), 2000, 100); }},
  };
  return all;
}

TEST(EverySignal, IsTheSameAgainAndHoweverItIsCut) {
  for (const Named& signal : every_signal()) {
    SCOPED_TRACE(signal.name);
    const std::vector<double> whole = take(signal.make(), 3001);
    for (const std::size_t cut : {1u, 7u, 64u, 3001u}) {
      const Signal again = signal.make();
      std::vector<double> pieces;
      while (pieces.size() < whole.size()) {
        const std::vector<double> piece = take(again, std::min(cut, whole.size() - pieces.size()));
        pieces.insert(pieces.end(), piece.begin(), piece.end());
      }
      ASSERT_EQ(pieces, whole) << "blocks of " << cut;
    }
    for (const double x : whole) ASSERT_TRUE(std::isfinite(x));
  }
}

TEST(EverySeed, MakesAnotherNoise) {
  EXPECT_NE(take(white_noise(1), 10), take(white_noise(2), 10));
  EXPECT_NE(take(pink_noise(48000, 1), 10), take(pink_noise(48000, 2), 10));
  EXPECT_NE(take(uniform_noise(1), 10), take(uniform_noise(2), 10));
}

TEST(WhiteNoise, HasTheSameBitsOnEveryMachine) {
  std::uint64_t sum = 0;  // FNV-1a over the bits of a million samples
  for (const double x : take(white_noise(1), 1000000)) sum = (sum ^ std::bit_cast<std::uint64_t>(x)) * 1099511628211u;
  EXPECT_EQ(sum, 0xbb02abb4ee9e89c4u);  // found by a second program too, in another language, from the definition
}

TEST(Faded, BeginsAndEndsInSilenceAndIsUntouchedBetween) {
  const std::vector<double> x = take(faded(step(0, 0, 1.0), 1000, 100), 1200);
  EXPECT_EQ(x[0], 0.0);
  EXPECT_NEAR(x[50], 0.5, 1e-12);
  for (std::size_t n = 0; n < 1200; ++n) {
    const bool rising = n > 0 && n < 101, still = n >= 100 && n < 900, inside = n < 1000;
    ASSERT_TRUE(!rising || x[n] > x[n - 1]) << n;
    ASSERT_TRUE(!still || x[n] == 1.0) << n;
    ASSERT_TRUE(inside ? x[n] == x[999 - n] : x[n] == 0.0) << n;
  }
}

TEST(Clipped, HoldsItsCeilingAndNothingElse) {
  const std::vector<double> x = take(white_noise(3), 5000), y = take(clipped(white_noise(3), 1.5), 5000);
  for (std::size_t n = 0; n < x.size(); ++n) ASSERT_EQ(y[n], std::abs(x[n]) > 1.5 ? std::copysign(1.5, x[n]) : x[n]);
}
}  // namespace
}  // namespace rackproof::stimuli
