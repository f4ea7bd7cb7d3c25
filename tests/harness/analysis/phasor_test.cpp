// Must hold: the claim at the top of phasor.hpp.
#include "harness/analysis/phasor.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <complex>
#include <numbers>

namespace rackproof::analysis {
namespace {

// By definition, the place's turns reduced exactly: of a `turns` of 24 bits and n below 2^29 the product is exact.
std::complex<double> turned_by_definition(double turns, double n, double magnitude) {
  return std::polar(magnitude, 2 * std::numbers::pi * std::remainder(turns * n, 1.0));
}

TEST(Phasor, IsTheDefinitionHoweverLongItGoesOn) {
  for (const float turns : {0.0f, 0.0123456f, -0.25f, 0.4999f, 0.7f})
    for (const double first : {0.0, 3.0, 1e8}) {
      Phasor phasor(static_cast<double>(turns), first, 2.5);
      double worst = 0;
      for (std::uint32_t n = 0; n < 5 * Phasor::kRenewal + 7; ++n, ++phasor) {
        const auto exact = turned_by_definition(static_cast<double>(turns), first + n, 2.5);
        worst = std::max(worst, std::abs(*phasor - exact));
        ASSERT_EQ((*phasor).imag(), phasor.im());
      }
      EXPECT_LT(worst, 2.5 * 2e-13) << turns << " from " << first;
    }
}

TEST(Phasor, JumpsToAPlace) {
  Phasor phasor(0.0123);
  for (int n = 0; n < 300; ++n) ++phasor;
  phasor.jump(-5);
  EXPECT_LT(std::abs(*phasor - turned_by_definition(0.0123, -5, 1)), 1e-15);
  ++phasor;
  EXPECT_LT(std::abs(*phasor - turned_by_definition(0.0123, -4, 1)), 1e-15);
}

// Control: without renewal the claim falls within a recording's length.
TEST(Phasor, ProductsAloneDrift) {
  const std::complex<double> turn = std::polar(1.0, 2 * std::numbers::pi * static_cast<double>(0.0123456f));
  std::complex<double> rotation = 1;
  for (int n = 0; n < 1000000; ++n) rotation *= turn;
  EXPECT_GT(std::abs(rotation - turned_by_definition(static_cast<double>(0.0123456f), 1e6, 1)), 1e-12);
}

}  // namespace
}  // namespace rackproof::analysis
