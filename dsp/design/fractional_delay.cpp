#include "dsp/design/fractional_delay.hpp"

#include <cassert>
#include <cmath>
#include <numbers>

namespace rackproof::dsp {
namespace {
struct Band {
  double from, to, weight;  // edges in units of the sample rate
};
// Found by search: both halves of the theorem keep 5 % in hand.
constexpr Band kBands[] = {{0.0, 0.255, 2000.0}, {0.255, 0.38, 1.0}, {0.38, 0.405, 1.5}};

/// Weighted integral of cos(2 pi f lag) over the bands: what both sides of the normal equations are made of.
double correlation(double lag) noexcept {
  const auto integral = [lag](double to) {
    const double turn = 2.0 * std::numbers::pi * lag;
    return lag == 0.0 ? to : std::sin(turn * to) / turn;
  };
  double sum = 0.0;
  for (const Band& band : kBands) sum += band.weight * (integral(band.to) - integral(band.from));
  return sum;
}
}  // namespace

std::array<float, kFractionTaps> fractional_delay(double fraction) noexcept {
  assert(fraction >= 0.0 && fraction < 1.0);
  constexpr std::size_t n = kFractionTaps;
  std::array<float, n> taps{};
  if (fraction == 0.0) {
    taps[kFractionLatency] = 1.0f;
    return taps;
  }
  double lower[n][n], solution[n];
  for (std::size_t row = 0; row < n; ++row) {
    for (std::size_t column = 0; column <= row; ++column) {
      double rest = correlation(static_cast<double>(row - column));
      for (std::size_t k = 0; k < column; ++k) rest -= lower[row][k] * lower[column][k];
      lower[row][column] = row == column ? std::sqrt(rest) : rest / lower[column][column];
    }
    double rest = correlation(static_cast<double>(row) - (kFractionLatency + fraction));
    for (std::size_t k = 0; k < row; ++k) rest -= lower[row][k] * solution[k];
    solution[row] = rest / lower[row][row];
  }
  for (std::size_t row = n; row-- > 0;) {
    for (std::size_t k = row + 1; k < n; ++k) solution[row] -= lower[k][row] * solution[k];
    solution[row] /= lower[row][row];
    taps[row] = static_cast<float>(solution[row]);
  }
  return taps;
}

}  // namespace rackproof::dsp
