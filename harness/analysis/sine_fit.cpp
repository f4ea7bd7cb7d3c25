#include "harness/analysis/sine_fit.hpp"

#include <eigen3/Eigen/Cholesky>

#include <algorithm>
#include <cmath>
#include <numbers>
#include <stdexcept>

namespace rackproof::analysis {
namespace {
double harmonic_power(const SineFit& fit) {
  double power = 0;
  for (std::size_t h = 1; h < fit.amplitude.size(); ++h) power += 0.5 * fit.amplitude[h] * fit.amplitude[h];
  return power;
}
double over_fundamental(double power, const SineFit& fit) {
  return std::sqrt(power / (0.5 * fit.amplitude.front() * fit.amplitude.front()));
}
}  // namespace

double SineFit::thd() const { return over_fundamental(harmonic_power(*this), *this); }
double SineFit::thd_plus_noise() const {
  return over_fundamental(harmonic_power(*this) + residual_rms * residual_rms, *this);
}

SineFit fit_sine(std::span<const double> signal, double frequency, std::size_t harmonics) {
  if (!(frequency > 0 && frequency < 0.5)) throw std::invalid_argument("a sine below half the sample rate");
  if (static_cast<double>(signal.size()) * frequency < 2.0) throw std::invalid_argument("two periods at least");
  const std::size_t count =
      std::max<std::size_t>(1, std::min(harmonics, static_cast<std::size_t>(std::ceil(0.5 / frequency - 1e-9) - 1.0)));
  const Eigen::Index size = static_cast<Eigen::Index>(1 + 2 * count);
  const auto row_at = [&](std::size_t n) {
    Eigen::VectorXd row(size);
    row[0] = 1.0;
    for (std::size_t h = 1; h <= count; ++h) {
      const double turns = static_cast<double>(h) * frequency * static_cast<double>(n);
      const double angle = 2.0 * std::numbers::pi * (turns - std::floor(turns));
      row[static_cast<Eigen::Index>(2 * h - 1)] = std::cos(angle);
      row[static_cast<Eigen::Index>(2 * h)] = std::sin(angle);
    }
    return row;
  };
  // Normal equations: the columns are nearly orthogonal over two periods and more, so they lose nothing that counts.
  Eigen::MatrixXd gram = Eigen::MatrixXd::Zero(size, size);
  Eigen::VectorXd moments = Eigen::VectorXd::Zero(size);
  for (std::size_t n = 0; n < signal.size(); ++n) {
    const Eigen::VectorXd row = row_at(n);
    gram.selfadjointView<Eigen::Lower>().rankUpdate(row);
    moments += signal[n] * row;
  }
  const Eigen::LDLT<Eigen::MatrixXd> solver(gram.selfadjointView<Eigen::Lower>());
  const Eigen::VectorXd solution = solver.solve(moments);
  SineFit fit;
  fit.offset = solution[0];
  for (std::size_t h = 1; h <= count; ++h) {
    const double c = solution[static_cast<Eigen::Index>(2 * h - 1)], s = solution[static_cast<Eigen::Index>(2 * h)];
    fit.amplitude.push_back(std::hypot(c, s));
    fit.phase_rad.push_back(std::atan2(c, s));
  }
  double squares = 0;
  for (std::size_t n = 0; n < signal.size(); ++n) {
    const double left = signal[n] - row_at(n).dot(solution);
    squares += left * left;
  }
  fit.residual_rms = std::sqrt(squares / static_cast<double>(signal.size()));
  return fit;
}

}  // namespace rackproof::analysis
