// Must hold: a band-limited signal, late by any fraction of a sample, is found to 0.001 sample (the goal; far better in
// fact), with its polarity, before or after, loud or soft, under an echo and in noise. Control: a parabola through the
// three samples at the crest, the usual shortcut, misses that goal.
#include "harness/analysis/arrival.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <random>

#include "harness/analysis/fourier.hpp"
#include "harness/stimuli/noise.hpp"
#include "harness/stimuli/tones.hpp"

namespace rackproof::analysis {
namespace {
using stimuli::take;

// Noise of 0 .. `band` (over half the rate) by pulses of known places: exact at any delay.
std::vector<double> band_noise(double delay, double gain, std::size_t size, double band, unsigned seed) {
  std::mt19937 bits(seed);
  std::vector<double> x(size, 0.0);
  for (double at = 100; at < static_cast<double>(size) - 200; at += 17) {
    const double height = static_cast<double>(bits()) / 2147483648.0 - 1.0;
    const auto first = static_cast<std::size_t>(at + delay) - 66;
    const std::vector<double> pulse = take(
        stimuli::click({.at = at + delay - static_cast<double>(first), .amplitude = height * gain, .band = band}), 134);
    for (std::size_t n = 0; n < pulse.size(); ++n) x[first + n] += pulse[n];
  }
  return x;
}

TEST(FindArrival, OfAnyFractionOfASample) {
  std::mt19937 bits(5);
  double worst = 0, worst_by_parabola = 0;
  const std::vector<double> sent = band_noise(0, 1, 4096, 0.6, 1);
  for (int trial = 0; trial < 40; ++trial) {
    const double delay = static_cast<double>(bits()) / 4294967296.0 * 60 - 20;
    const double gain = trial % 2 == 0 ? 1.0 : -0.01;
    const bool phase_only = trial % 4 < 2;
    const std::vector<double> late = band_noise(delay, gain, 4096, 0.6, 1);
    const Arrival arrival = find_arrival(sent, late, {.phase_transform = phase_only, .to = phase_only ? 0.25 : 0.5});
    ASSERT_TRUE(arrival.found);
    EXPECT_EQ(arrival.polarity, gain > 0 ? 1 : -1) << delay;
    EXPECT_NEAR(arrival.height, 1.0, 1e-2);  // edges of the band hold little
    worst = std::max(worst, std::abs(arrival.delay_samples - delay));
    if (phase_only) continue;
    const auto at = [&](std::ptrdiff_t lag) {
      double sum = 0;
      for (std::ptrdiff_t n = 200; n < 3800; ++n)
        sum += sent[static_cast<std::size_t>(n)] * late[static_cast<std::size_t>(n + lag)];
      return sum;
    };
    const std::ptrdiff_t k = arrival.whole_samples;
    const double before = at(k - 1), here = at(k), after = at(k + 1);
    const double parabola = static_cast<double>(k) + 0.5 * (before - after) / (before - 2 * here + after);
    worst_by_parabola = std::max(worst_by_parabola, std::abs(parabola - delay));
  }
  EXPECT_LT(worst, 1e-5);
  EXPECT_GT(worst_by_parabola, 1e-3);
}

// A band high up: half a sample off the crest the wave is small, and the crests beside it may meet a sample better.
TEST(FindArrival, OfTheTrebleAlone) {
  const std::vector<double> sent = band_noise(0, 1, 4096, 0.9, 8);
  std::size_t shown_less = 0;
  for (int eighth = 0; eighth < 16; ++eighth) {
    const double delay = 40 + 0.125 * eighth;
    const std::vector<double> late = band_noise(delay, -1, 4096, 0.9, 8);
    const Arrival arrival = find_arrival(sent, late, {.from = 0.26, .to = 0.4});
    EXPECT_NEAR(arrival.delay_samples, delay, 0.001);
    EXPECT_EQ(arrival.polarity, -1) << delay;
    EXPECT_GT(arrival.height, 0.99) << delay;
    shown_less += std::abs(static_cast<double>(arrival.whole_samples) - delay) > 1;
  }
  EXPECT_GT(shown_less, 0u) << "no case where the greatest sample stands beside another crest";
  // A tenth of an octave: half a period on, the wave is 0.5 % lower and of the other sign, and meets half a sample better.
  for (int eighth = 0; eighth < 16; ++eighth) {
    const double delay = 40 + 0.125 * eighth;
    const Arrival arrival = find_arrival(sent, band_noise(delay, -1, 4096, 0.9, 8), {.from = 0.37, .to = 0.4});
    EXPECT_NEAR(arrival.delay_samples, delay, 0.001);
    EXPECT_EQ(arrival.polarity, -1) << delay;
  }
}

TEST(FindArrival, TakesTheDirectSoundAheadOfASofterEchoAndInNoise) {
  std::vector<double> sent = band_noise(0, 1, 8192, 0.9, 3), captured = band_noise(31.25, 0.5, 8192, 0.9, 3);
  const std::vector<double> echo = band_noise(77.5, -0.3, 8192, 0.9, 3), hiss = take(stimuli::white_noise(9), 8192);
  for (std::size_t n = 0; n < captured.size(); ++n) captured[n] += echo[n] + 0.02 * hiss[n];
  const Arrival arrival = find_arrival(sent, captured, {.to = 0.42});
  EXPECT_NEAR(arrival.delay_samples, 31.25, 0.02);
  EXPECT_EQ(arrival.polarity, 1);
  // Told where to look, it finds the echo, which is inverted.
  const Arrival later = find_arrival(sent, captured, {.to = 0.42, .least_samples = 60});
  EXPECT_NEAR(later.delay_samples, 77.5, 0.05);
  EXPECT_EQ(later.polarity, -1);
}

TEST(FindArrival, OfSignalsOfUnlikeLengthBeforeOrAfter) {
  const std::vector<double> noise = take(stimuli::white_noise(2), 3000);
  const std::span<const double> all(noise);
  const Arrival after = find_arrival(all.subspan(700, 500), all, {.floor = 0});
  EXPECT_EQ(after.whole_samples, 700);
  const Arrival before = find_arrival(all, all.subspan(900, 600), {.floor = 0});
  EXPECT_EQ(before.whole_samples, -900);
  EXPECT_NEAR(before.delay_samples, -900, 0.02);
  EXPECT_EQ(find_arrival(all, all.subspan(2350, 600), {.floor = 0}).whole_samples, -2350);  // beyond half the transform
  EXPECT_EQ(find_arrival(all.subspan(2350, 600), all, {.floor = 0}).whole_samples, 2350);
}

TEST(FindArrival, OfSilenceIsNone) {
  const std::vector<double> silent(100, 0.0), noise = take(stimuli::white_noise(1), 100);
  EXPECT_FALSE(find_arrival(silent, noise).found);
  EXPECT_FALSE(find_arrival(noise, silent).found);
  EXPECT_FALSE(find_arrival(noise, noise, {.from = 0.3, .to = 0.2}).found);
  EXPECT_FALSE(find_arrival(noise, noise, {.least_samples = 5, .most_samples = 4}).found);
  EXPECT_TRUE(find_arrival(noise, noise).found);
}
}  // namespace
}  // namespace rackproof::analysis
