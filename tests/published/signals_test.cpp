// Test signals and levels, against the outside (signals_reference.json names the makers of the longer tables).
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <fstream>
#include <nlohmann/json.hpp>
#include <numeric>
#include <random>

#include "harness/analysis/bands.hpp"
#include "harness/analysis/cross_spectrum.hpp"
#include "harness/analysis/decibels.hpp"
#include "harness/analysis/levels.hpp"
#include "harness/stimuli/noise.hpp"
#include "harness/stimuli/tones.hpp"

namespace rackproof::stimuli {
namespace {
using namespace analysis;

nlohmann::json reference() {
  std::ifstream file(RACKPROOF_SOURCE_DIR "/tests/published/signals_reference.json");
  return nlohmann::json::parse(file);
}
std::vector<double> third_octaves_db(Generator& signal, double rate, double seconds, double from, double to) {
  CrossSpectrum welch({rate, 32768, 16384, Window::hann});
  std::vector<double> block(32768);
  for (double left = seconds * rate; left > 0; left -= static_cast<double>(block.size())) {
    signal.fill(block);
    welch.add(block, block);
  }
  const std::vector<double> density = welch.pxx();
  std::vector<double> levels;
  for (const Band& band : octave_bands(3, from, to))
    levels.push_back(db_from_power(band_power(density, rate / 32768, band.low_hz, band.high_hz)));
  return levels;
}

// 0 dBu and 0 dBV, +4 dBu and -10 dBV: a home-studio handbook page (francoisgeorgy.ch, audio levels) prints 0.775
// V, 1.228 V RMS, 1.736 V peak, 0.316 V; digits by arithmetic from 1 mW in 600 ohm.
TEST(PublishedLevels, InVolts) {
  EXPECT_NEAR(volts_from_dbu(0), 0.774596669, 1e-9);
  EXPECT_NEAR(dbu_from_volts(volts_from_dbv(0)), 2.218487, 1e-6);
  EXPECT_NEAR(volts_from_dbu(4), 1.227653, 1e-6);
  EXPECT_NEAR(volts_from_dbu(4) * std::sqrt(2.0), 1.736164, 1e-6);
  EXPECT_NEAR(volts_from_dbu(24), 12.27653, 1e-5);
  EXPECT_NEAR(volts_from_dbv(-10), 0.316228, 1e-6);
  EXPECT_NEAR(dbu_from_volts(volts_from_dbv(-10)), -7.7815, 1e-4);
  EXPECT_NEAR(dbv_from_volts(volts_from_dbu(4)) - -10, 11.7815, 1e-4);
}

// AES17 and IEC 61606 (read second-hand): a full-scale sine of 997 Hz reads 0 dBFS RMS, a full-scale square +3.0103,
// half the amplitude -6.0206. Control: without the convention's sqrt(2) the sine would read -3.0103.
TEST(PublishedLevels, InDecibelsOfFullScale) {
  const auto rms_dbfs = [](const Signal& signal) { return levels_of(take(signal, 48000)).rms_dbfs(); };
  EXPECT_NEAR(rms_dbfs(sine({997, 1.0}, 48000)), 0.0, 1e-9);
  EXPECT_NEAR(rms_dbfs(sine({997, 0.5}, 48000)), -6.0206, 1e-4);
  EXPECT_NEAR(rms_dbfs(square({997, 1.0}, 48000)), 3.0103, 1e-4);
  EXPECT_NEAR(db_from_ratio(levels_of(take(sine({997, 1.0}, 48000), 48000)).rms()), -3.0103, 1e-4);
}

// liquisearch.com, crest factor, examples: sine 3.01 dB, square 0, triangle 4.77, half-wave rectified sine 6.02; and
// two equal sines 6.0206 dB (arithmetic). Tolerance 1e-4 dB, the two sines by how near their crests come to meeting.
TEST(PublishedLevels, CrestFactors) {
  const auto crest_db = [](const std::vector<double>& x) { return db_from_ratio(levels_of(x).crest_factor()); };
  const std::vector<double> tone = take(sine({1000, 1.0}, 48000), 48000);  // 12 frames to the crest
  EXPECT_NEAR(crest_db(tone), 3.0103, 1e-4);
  EXPECT_NEAR(crest_db(take(square({997}, 48000), 48000)), 0.0, 1e-4);
  EXPECT_NEAR(crest_db(take(maximum_length_sequence(10), 1023)), 0.0, 1e-4);
  std::vector<double> rectified(tone), triangle(48000);
  for (double& x : rectified) x = std::max(x, 0.0);
  EXPECT_NEAR(crest_db(rectified), 6.0206, 1e-4);
  for (std::size_t n = 0; n < triangle.size(); ++n)
    triangle[n] = std::abs(4.0 * static_cast<double>(n) / 48000.0 - 2.0) - 1.0;
  EXPECT_NEAR(crest_db(triangle), 4.7712, 1e-4);
  const std::vector<double> pair = take(multi_tone({{1000, 0.5, 0.0}, {5000, 0.5, 0.0}}, 48000), 48000);
  EXPECT_NEAR(crest_db(pair), 6.0206, 1e-4);
}

// std::minstd_rand: its 10000th value is 399268537 (C++ standard, [rand.predef]). Exact.
TEST(PublishedNoise, IsTheStandardsGenerator) {
  const std::vector<double> x = take(uniform_noise(1), 10000);
  EXPECT_EQ(x.back(), 2.0 * 399268537.0 / 2147483647.0 - 1.0);
}

// Gaussian: 6.334e-5 of the samples beyond 4 sigma, 2.700e-3 beyond 3 (scipy.special.erfc). 4 standard deviations of a
// count.
TEST(PublishedNoise, HasGaussianTails) {
  const std::vector<double> x = take(white_noise(1), 4000000);
  for (const auto& [beyond, share] : {std::pair{3.0, 2.700e-3}, {4.0, 6.334e-5}}) {
    const double expected = share * static_cast<double>(x.size());
    const auto count = std::count_if(x.begin(), x.end(), [b = beyond](double v) { return std::abs(v) > b; });
    EXPECT_NEAR(static_cast<double>(count), expected, 4 * std::sqrt(expected)) << beyond << " sigma";
  }
}

// Clipping Gaussian noise to a crest factor (need: IEC 60268-5, AES2-1984): where to clip, what RMS is left, how many
// samples; scipy.optimize.brentq with scipy.special.erf. Numbers 1e-9; on a signal of 60 s 0.05 dB.
TEST(PublishedNoise, ClippedToACrestFactor) {
  const nlohmann::json rows = reference().at("noise_clip");
  ASSERT_EQ(rows.size(), 2u);
  for (const auto& row : rows) {
    const double crest = row.at("crest");
    const CrestClip clip = clip_for_crest(crest);
    EXPECT_NEAR(clip.ceiling, row.at("clip_over_sigma").get<double>(), 1e-9);
    EXPECT_NEAR(db_from_ratio(clip.rms), row.at("rms_loss_db").get<double>(), 1e-9);
    EXPECT_NEAR(clip.clipped_share, row.at("fraction_clipped").get<double>(), 1e-9);
    const Levels white = levels_of(take(with_crest_factor(white_noise(5), crest), 2880000));
    EXPECT_NEAR(db_from_ratio(white.crest_factor()), row.at("crest_db").get<double>(), 0.05);
    EXPECT_NEAR(db_from_ratio(white.rms()), 0.0, 0.05);
  }
}

// IEC 60268-7:2010, 8.3.2.2 (read second-hand): programme noise has a crest factor of 1.8 to 2.2. Clipped ahead of the
// filter's lows it would drift; pink noise of 60 s, clipped last, stays inside. Control: unclipped it does not.
TEST(PublishedNoise, OfPowerTestsHasCrestFactorTwo) {
  const auto crest = [](Signal noise) { return levels_of(take(noise, 2880000)).crest_factor(); };
  const double clipped_crest = crest(with_crest_factor(pink_noise(48000, 2), 2.0));
  EXPECT_GT(clipped_crest, 1.8);
  EXPECT_LT(clipped_crest, 2.2);
  EXPECT_GT(crest(pink_noise(48000, 2)), 3.5);
}

// -10 dB a decade is one level in every third octave; 31.5 Hz to 16 kHz within 0.5 dB over 60 s (the spread of the
// narrowest band then is 4.343 / sqrt(7.3 Hz x 60 s) = 0.21 dB, Bendat and Piersol, from memory). Control: white rises.
TEST(PublishedNoise, PinkIsLevelInThirdOctaves) {
  const Signal pink = pink_noise(48000, 1);
  const std::vector<double> levels = third_octaves_db(*pink, 48000, 120, 31.5, 16000);
  ASSERT_EQ(levels.size(), 28u);
  const double mean = std::accumulate(levels.begin(), levels.end(), 0.0) / 28.0;
  for (std::size_t i = 0; i < levels.size(); ++i) EXPECT_NEAR(levels[i], mean, 0.5) << "band " << i;
  const Signal white = white_noise(1);
  const std::vector<double> rising = third_octaves_db(*white, 48000, 30, 1000, 16000);
  EXPECT_NEAR((rising.back() - rising.front()) / 4.0, 3.0103, 0.1);  // dB an octave
}

// IEC 60268-1:1985, Table II (read in a public transcription): level and tolerance in dB by third octave, Hz.
TEST(PublishedNoise, ProgrammeWeightingMeetsItsTable) {
  const struct {
    double hz, db, tolerance;
  } table[] = {{20, -13.5, 3},   {25, -10.2, 2},   {40, -5.2, 1},     {50, -3.5, 1},     {80, -1.4, 1},
               {100, -0.9, 0.8}, {160, -0.2, 0.5}, {200, -0.1, 0.5},  {315, 0.0, 0.5},   {400, 0.0, 0.5},
               {630, 0.0, 0.5},  {800, 0.0, 0.5},  {1250, -0.3, 0.7}, {1600, -0.6, 0.8}, {2500, -1.6, 1},
               {3150, -2.5, 1},  {5000, -5.1, 1},  {6300, -7.0, 1},   {10000, -11.9, 1}, {12500, -14.8, 1.5},
               {20000, -21.6, 3}};
  for (const double rate : {44100.0, 48000.0, 88200.0, 96000.0, 192000.0}) {
    const std::vector<FirstOrder> sections = programme_sections(rate);
    ASSERT_EQ(sections.size(), 5u);
    for (const auto& row : table) {
      double power = 1;
      for (const FirstOrder& s : sections) power *= s.power_at(row.hz / rate);
      EXPECT_NEAR(db_from_power(power), row.db, row.tolerance) << row.hz << " Hz at " << rate;
    }
  }
  // Its Note: full range is about 12.5 dB above a third octave at 0 dB. Through the filter as it runs, 60 s.
  const Signal programme = filtered(pink_noise(48000, 3), programme_sections(48000));
  const std::vector<double> thirds = third_octaves_db(*programme, 48000, 60, 400, 630);
  const double middle = std::accumulate(thirds.begin(), thirds.end(), 0.0) / static_cast<double>(thirds.size());
  EXPECT_NEAR(db_from_power(levels_of(take(*programme, 2880000)).mean_square()) - middle, 12.5, 0.3);
}

// A. Farina, AES 108th Convention, 2000 (equations read in dsp.stackexchange 41696 and 88974); samples by numpy 1.24.2.
// Tolerance 1e-6 early, 1e-5 late: rounding of the argument.
TEST(PublishedSweep, HasItsSamplesAndItsHarmonicsEarly) {
  const nlohmann::json r = reference().at("sweep");
  const Sweep settings{20, 20000, 480000, 1.0, 48000};
  EXPECT_NEAR(settings.time_scale_s(), r.at("L").get<double>(), 1e-12);
  const std::vector<double> x = take(sweep(settings), 480001);
  for (std::size_t i = 0; i < r.at("index").size(); ++i)
    EXPECT_NEAR(x[r.at("index")[i]], r.at("value")[i].get<double>(), i < 3 ? 1e-6 : 1e-5);
  EXPECT_EQ(x[480000], 0.0);
  for (const auto& [k, seconds] : r.at("harmonic_advance_s").items())
    EXPECT_NEAR(settings.harmonic_advance_s(std::stoi(k)), seconds.get<double>(), 1e-12);
  const std::vector<double> inverse = inverse_sweep(settings);
  EXPECT_NEAR(db_from_ratio(std::exp(-static_cast<double>(inverse.size()) / 48000 / settings.time_scale_s())),
              r.at("inverse_end_gain_db").get<double>(), 1e-9);
}

// The same sweep times its inverse: peak at the last frame, in-band gain fs^2 L / (4 f2) (derivation), octave means by
// numpy.
TEST(PublishedSweep, TimesItsInverseIsAPulse) {
  const nlohmann::json r = reference().at("sweep_deconvolution");
  const Sweep settings{r.at("f1"), r.at("f2"), 96000, 1.0, 48000};
  const std::vector<double> pulse = convolve(take(sweep(settings), 96000), inverse_sweep(settings));
  const auto peak =
      std::max_element(pulse.begin(), pulse.end(), [](double a, double b) { return std::abs(a) < std::abs(b); });
  EXPECT_EQ(peak - pulse.begin(), r.at("expected_peak_index").get<std::ptrdiff_t>());
  EXPECT_NEAR(db_from_ratio(sweep_deconvolution_gain(settings)), r.at("theory_gain_db").get<double>(), 1e-6);
  const RealFourier fourier(192000);
  const std::vector<Complex> spectrum = fourier.forward(pulse);
  for (const auto& row : r.at("octave_mean_gain_db")) {
    const double mid = row[0];
    double sum = 0, count = 0;
    for (auto k = static_cast<std::size_t>(mid / std::sqrt(2.0) * 4);
         k < static_cast<std::size_t>(mid * std::sqrt(2.0) * 4); ++k) {
      sum += db_from_ratio(std::abs(spectrum[k]));
      ++count;
    }
    EXPECT_NEAR(sum / count, row[1].get<double>(), 0.02);
  }
}

// Maximum-length sequences: dspguru.com "A Little MLS Tutorial"; first bits by scipy 1.10.1 max_len_seq. Exact.
TEST(PublishedSequence, OfMaximumLength) {
  const nlohmann::json rows = reference().at("mls");
  ASSERT_EQ(rows.size(), 4u);
  for (const auto& row : rows) {
    const int order = row.at("nbits");
    const std::size_t length = row.at("length");
    ASSERT_EQ(length, (std::size_t{1} << order) - 1);
    const std::vector<double> x = take(maximum_length_sequence(order), 2 * length);
    EXPECT_EQ(std::count(x.begin(), x.begin() + static_cast<std::ptrdiff_t>(length), 1.0),
              row.at("ones").get<std::ptrdiff_t>());
    for (std::size_t n = 0; n < row.at("first32").size(); ++n)
      ASSERT_EQ(x[n], row.at("first32")[n].get<int>() == 1 ? 1.0 : -1.0) << "order " << order << ", bit " << n;
    for (const std::size_t lag : {std::size_t{0}, std::size_t{1}, std::size_t{2}, length / 2, length - 1})
      EXPECT_EQ(std::inner_product(x.begin(), x.begin() + static_cast<std::ptrdiff_t>(length),
                                   x.begin() + static_cast<std::ptrdiff_t>(lag), 0.0),
                lag == 0 ? static_cast<double>(length) : -1.0);
  }
}

// A pulse with its crest a quarter and half way between samples: sample peaks -0.325 and -1.329 dB (own construction,
// computed with numpy; sinc(0.6 t) under a Kaiser window of 10 over +-64). Tolerance 1e-3 dB, the figures' last digit.
TEST(PublishedClick, HidesItsCrestBetweenSamples) {
  for (const auto& [offset, peak_db] : {std::pair{0.0, 0.0}, {0.25, -0.325}, {0.5, -1.329}, {0.75, -0.325}})
    EXPECT_NEAR(levels_of(take(click({.at = 128 + offset}), 300)).peak_dbfs(), peak_db, 1e-3);
}
}  // namespace
}  // namespace rackproof::stimuli
