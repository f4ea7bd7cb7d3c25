// Windows and the calibration of what is seen through them, against the outside.
// Figures: definitions of F. J. Harris, Proc. IEEE 66(1), 1978; numbers computed with scipy 1.10.1
// (windows_reference.json).
#include "harness/analysis/windows.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <complex>
#include <fstream>
#include <map>
#include <nlohmann/json.hpp>
#include <numbers>
#include <numeric>
#include <string>

#include "harness/analysis/cross_spectrum.hpp"
#include "harness/analysis/decibels.hpp"
#include "harness/stimuli/noise.hpp"
#include "harness/stimuli/tones.hpp"

namespace rackproof::analysis {
namespace {
const std::map<std::string, Window> kNames{{"boxcar", Window::boxcar},    {"hann", Window::hann},
                                           {"hamming", Window::hamming},  {"blackman", Window::blackman},
                                           {"flattop", Window::flat_top}, {"blackmanharris", Window::blackman_harris}};
nlohmann::json reference() {
  std::ifstream file(RACKPROOF_SOURCE_DIR "/tests/published/windows_reference.json");
  return nlohmann::json::parse(file);
}
// Loss of a sine half way between bins against one in the middle of one.
double scalloping_db(const std::vector<double>& w) {
  std::complex<double> half = 0;
  for (std::size_t n = 0; n < w.size(); ++n)
    half += w[n] * std::polar(1.0, -std::numbers::pi * static_cast<double>(n) / static_cast<double>(w.size()));
  return -db_from_ratio(std::abs(half) / std::accumulate(w.begin(), w.end(), 0.0));
}

TEST(PublishedWindows, HaveTheFiguresOfMerit) {
  const nlohmann::json windows = reference().at("windows");
  ASSERT_EQ(windows.size(), 8u);
  for (const auto& row : windows) {
    SCOPED_TRACE(row.dump());
    const auto size = row.at("N").get<std::size_t>();
    const std::vector<double> w = window(kNames.at(row.at("window")), size, row.at("symmetric"));
    for (std::size_t n = 0; n < 8; ++n) EXPECT_NEAR(w[n], row.at("first8")[n].get<double>(), 1e-12);
    EXPECT_NEAR(coherent_gain(w), row.at("coherent_gain").get<double>(), 1e-9);
    EXPECT_NEAR(noise_bandwidth_bins(w), row.at("enbw_bins").get<double>(), 1e-6);
    EXPECT_NEAR(scalloping_db(w), row.at("scalloping_loss_db").get<double>(), 1e-6);
    if (row.at("symmetric")) continue;  // the overlaps of the odd one are rounded differently
    EXPECT_NEAR(overlap_correlation(w, size / 2), row.at("overlap_corr_50").get<double>(), 1e-6);
    EXPECT_NEAR(overlap_correlation(w, size / 4), row.at("overlap_corr_75").get<double>(), 1e-6);
  }
}

// Harris 1978, Table 1, as rounded there (from memory): noise bandwidths in bins.
TEST(PublishedWindows, AgreeWithTheRoundedTable) {
  const std::pair<Window, double> table[] = {{Window::boxcar, 1.00},
                                             {Window::hann, 1.50},
                                             {Window::hamming, 1.36},
                                             {Window::blackman, 1.73},
                                             {Window::blackman_harris, 2.00}};
  for (const auto& [kind, bins] : table) EXPECT_NEAR(noise_bandwidth_bins(window(kind, 1024)), bins, 0.0051);
  EXPECT_GT(std::abs(noise_bandwidth_bins(window(Window::hann, 1024, true)) - 1.5), 1e-3);  // control: the other Hann
}

// Welch 1967: a sine of amplitude A in the middle of a bin shows A/2 times the sum of the window; in a density, all its
// bins together hold A^2/2. Tolerance 1e-9 relative.
TEST(PublishedWindows, CalibrateASineAndANoiseDensity) {
  constexpr double kAmplitude = 0.37, kRate = 48000;
  for (const auto& [name, kind] : kNames) {
    SCOPED_TRACE(name);
    const std::vector<double> w = window(kind, 1024);
    std::vector<double> x = stimuli::take(stimuli::sine({100 * kRate / 1024, kAmplitude, 0.3}, kRate), 1024);
    CrossSpectrum welch({kRate, 1024, 1024, kind});
    welch.add(x, x);
    const std::vector<double> pxx = welch.pxx();
    EXPECT_NEAR(std::accumulate(pxx.begin(), pxx.end(), 0.0) * kRate / 1024, 0.5 * kAmplitude * kAmplitude, 1e-10);
    for (std::size_t n = 0; n < x.size(); ++n) x[n] *= w[n];
    const double seen = std::abs(RealFourier(1024).forward(x)[100]);
    EXPECT_NEAR(seen / std::accumulate(w.begin(), w.end(), 0.0), 0.5 * kAmplitude, 1e-9);
  }
  // White noise of variance 1/3 (uniform) spreads evenly over half the rate; 4 sigma of K = 467 averages in 500 bins.
  CrossSpectrum welch({kRate, 1024, 512, Window::hann});
  const std::vector<double> noise = stimuli::take(stimuli::uniform_noise(), 240000);
  welch.add(noise, noise);
  const std::vector<double> density = welch.pxx();
  const double mean = std::accumulate(density.begin() + 6, density.begin() + 506, 0.0) / 500.0;
  EXPECT_NEAR(mean / (1.0 / 3.0 / (0.5 * kRate)), 1.0, 4.0 / std::sqrt(welch.effective_averages() * 250.0));
}
}  // namespace
}  // namespace rackproof::analysis
