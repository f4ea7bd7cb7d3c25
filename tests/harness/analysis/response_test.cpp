// Must hold: the response of a path at a single frequency is what long double arithmetic finds, down to 10 Hz at 192
// kHz; its phase, unwrapped without neighbours, is the one that a walk from 0 Hz finds; group delay is minus its slope.
#include "harness/analysis/response.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <complex>
#include <numbers>
#include <random>

namespace rackproof::analysis {
namespace {
using dsp::Biquad;
constexpr double kPi = std::numbers::pi;

// Bilinear, (high s^2 + band s + low) / (s^2 + k s + 1), s = j at `f` cycles a sample.
Biquad bilinear(double f, double k, double high, double band, double low) {
  const double g = std::tan(kPi * f), a0 = 1 + g * k + g * g;
  return {(high + g * band + g * g * low) / a0, 2 * (g * g * low - high) / a0, (high - g * band + g * g * low) / a0,
          2 * (g * g - 1) / a0, (1 - g * k + g * g) / a0};
}
std::complex<long double> exactly(const Biquad& b, long double f) {
  const std::complex<long double> z = std::polar(1.0L, -2 * std::numbers::pi_v<long double> * f);
  const auto l = [](double x) { return static_cast<long double>(x); };
  return (l(b.b0) + z * (l(b.b1) + z * l(b.b2))) / (1.0L + z * (l(b.a1) + z * l(b.a2)));
}
std::vector<Biquad> paths(std::mt19937& bits, std::size_t count) {
  const auto even = [&](double low, double high) {
    return low + (high - low) * static_cast<double>(bits()) / 4294967296.0;
  };
  std::vector<Biquad> sections;
  for (std::size_t i = 0; i < count; ++i) {
    const double f = 1e-4 * std::pow(4000.0, even(0, 1)), k = even(0.2, 1.9);
    switch (bits() % 6) {
      case 0:
        sections.push_back(bilinear(f, k, 0, 0, 1));
        break;  // low-pass
      case 1:
        sections.push_back(bilinear(f, k, 1, 0, 0));
        break;  // high-pass
      case 2:
        sections.push_back(bilinear(f, k, 1, -k, 1));
        break;  // all-pass
      case 3:
        sections.push_back(bilinear(f, k, 1, 3 * k, 1));
        break;  // peaking
      case 4:
        sections.push_back(bilinear(f, k, 2, 0.3 * k, 0.5));
        break;  // shelf
      default:
        sections.push_back(bilinear(f, k, -1, -0.5 * k, -1));
        break;
    }
  }
  return sections;
}

TEST(LinearPath, IsWhatLongDoubleFinds) {
  std::mt19937 bits(1);
  for (int trial = 0; trial < 200; ++trial) {
    const std::vector<Biquad> sections = paths(bits, 4);
    const LinearPath path{std::span<const Biquad>(sections), -0.5, 12.25};
    for (const double f : {10.0 / 192000, 20.0 / 48000, 0.01, 0.1, 0.3, 0.49}) {
      std::complex<long double> exact =
          -0.5L * std::polar(1.0L, -2 * std::numbers::pi_v<long double> * static_cast<long double>(f) * 12.25L);
      for (const Biquad& b : sections) exact *= exactly(b, static_cast<long double>(f));
      const PathResponse r = path.at(f);
      const std::complex<double> expected(exact);
      // Four sections, each of numbers rounded once more when brought into differences: 1e-15 / w^2 of the numbers.
      ASSERT_LT(std::abs(r.value - expected), 1e-9 * std::abs(expected) + 1e-15);
      ASSERT_LT(std::abs(std::polar(1.0, r.phase_rad) - expected / std::abs(expected)), 1e-8);
    }
  }
}

TEST(LinearPath, UnwrapsAtASingleFrequencyAndFallsByItsDelay) {
  std::mt19937 bits(2);
  for (int trial = 0; trial < 60; ++trial) {
    const std::vector<Biquad> sections = paths(bits, 6);
    const LinearPath path{std::span<const Biquad>(sections), trial % 2 == 0 ? 1.0 : -1.0, trial % 3 == 0 ? 37.5 : 0.0};
    const double start = 1e-6;
    double walked = path.at(start).phase_rad, f = start;
    EXPECT_LT(std::abs(walked), 14 * kPi);
    while (f < 0.499) {
      const double step = std::min(f * 0.02, 2e-4);
      f += step;
      const PathResponse r = path.at(f);
      walked += std::remainder(std::arg(r.value) - walked, 2 * kPi);
      ASSERT_NEAR(r.phase_rad, walked, 1e-6) << "trial " << trial << " at " << f;
      const double aside = 1e-5 * f,
                   slope = -(path.at(f + aside).phase_rad - path.at(f - aside).phase_rad) / (4 * kPi * aside);
      ASSERT_NEAR(slope, r.group_delay_samples, 1e-4 * std::abs(r.group_delay_samples) + 1e-13 / aside + 1e-4) << f;
    }
  }
}

// Group delay of a summed Linkwitz-Riley crossover, an all-pass (derivation from S. Linkwitz, JAES 24(1), 1976): fourth
// order at 100 Hz, 48 kHz: 216.0728 samples at 0 Hz, 216.0821 at 100 Hz; second order at 1 kHz: 15.2571 and 7.6613.
// 1e-3 samples.
TEST(LinearPath, HasTheGroupDelayOfACrossover) {
  const Biquad fourth = bilinear(100.0 / 48000, std::sqrt(2.0), 1, -std::sqrt(2.0), 1);
  const LinearPath path{std::span<const Biquad>(&fourth, 1)};
  EXPECT_NEAR(path.at(0.001 / 48000).group_delay_samples, 216.0728, 1e-3);
  EXPECT_NEAR(path.at(100.0 / 48000).group_delay_samples, 216.0821, 1e-3);
  const double t = std::tan(kPi / 48), p = (t - 1) / (t + 1);
  const Biquad second{p, 1, 0, p, 0};
  EXPECT_NEAR(LinearPath{std::span<const Biquad>(&second, 1)}.at(0.001 / 48000).group_delay_samples, 15.2571, 1e-3);
  EXPECT_NEAR(LinearPath{std::span<const Biquad>(&second, 1)}.at(1000.0 / 48000).group_delay_samples, 7.6613, 1e-3);
}

// From the core's own numbers nothing is lost at all; through a biquad's five the same filter errs more (control).
TEST(LinearPath, FromASectionIsExactAtLowFrequencies) {
  const double f = 20.0 / 192000, g = std::tan(kPi * f), k = 1 / 0.7071, h = 1 / (1 + g * (g + k));
  const auto single = [](double x) { return static_cast<float>(x); };
  const dsp::Section low_pass{single(h * g * g),           single(h * g),        1.0f, single(2 * g * h),
                              single(2 * g * (g + k) * h), single(2 * g * g * h)};
  const dsp::Biquad biquad = dsp::biquad_of(low_pass);
  const LinearPath of_section{std::span<const dsp::Section>(&low_pass, 1)},
      of_biquad{std::span<const dsp::Biquad>(&biquad, 1)};
  double worst_section = 0, worst_biquad = 0;
  for (const double at : {1.0, 5.0, 20.0, 40.0}) {
    const long double w = 2 * std::numbers::pi_v<long double> * static_cast<long double>(at / 192000);
    const std::complex<long double> e(-2 * std::sin(w / 2) * std::sin(w / 2), std::sin(w));
    const auto l = [](float x) { return static_cast<long double>(x); };
    const std::complex<long double> damped = e + l(low_pass.damp), first = e * damped,
                                    second = l(low_pass.cross) * damped + l(low_pass.rate) * l(low_pass.rate);
    const std::complex<double> exact(
        (l(low_pass.mix_v) * first + l(low_pass.mix_1) * l(low_pass.rate) * e + l(low_pass.mix_2) * second) /
        (first + second));
    worst_section = std::max(worst_section, std::abs(of_section.at(at / 192000).value / exact - 1.0));
    worst_biquad = std::max(worst_biquad, std::abs(of_biquad.at(at / 192000).value / exact - 1.0));
  }
  EXPECT_LT(worst_section, 1e-13);
  EXPECT_GT(worst_biquad, 10 * worst_section);
  const dsp::Section identity;
  const PathResponse through = LinearPath{std::span<const dsp::Section>(&identity, 1), 2.0}.at(0.2);
  EXPECT_EQ(through.value, 2.0);
  EXPECT_EQ(through.phase_rad, 0.0);
  EXPECT_EQ(through.group_delay_samples, 0.0);
}
}  // namespace
}  // namespace rackproof::analysis
