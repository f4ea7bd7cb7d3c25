// Must hold: the claim at the top of wave_peak_meter.hpp, for sines of every frequency and place of their crests; the
// reading is the detector's, to the bit, however the track is cut; and it misses nothing at the end.
#include "harness/analysis/wave_peak_meter.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <numbers>
#include <random>
#include <vector>

#include "dsp/blocks/true_peak_detector.hpp"
#include "harness/analysis/true_peak_meter.hpp"

namespace {
using rackproof::analysis::WavePeakMeter;
using Track = std::vector<float>;

Track sine(double cycles_per_sample, double phase_rad, std::size_t frames = 4096) {
  Track track;
  for (std::size_t n = 0; n < frames; ++n) {
    // Fades, so that neither end overshoots.
    const double edge = std::min({1.0, static_cast<double>(n) / 256, static_cast<double>(frames - n) / 256});
    track.push_back(static_cast<float>(
        edge * std::sin(2 * std::numbers::pi * cycles_per_sample * static_cast<double>(n) + phase_rad)));
  }
  return track;
}
double greatest(const Track& track) {
  double most = 0;
  for (const float x : track) most = std::max(most, std::abs(double{x}));
  return most;
}
double read(const Track& track, std::size_t cut) {
  WavePeakMeter meter;
  for (std::size_t n = 0; n < track.size(); n += cut) meter.process({&track[n], std::min(cut, track.size() - n)});
  meter.finish();
  return meter.peak_linear();
}
double decibels(double ratio) { return 20 * std::log10(ratio); }

TEST(WavePeakMeter, ReadsTheCrestOfEverySineAndNeverLessThanItsSamples) {
  for (int place = 0; place < 8; ++place)
    for (const double at : {0.003, 0.0317, 0.1, 0.1999, 0.25, 0.2731, 0.3, 0.333, 0.375, 0.4, 0.42}) {
      const Track track = sine(at, place * std::numbers::pi / 8 + 0.01);
      const double read_db = decibels(read(track, 999));
      EXPECT_GE(read_db, -0.2) << at;
      EXPECT_LE(read_db, at <= 0.3 ? 0.05 : 0.201) << at;
      EXPECT_GE(read(track, 999), greatest(track)) << at;
    }
}
TEST(WavePeakMeter, AQuarterOfTheSampleRateReadsItsWaveWhereSamplesReadThreeDecibelsLess) {
  const Track track = sine(0.25, std::numbers::pi / 4);
  EXPECT_NEAR(decibels(greatest(track)), -3.01, 0.01);
  EXPECT_NEAR(decibels(read(track, 64)), 0, 0.05);
}
// The control: the recommendation's table is further off there.
TEST(WavePeakMeter, IsNearerThanTheTableOfTheRecommendation) {
  double worst = 0, worst_of_table = 0;
  for (int place = 0; place < 32; ++place) {
    const Track track = sine(0.42, place * std::numbers::pi / 32);
    rackproof::analysis::TruePeakMeter table;
    table.process(track);
    table.finish();
    worst = std::max(worst, std::abs(decibels(read(track, 512))));
    worst_of_table = std::max(worst_of_table, std::abs(decibels(table.peak_linear())));
  }
  EXPECT_LE(worst, 0.201);
  EXPECT_GT(worst_of_table, 0.3);
}
TEST(WavePeakMeter, IsTheDetectorToTheBitForEveryTrackAndEveryCut) {
  std::mt19937 rng(8);
  for (const std::size_t size : {1u, 2u, 17u, 18u, 19u, 255u, 256u, 257u, 1000u})
    for (int kind = 0; kind < 10; ++kind) {
      Track track(size);
      for (float& x : track)
        x = kind % 2 == 0 ? static_cast<float>(static_cast<std::int32_t>(rng())) / 2147483648.0f
                          : (rng() & 1 ? 1.0f : -1.0f);
      rackproof::dsp::TruePeakDetector<1> detector;
      Track padded = track;
      padded.resize(size + 17);
      detector.process(padded, padded);
      const double expected = greatest(padded), whole = read(track, size);
      ASSERT_EQ(whole, expected) << size;
      for (const std::size_t cut : {1u, 7u, 64u, 256u, 300u})
        ASSERT_EQ(read(track, cut), whole) << size << " by " << cut;
    }
}
TEST(WavePeakMeter, ALoudStartHidesNoHigherCrestLaterAndTheCrestAfterTheEndIsSeen) {
  Track track(600, 0.0f);
  track[10] = 0.7f;
  track[400] = track[401] = 0.6f;  // between them the wave swings to more than 0.7
  EXPECT_GT(read(track, 100), 0.72);
  Track ends(300, 0.0f);
  ends[298] = ends[299] = 0.6f;
  WavePeakMeter meter;
  meter.process(ends);
  const double before = meter.peak_linear();
  meter.finish();
  EXPECT_LT(before, 0.61);
  EXPECT_GT(meter.peak_linear(), 0.72);
}

}  // namespace
