// Must hold: the cut into blocks changes no bit; one segment says nothing (coherence 1); a linear system in the clear
// is found exactly; noise at the output leaves H1 unbiased, noise at the input does not (control).
#include "harness/analysis/cross_spectrum.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <numeric>

#include "harness/stimuli/noise.hpp"

namespace rackproof::analysis {
namespace {
using stimuli::take, stimuli::white_noise;

TEST(CrossSpectrum, IsTheSameHoweverTheStreamIsCut) {
  const std::vector<double> x = take(white_noise(1), 5000), y = take(white_noise(2), 5000);
  CrossSpectrum whole({48000, 256, 100, Window::hann});
  whole.add(x, y);
  EXPECT_EQ(whole.segments(), 48u);  // 1 + (5000 - 256) / 100
  for (const std::size_t cut : {1u, 7u, 255u, 256u, 257u, 4096u}) {
    CrossSpectrum pieces({48000, 256, 100, Window::hann});
    for (std::size_t n = 0; n < x.size(); n += cut) {
      const std::size_t count = std::min(cut, x.size() - n);
      pieces.add(std::span(x).subspan(n, count), std::span(y).subspan(n, count));
    }
    EXPECT_EQ(pieces.segments(), whole.segments());
    EXPECT_EQ(pieces.pxy(), whole.pxy()) << "blocks of " << cut;
    EXPECT_EQ(pieces.pxx(), whole.pxx());
    EXPECT_EQ(pieces.pyy(), whole.pyy());
  }
}

TEST(CrossSpectrum, OfOneSegmentAlwaysCoheres) {
  const std::vector<double> x = take(white_noise(1), 256), y = take(white_noise(2), 256);
  CrossSpectrum one({48000, 256, 128, Window::hann}), many({48000, 256, 128, Window::hann});
  one.add(x, y);
  for (const double c : one.coherence()) EXPECT_NEAR(c, 1.0, 1e-12);
  many.add(take(white_noise(1), 65536), take(white_noise(2), 65536));
  const std::vector<double> coherence = many.coherence();
  EXPECT_LT(std::accumulate(coherence.begin(), coherence.end(), 0.0) / 129.0, 0.01);  // about 1/480
}

TEST(CrossSpectrum, FindsWhatIsBetweenOutputNoiseOrNot) {
  const std::vector<double> x = take(white_noise(1), 1u << 18), hiss = take(white_noise(2), 1u << 18);
  std::vector<double> clear(x), noisy(x), heard(x);
  for (std::size_t n = 0; n < x.size(); ++n) {
    clear[n] *= -0.25;
    noisy[n] = -0.25 * x[n] + 0.25 * hiss[n];
    heard[n] += hiss[n];
  }
  const auto gain = [](const std::vector<double>& in, const std::vector<double>& out) {
    CrossSpectrum spectrum({48000, 512, 512, Window::hann});
    spectrum.add(in, out);
    const std::vector<Complex> h = spectrum.h1();
    return std::accumulate(h.begin() + 1, h.end() - 1, Complex()) / 255.0;
  };
  EXPECT_LT(std::abs(gain(x, clear) - -0.25), 1e-12);
  EXPECT_LT(std::abs(gain(x, noisy) - -0.25), 4 * 0.25 / std::sqrt(512.0 * 255.0));  // 4 standard errors
  EXPECT_LT(std::abs(gain(heard, clear) - -0.125), 0.005);                           // control: half of it is lost
}

TEST(CrossSpectrum, OfSilenceIsZeroAndNotUndefined) {
  CrossSpectrum spectrum({48000, 64, 32, Window::hann});
  const std::vector<double> silent(640, 0.0);
  spectrum.add(silent, silent);
  for (const double c : spectrum.coherence()) EXPECT_EQ(c, 0.0);
  for (const Complex& h : spectrum.h1()) EXPECT_EQ(h, Complex());
  EXPECT_THROW(CrossSpectrum({48000, 64, 65, Window::hann}), std::invalid_argument);
  EXPECT_THROW(CrossSpectrum({48000, 64, 0, Window::hann}), std::invalid_argument);
  EXPECT_THROW(spectrum.add(silent, std::span(silent).first(1)), std::invalid_argument);
}
}  // namespace
}  // namespace rackproof::analysis
