// Must hold: `forward` is the definition at every even size, `inverse` undoes it, `convolve` is the definition.
// Tolerance: epsilon x log2(N) x magnitude of the sum, with a factor of 20 for the prime sizes, whose transform is a
// plain sum.
#include "harness/analysis/fourier.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <numbers>
#include <random>

namespace rackproof::analysis {
namespace {
std::vector<double> noise(std::size_t size, unsigned seed) {
  std::mt19937 bits(seed);
  std::vector<double> x(size);
  for (double& v : x) v = static_cast<double>(bits()) / 2147483648.0 - 1.0;
  return x;
}
Complex by_definition(const std::vector<double>& x, std::size_t k) {
  Complex sum = 0;
  for (std::size_t n = 0; n < x.size(); ++n)  // k n reduced in integers: the angle is exact
    sum += x[n] * std::polar(1.0, -2 * std::numbers::pi * static_cast<double>(k * n % x.size()) /
                                      static_cast<double>(x.size()));
  return sum;
}

TEST(RealFourier, IsTheDefinitionAndItsInverse) {
  std::vector<std::size_t> sizes{486, 1000, 2 * 127, 1024};
  for (std::size_t size = 2; size <= 64; size += 2) sizes.push_back(size);
  for (const std::size_t size : sizes) {
    const std::vector<double> x = noise(size, static_cast<unsigned>(size));
    const RealFourier fourier(size);
    const std::vector<Complex> spectrum = fourier.forward(x);
    ASSERT_EQ(spectrum.size(), size / 2 + 1);
    const double tolerance = 20 * 2.2e-16 * static_cast<double>(size);
    for (std::size_t k = 0; k < spectrum.size(); ++k)
      ASSERT_LT(std::abs(spectrum[k] - by_definition(x, k)), tolerance) << size;
    const std::vector<double> back = fourier.inverse(spectrum);
    ASSERT_EQ(back.size(), size);
    for (std::size_t n = 0; n < size; ++n) ASSERT_NEAR(back[n], x[n], 1e-13) << size;
  }
}

TEST(RealFourier, PadsWithSilenceAndRefusesWhatDoesNotFit) {
  const RealFourier fourier(16);
  std::vector<double> x = noise(9, 1);
  const std::vector<Complex> padded = fourier.forward(x);
  x.resize(16);
  EXPECT_EQ(padded, fourier.forward(x));
  EXPECT_THROW(fourier.forward(noise(17, 1)), std::invalid_argument);
  EXPECT_THROW(fourier.inverse(std::vector<Complex>(8)), std::invalid_argument);
  EXPECT_THROW(RealFourier(7), std::invalid_argument);
  EXPECT_THROW(RealFourier(0), std::invalid_argument);
}

TEST(NextFastSize, IsTheLeastOfItsKind) {
  const auto fast = [](std::size_t n) {
    if (n == 0 || n % 2 != 0) return false;
    for (const std::size_t p : {2u, 3u, 5u})
      while (n % p == 0) n /= p;
    return n == 1;
  };
  for (std::size_t size = 0; size < 3000; ++size) {
    std::size_t least = size;
    while (!fast(least)) ++least;
    ASSERT_EQ(next_fast_size(size), least);
  }
}

TEST(Convolve, IsTheDefinition) {
  for (const auto& [m, n] : {std::pair{1u, 1u}, {1u, 7u}, {5u, 4u}, {64u, 33u}, {200u, 301u}}) {
    const std::vector<double> a = noise(m, m), b = noise(n, n + 1);
    const std::vector<double> c = convolve(a, b);
    ASSERT_EQ(c.size(), m + n - 1);
    for (std::size_t i = 0; i < c.size(); ++i) {
      double sum = 0;
      for (std::size_t k = 0; k < m; ++k) sum += i >= k && i - k < n ? a[k] * b[i - k] : 0.0;
      ASSERT_NEAR(c[i], sum, 1e-12);
    }
  }
  EXPECT_TRUE(convolve({}, std::vector<double>{1.0}).empty());
}
}  // namespace
}  // namespace rackproof::analysis
