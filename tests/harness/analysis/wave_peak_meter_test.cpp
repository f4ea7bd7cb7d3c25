// Must hold: the claim at the top of wave_peak_meter.hpp: sines of every frequency with their crests anywhere, waves of
// many tones against their own formula; never less than the samples; the same for every cut.
#include "harness/analysis/wave_peak_meter.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <numbers>
#include <random>
#include <vector>

#include "harness/analysis/true_peak_meter.hpp"

namespace {
using rackproof::analysis::WavePeakMeter;
using Track = std::vector<float>;
constexpr double kPi = std::numbers::pi;

struct Partial {
  double cycles_per_sample, phase_rad, amplitude;
};
double value(const std::vector<Partial>& partials, double at) {
  double sum = 0;
  for (const Partial& p : partials) sum += p.amplitude * std::sin(2 * kPi * p.cycles_per_sample * at + p.phase_rad);
  return sum;
}
constexpr std::size_t kFrames = 2048, kFade = 256;
/// With fades, so that neither end overshoots: what is greatest lies between them.
Track sampled(const std::vector<Partial>& partials) {
  Track track;
  for (std::size_t n = 0; n < kFrames; ++n) {
    const double edge = std::min({1.0, static_cast<double>(n) / kFade, static_cast<double>(kFrames - n) / kFade});
    track.push_back(static_cast<float>(edge * value(partials, static_cast<double>(n))));
  }
  return track;
}
double greatest(const Track& track) {
  double most = 0;
  for (const float x : track) most = std::max(most, std::abs(double{x}));
  return most;
}
double read(const Track& track, std::size_t cut = 777) {
  WavePeakMeter meter;
  for (std::size_t n = 0; n < track.size(); n += cut) meter.process({&track[n], std::min(cut, track.size() - n)});
  meter.finish();
  return meter.peak_linear();
}
double decibels(double ratio) { return 20 * std::log10(ratio); }

// Simple fractions of the sample rate, so that every crest lies in the same few places between samples.
TEST(WavePeakMeter, ReadsTheCrestOfEverySineAndNeverLessThanItsSamples) {
  for (const double at : {1.0 / 300, 1.0 / 32, 0.1, 0.125, 0.2, 0.25, 0.3, 1.0 / 3, 0.375, 0.4, 5.0 / 12, 0.42})
    for (int place = 0; place < 24; ++place) {
      const Track track = sampled({{at, place * kPi / 24, 1}});
      EXPECT_NEAR(decibels(read(track)), 0, 0.02) << at << ", " << place;
      EXPECT_GE(read(track), greatest(track));
    }
}
TEST(WavePeakMeter, AQuarterOfTheSampleRateReadsItsWaveWhereSamplesReadThreeDecibelsLess) {
  const Track track = sampled({{0.25, kPi / 4, 1}});
  EXPECT_NEAR(decibels(greatest(track)), -3.01, 0.01);
  EXPECT_NEAR(decibels(read(track)), 0, 0.02);
}
// The control: the recommendation's table is not as near.
TEST(WavePeakMeter, IsNearerThanTheTableOfTheRecommendation) {
  double worst_of_table = 0;
  for (int place = 0; place < 24; ++place) {
    rackproof::analysis::TruePeakMeter table;
    table.process(sampled({{0.4, place * kPi / 24, 1}}));
    table.finish();
    worst_of_table = std::max(worst_of_table, std::abs(decibels(table.peak_linear())));
  }
  EXPECT_GT(worst_of_table, 0.1);
}
// Of many tones the greatest is found by the formula, sixty-four times a sample.
TEST(WavePeakMeter, ReadsWavesOfManyTonesAsTheirFormulaSays) {
  std::mt19937 rng(17);
  const auto uniform = [&rng] { return static_cast<double>(rng()) / 4294967296.0; };
  for (int wave = 0; wave < 40; ++wave) {
    std::vector<Partial> partials;
    for (int p = 0; p < 2 + wave % 7; ++p)
      partials.push_back({0.002 + 0.418 * uniform(), 2 * kPi * uniform(), uniform()});
    const Track track = sampled(partials);
    double exact = 0;
    for (std::size_t n = 64 * kFade; n <= 64 * (kFrames - kFade); ++n)
      exact = std::max(exact, std::abs(value(partials, static_cast<double>(n) / 64)));
    EXPECT_NEAR(decibels(read(track) / exact), 0, 0.03) << wave;
  }
}
TEST(WavePeakMeter, EveryCutGivesTheSame) {
  std::mt19937 rng(8);
  for (const std::size_t size : {1u, 2u, 47u, 48u, 49u, 255u, 256u, 257u, 305u, 1000u})
    for (int kind = 0; kind < 6; ++kind) {
      Track track(size);
      for (float& x : track)
        x = kind % 2 == 0 ? static_cast<float>(static_cast<std::int32_t>(rng())) / 2147483648.0f
                          : (rng() & 1 ? 1.0f : -1.0f);
      const double whole = read(track, size);
      EXPECT_GE(whole, greatest(track));
      for (const std::size_t cut : {1u, 7u, 64u, 256u, 300u})
        ASSERT_EQ(read(track, cut), whole) << size << " by " << cut;
    }
}
TEST(WavePeakMeter, ALoudStartHidesNoHigherCrestLaterAndTheCrestAfterTheEndIsSeen) {
  Track track(1200, 0.0f);
  track[10] = 0.7f;
  track[900] = track[901] = 0.6f;  // between them the wave swings to 0.76: 2 x 0.6 sinc(1/2)
  EXPECT_NEAR(read(track), 1.2 * 2 / kPi, 0.002);
  Track ends(300, 0.0f);
  ends[298] = ends[299] = 0.6f;
  EXPECT_NEAR(read(ends), 1.2 * 2 / kPi, 0.002);
  WavePeakMeter meter;
  meter.process(ends);
  EXPECT_LT(meter.peak_linear(), 0.61) << "the end is not yet known";
  meter.finish();
  meter.process(Track(500, 0.1f));  // another recording: what was read stays
  meter.finish();
  EXPECT_NEAR(meter.peak_linear(), 1.2 * 2 / kPi, 0.002);
}

}  // namespace
