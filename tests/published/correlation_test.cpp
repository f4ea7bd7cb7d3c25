// Transfer function, coherence and arrival, against the outside (correlation_reference.json names the makers).
#include <gtest/gtest.h>

#include <cmath>
#include <fstream>
#include <nlohmann/json.hpp>
#include <numbers>
#include <numeric>

#include "harness/analysis/arrival.hpp"
#include "harness/analysis/cross_spectrum.hpp"
#include "harness/stimuli/noise.hpp"

namespace rackproof::analysis {
namespace {
using stimuli::take, stimuli::uniform_noise;

nlohmann::json reference() {
  std::ifstream file(RACKPROOF_SOURCE_DIR "/tests/published/correlation_reference.json");
  return nlohmann::json::parse(file);
}
// W3C Working Group Note "Audio EQ Cookbook", 8 June 2021: peakingEQ.
std::vector<double> peaking(const std::vector<double>& x, double f0, double gain_db, double q, double rate) {
  const double a = std::pow(10.0, gain_db / 40), w0 = 2 * std::numbers::pi * f0 / rate, alpha = std::sin(w0) / (2 * q);
  const double a0 = 1 + alpha / a, b0 = (1 + alpha * a) / a0, b1 = -2 * std::cos(w0) / a0, b2 = (1 - alpha * a) / a0;
  const double a2 = (1 - alpha / a) / a0;
  std::vector<double> y(x.size());
  double s1 = 0, s2 = 0;
  for (std::size_t n = 0; n < x.size(); ++n) {
    y[n] = b0 * x[n] + s1;
    s1 = b1 * x[n] - b1 * y[n] + s2;
    s2 = b2 * x[n] - a2 * y[n];
  }
  return y;
}
std::vector<double> delayed(const std::vector<double>& x, std::size_t by) {
  std::vector<double> y(x.size());
  std::copy(x.begin(), x.end() - static_cast<std::ptrdiff_t>(by), y.begin() + static_cast<std::ptrdiff_t>(by));
  return y;
}

// scipy 1.10.1 welch, csd, coherence; x and noise from std::minstd_rand. Tolerance 1e-9 relative.
TEST(PublishedTransferFunction, OfAFilterADelayAndNoise) {
  const nlohmann::json r = reference().at("transfer_function");
  const std::vector<double> x = take(uniform_noise(1), r.at("n"));
  std::vector<double> y = delayed(peaking(x, 3000, 6, 1, 48000), r.at("delay_samples"));
  for (std::size_t n = 0; n < 4; ++n) ASSERT_NEAR(x[n], r.at("x_first4")[n].get<double>(), 1e-12);
  const std::vector<double> noise = take(uniform_noise(12345), r.at("n"));
  for (std::size_t n = 0; n < y.size(); ++n) y[n] += r.at("noise_scale").get<double>() * noise[n];
  for (std::size_t n = 0; n < 4; ++n) ASSERT_NEAR(y[n + 37], r.at("y_first4_after_delay")[n].get<double>(), 1e-12);
  CrossSpectrum spectrum({48000, 1024, 512, Window::hann});
  spectrum.add(x, y);
  EXPECT_EQ(spectrum.segments(), r.at("segments").get<std::uint64_t>());
  const auto pxx = spectrum.pxx(), pyy = spectrum.pyy(), coherence = spectrum.coherence();
  const auto h1 = spectrum.h1();
  for (std::size_t i = 0; i < r.at("bins").size(); ++i) {
    const auto bin = r.at("bins")[i].get<std::size_t>();
    EXPECT_NEAR(pxx[bin] / r.at("pxx")[i].get<double>(), 1.0, 1e-9);
    EXPECT_NEAR(pyy[bin] / r.at("pyy")[i].get<double>(), 1.0, 1e-9);
    const Complex expected(r.at("h1")[i][0].get<double>(), r.at("h1")[i][1].get<double>());
    EXPECT_LT(std::abs(h1[bin] - expected), 1e-9 * std::abs(expected));
    EXPECT_NEAR(coherence[bin], r.at("coherence")[i].get<double>(), 1e-9);
  }
  const double mean = std::accumulate(coherence.begin() + 1, coherence.end() - 1, 0.0) / 511.0;
  EXPECT_NEAR(mean, r.at("mean_coherence_all_bins").get<double>(), 1e-9);
}

// G. C. Carter, C. H. Knapp, A. H. Nuttall, IEEE Trans. Audio Electroacoust. AU-21, 1973: the bias of coherence;
// numbers by scipy.special.hyp2f1, trials by numpy. Ours: records of independent noise, 4 standard errors.
TEST(PublishedCoherence, IsBiasedUpwardsAsKnown) {
  const nlohmann::json rows = reference().at("coherence_bias");
  ASSERT_EQ(rows.size(), 6u);
  for (const auto& row : rows) {
    const double g = row.at("gamma2"), averages = row.at("n_avg");
    EXPECT_NEAR(expected_coherence(g, averages), row.at("expected").get<double>(), 1e-9);
    EXPECT_NEAR(expected_coherence(g, averages), row.at("monte_carlo_200k").get<double>(), 1e-3);
    const auto size = static_cast<std::size_t>(64 * averages);
    const stimuli::Signal common = stimuli::white_noise(7), other = stimuli::white_noise(8);
    double sum = 0, squares = 0, count = 0;
    for (int trial = 0; trial < 200; ++trial) {
      const std::vector<double> x = take(common, size), own = take(other, size);
      std::vector<double> y(size);
      for (std::size_t n = 0; n < size; ++n) y[n] = std::sqrt(g) * x[n] + std::sqrt(1 - g) * own[n];
      CrossSpectrum spectrum({1.0, 64, 64, Window::boxcar});
      spectrum.add(x, y);
      const std::vector<double> coherence = spectrum.coherence();
      for (std::size_t k = 1; k < 32; ++k) {
        sum += coherence[k];
        squares += coherence[k] * coherence[k];
        ++count;
      }
    }
    const double mean = sum / count, error = std::sqrt((squares / count - mean * mean) / count);
    EXPECT_NEAR(mean, row.at("expected").get<double>(), 4 * error) << row.dump();
  }
}

// Coherence from the signal-to-noise ratio at the output, S/(1+S), textbook (from memory): 0.5 at 0 dB, 0.909091 at 10
// dB, 0.990099 at 20 dB, 0.799240 at 6 dB. Bias taken into account, 4 standard errors.
TEST(PublishedCoherence, FollowsTheSignalToNoiseRatio) {
  for (const auto& [snr_db, expected] : {std::pair{0.0, 0.5}, {6.0, 0.799240}, {10.0, 0.909091}, {20.0, 0.990099}}) {
    const double noise_rms = std::pow(10.0, -snr_db / 20);
    const std::vector<double> x = take(stimuli::white_noise(3), 1u << 18),
                              own = take(stimuli::white_noise(4), 1u << 18);
    std::vector<double> y(x.size());
    for (std::size_t n = 0; n < y.size(); ++n) y[n] = x[n] + noise_rms * own[n];
    CrossSpectrum spectrum({1.0, 256, 256, Window::boxcar});
    spectrum.add(x, y);
    const std::vector<double> coherence = spectrum.coherence();
    const double mean = std::accumulate(coherence.begin() + 1, coherence.end() - 1, 0.0) / 127.0;
    const double sigma = (1 - expected) * std::sqrt(2 * expected / 1024.0 / 127.0);
    EXPECT_NEAR(mean, expected_coherence(expected, 1024), 4 * sigma);
  }
}

// C. H. Knapp, G. C. Carter, IEEE Trans. ASSP 24(4), 1976; heights by numpy FFT. Whole samples: index exact, height
// 1e-6.
TEST(PublishedArrival, ByPhaseTransform) {
  const nlohmann::json rows = reference().at("gcc_phat");
  ASSERT_EQ(rows.size(), 2u);
  for (std::size_t i = 0; i < rows.size(); ++i) {
    const std::vector<double> x = take(uniform_noise(i == 0 ? 1 : 3), 4096);
    std::vector<double> y = delayed(x, rows[i].at("delay"));
    if (i == 1) {
      const std::vector<double> echo = delayed(x, 700);
      for (std::size_t n = 0; n < y.size(); ++n) y[n] += 0.8 * echo[n];
    }
    const Arrival arrival = find_arrival(x, y, {.floor = 0.0});
    ASSERT_TRUE(arrival.found);
    EXPECT_EQ(arrival.whole_samples, rows[i].at("phat_peak_index").get<std::ptrdiff_t>());
    EXPECT_NEAR(arrival.height_at_sample, rows[i].at("phat_peak_value").get<double>(), 1e-6);
    EXPECT_EQ(find_arrival(x, y, {.phase_transform = false}).whole_samples,
              rows[i].at("plain_xcorr_peak_index").get<std::ptrdiff_t>());
    EXPECT_NEAR(arrival.delay_samples, rows[i].at("delay").get<double>(), 0.01);
  }
}

// Welch 1967, Harris 1978 (formula from memory): Hann, 50 % overlap, K = 31 segments count as 29.4184; many as 0.9474
// K.
TEST(PublishedAverages, CountLessWhereSegmentsOverlap) {
  const auto counted = [](std::size_t segments, std::size_t hop) {
    CrossSpectrum spectrum({48000, 1024, hop, Window::hann});
    const std::vector<double> x(1024 + hop * (segments - 1), 1.0);
    spectrum.add(x, x);
    return spectrum.effective_averages();
  };
  EXPECT_NEAR(counted(31, 512), 29.4184, 1e-4);
  EXPECT_NEAR(counted(5000, 512) / 5000, 0.9474, 1e-4);
  EXPECT_DOUBLE_EQ(counted(31, 1024), 31.0);
}
}  // namespace
}  // namespace rackproof::analysis
