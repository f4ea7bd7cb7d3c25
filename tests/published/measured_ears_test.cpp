// Responses that were measured, not invented: what `measure` finds in a recording made through them is what they are.
// Source: B. Gardner, K. Martin, MIT Media Laboratory, 1994 (see measured_ears.csv), from Debian's package libmysofa1.
#include <gtest/gtest.h>

#include <cmath>
#include <fstream>
#include <sstream>

#include "harness/analysis/decibels.hpp"
#include "harness/analysis/fourier.hpp"
#include "harness/stimuli/noise.hpp"
#include "harness/stimuli/tones.hpp"
#include "harness/tune/transfer.hpp"

namespace rackproof::tune {
namespace {
constexpr double kRate = 44100;

std::vector<std::vector<double>> ears() {
  std::ifstream file(RACKPROOF_SOURCE_DIR "/tests/published/measured_ears.csv");
  std::vector<std::vector<double>> ears(2);
  for (std::string line; std::getline(file, line);) {
    double left = 0, right = 0;
    char comma = 0;
    if (std::istringstream(line) >> left >> comma >> right) {
      ears[0].push_back(left);
      ears[1].push_back(right);
    }
  }
  return ears;
}

TEST(MeasuredEars, AreFoundAgainInWhatWasRecordedThroughThem) {
  const auto responses = ears();
  ASSERT_EQ(responses[0].size(), 256u);
  const std::size_t frames = 4 * 44100;
  const Recording sent[] = {
      {"noise", kRate, stimuli::take(stimuli::scaled(stimuli::pink_noise(kRate, 3), 0.1), frames)},
      {"sweep", kRate, stimuli::take(stimuli::sweep({20, 20000, frames, 0.3, kRate}), frames)}};
  for (const Recording& signal : sent) {
    double arrival_ms[2] = {};
    for (std::size_t ear = 0; ear < 2; ++ear) {
      SCOPED_TRACE(signal.name + (ear == 0 ? ", left" : ", right"));
      Recording captured[] = {{"ear.wav", kRate, analysis::convolve(signal.samples, responses[ear])}};
      captured[0].samples.resize(frames + 44100);
      const Measurement m = measure(signal, captured);
      // An ear bends the treble by itself: a single sweep is not told a drift by it.
      EXPECT_EQ(m.drift_ppm, signal.name == "noise" ? std::optional<double>(0.0) : std::nullopt);
      arrival_ms[ear] = m.arrival_ms;
      std::size_t compared = 0;
      for (std::size_t i = 0; i < m.frequency_hz.size(); ++i) {
        const double f = m.frequency_hz[i];
        if (f < 200 || f > 15000) continue;
        std::complex<double> truth = 0;
        for (std::size_t n = 0; n < responses[ear].size(); ++n)
          truth +=
              responses[ear][n] * std::polar(1.0, -2 * 3.14159265358979323846 * f / kRate * static_cast<double>(n));
        // A response of 6 ms in segments of 0.37 s: a part in a hundred of its amplitude is left over; a sweep is
        // exact.
        ASSERT_NEAR(m.magnitude_db[i], analysis::db_from_ratio(std::abs(truth)), signal.name == "noise" ? 0.4 : 0.05)
            << f;
        ASSERT_LT(std::abs(std::arg(m.whole_way(i) / truth)), 0.05) << f;
        ++compared;
      }
      EXPECT_GT(compared, 2500u);
    }
    // The further ear hears it later, by a (sin t + t) / c for a head of radius a = 87.5 mm (R. S. Woodworth, 1938;
    // from memory): 0.261 ms at 30 degrees. A real head, and the crest of a wave that it bends, within a fifth of it.
    EXPECT_NEAR(arrival_ms[1] - arrival_ms[0], 0.261, 0.05);
  }
}

// In noise: level and arrival are within what the measurement says of itself, from 40 dB down to none.
TEST(MeasuredEars, ErrInNoiseByNoMoreThanIsTold) {
  const auto responses = ears();
  const std::size_t frames = 4 * 44100;
  const Recording sent{"noise", kRate, stimuli::take(stimuli::scaled(stimuli::pink_noise(kRate, 3), 0.1), frames)};
  const std::vector<double> hiss = stimuli::take(stimuli::pink_noise(kRate, 17), frames + 44100);
  for (const auto& response : responses) {
    std::vector<double> clean = analysis::convolve(sent.samples, response);
    clean.resize(hiss.size());
    double power = 0;
    for (const double x : clean) power += x * x / static_cast<double>(frames);
    const Recording quiet[] = {{"ear.wav", kRate, clean}};
    const double arrives_ms = measure(sent, quiet).arrival_ms;
    double before = 0;
    for (const double ratio_db : {40.0, 20.0, 10.0, 0.0}) {
      SCOPED_TRACE(ratio_db);
      Recording captured[] = {quiet[0]};
      const double noise = std::sqrt(power) * analysis::ratio_from_db(-ratio_db);
      for (std::size_t n = 0; n < hiss.size(); ++n) captured[0].samples[n] += noise * hiss[n];
      const Measurement m = measure(sent, captured);
      EXPECT_NEAR(m.arrival_ms, arrives_ms, m.arrival_error_ms);
      std::size_t all = 0, within = 0;
      double told = 0;
      for (std::size_t i = 0; i < m.frequency_hz.size(); ++i) {
        const double f = m.frequency_hz[i];
        if (f < 300 || f > 12000) continue;
        std::complex<double> truth = 0;
        for (std::size_t n = 0; n < response.size(); ++n)
          truth += response[n] * std::polar(1.0, -2 * 3.14159265358979323846 * f / kRate * static_cast<double>(n));
        const double off_db = m.magnitude_db[i] - analysis::db_from_ratio(std::abs(truth));
        // Two standard deviations: 19 of 20, and the 0.4 dB of the segments' ends (above).
        within += std::abs(off_db) <= m.magnitude_error_db[i] + 0.4;
        told += m.magnitude_error_db[i];
        ++all;
      }
      EXPECT_GT(static_cast<double>(within), 0.9 * static_cast<double>(all));
      EXPECT_GT(told / static_cast<double>(all), 1.5 * before) << "more noise, and no more error told";
      before = told / static_cast<double>(all);
    }
  }
}

}  // namespace
}  // namespace rackproof::tune
