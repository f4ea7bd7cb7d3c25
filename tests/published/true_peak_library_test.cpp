// The report's true-peak meter beside libebur128 (Debian libebur128-dev), which measures as EBU R 128 and ITU-R BS.1770
// ask, with an interpolator of its own. Both may read up to 0.2 dB above and 0.4 dB below the truth (EBU Tech
// 3341, 2.6), so they may differ by 0.6 dB at most; on the tones whose truth is known each is held to that
// truth.
#include <ebur128.h>
#include <gtest/gtest.h>

#include <cmath>
#include <memory>
#include <numbers>
#include <random>
#include <vector>

#include "harness/analysis/true_peak_meter.hpp"

namespace {
double library_db(const std::vector<float>& x) {
  const auto destroy = [](ebur128_state* state) { ebur128_destroy(&state); };
  const std::unique_ptr<ebur128_state, decltype(destroy)> state(ebur128_init(1, 48000, EBUR128_MODE_TRUE_PEAK),
                                                                destroy);
  EXPECT_EQ(ebur128_add_frames_float(state.get(), x.data(), x.size()), EBUR128_SUCCESS);
  double peak = 0;
  EXPECT_EQ(ebur128_true_peak(state.get(), 0, &peak), EBUR128_SUCCESS);
  return 20 * std::log10(peak);
}
double ours_db(const std::vector<float>& x) {
  rackproof::analysis::TruePeakMeter meter;
  meter.process(x);
  meter.finish();
  return 20 * std::log10(meter.peak_linear());
}
std::vector<float> tone(double cycles_per_sample, double amplitude, double degrees) {
  std::vector<float> x;
  for (std::size_t n = 0; n < 48000; ++n) {
    const double fade = std::min(1.0, static_cast<double>(std::min(n, 47999 - n)) / 480);
    x.push_back(static_cast<float>(amplitude * (0.5 - 0.5 * std::cos(std::numbers::pi * fade)) *
                                   std::sin(2 * std::numbers::pi * cycles_per_sample * static_cast<double>(n) +
                                            degrees * std::numbers::pi / 180)));
  }
  return x;
}

// EBU Tech 3341 (v4, November 2023), Table 1, signals 15 to 19.
TEST(TruePeakBesideLibebur128, BothReadTheSignalsOfTech3341) {
  struct Signal {
    double divisor, amplitude, degrees, dbtp;
  };
  for (const auto [divisor, amplitude, degrees, dbtp] :
       {Signal{4, 0.5, 0, -6}, {4, 0.5, 45, -6}, {6, 0.5, 60, -6}, {8, 0.5, 67.5, -6}, {4, 1.41, 45, 3}}) {
    const std::vector<float> x = tone(1 / divisor, amplitude, degrees);
    for (const double reading : {library_db(x), ours_db(x)}) {
      EXPECT_LE(reading, dbtp + 0.2) << "fs / " << divisor << ", " << degrees << " degrees";
      EXPECT_GE(reading, dbtp - 0.4) << "fs / " << divisor << ", " << degrees << " degrees";
    }
  }
}
TEST(TruePeakBesideLibebur128, BothReadNoiseAlike) {
  for (unsigned seed = 1; seed <= 20; ++seed) {
    std::mt19937 rng(seed);
    std::vector<float> x(4800);
    double smooth = 0;  // a one-pole low-pass: programme has little at half the sample rate, where meters part
    for (float& sample : x) {
      smooth += 0.5 * (static_cast<double>(rng()) / 2147483648.0 - 1.0 - smooth);
      sample = static_cast<float>(smooth);
    }
    EXPECT_NEAR(ours_db(x), library_db(x), 0.6) << "seed " << seed;
  }
}
}  // namespace
