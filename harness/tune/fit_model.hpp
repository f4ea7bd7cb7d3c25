#pragma once
/// What the fit minimises: how far a response is off its target with some sections, and what is held against them.
///   residuals   the deviation at each frequency that has weight, times the root of the weight; what is boosted too much,
///               at each frequency; a cost for each section's gain, the larger the more the level there is in doubt
/// Each section is three numbers of the solver: log frequency, gain and log Q, squashed into their bounds by a tanh, so
/// that no step leaves them.
#include <Eigen/Core>
#include <Eigen/QR>
#include <optional>
#include <span>
#include <utility>
#include <vector>

#include "dsp/design/eq.hpp"
#include "harness/tune/fit_problem.hpp"
namespace rackproof::tune {

/// A section on its way.
struct Candidate {
  dsp::EqSettings eq;
  bool cuts_only = false;
};

/// A factorisation whose R is square. Eigen's own has as many rows as there are residuals, and its solver makes one of
/// its vectors longer for that. A matrix of Eigen 3.4 that is made another size when memory is gone is freed twice.
struct SquareFactor : Eigen::ColPivHouseholderQR<Eigen::MatrixXd> {
  using Eigen::ColPivHouseholderQR<Eigen::MatrixXd>::ColPivHouseholderQR;
  // Eigen calls it by this name. NOLINTNEXTLINE(readability-identifier-naming)
  auto matrixR() const { return matrixQR().topLeftCorner(cols(), cols()); }
};

/// Problem and bounds outlive the model.
class FitModel {
 public:
  using Vector = Eigen::VectorXd;
  using Index = Eigen::Index;
  static constexpr Index kEach = 3;  ///< numbers a section: frequency, gain, Q

  FitModel(const FitProblem& problem, const FitBounds& bounds);

  /// What the numbers of the solver stand for from now on. The first of them are where they are.
  Vector take(std::span<const Candidate> sections);
  std::vector<Candidate> candidates(const Vector& x) const;
  /// The root mean square deviation, in dB, with all that is held against the sections.
  double cost_db(const Vector& x) const;

  /// The frequencies that have weight, in ascending order: `row` counts them.
  double frequency(Index row) const;
  /// At each of them, in dB, where the sections together do `power` to the grid.
  Vector deviation(const Vector& power) const;
  /// What sections together do to the grid.
  Vector power_of(std::span<const Candidate> sections) const;
  /// Whether something is lifted too much over most of what has weight, there or below it.
  bool lifts_too_much(const Vector& power) const;
  /// Where on the grid the boost is the most too much, if it is anywhere.
  std::optional<std::size_t> too_much(const Vector& power) const;

  // What Eigen's solver calls, by its names.
  using Scalar = double;
  using InputType = Vector;
  using ValueType = Vector;
  using JacobianType = Eigen::MatrixXd;
  using QRSolver = SquareFactor;
  // NOLINTNEXTLINE(readability-identifier-naming)
  enum { InputsAtCompileTime = Eigen::Dynamic, ValuesAtCompileTime = Eigen::Dynamic };
  Index inputs() const { return kEach * static_cast<Index>(candidates_.size()); }
  Index values() const { return smoothed_.rows() + size_ + static_cast<Index>(candidates_.size()); }
  int operator()(const Vector& x, Vector& out) const;
  /// Forward differences; a step in one section leaves the others' responses as they are.
  int df(const Vector& x, Eigen::MatrixXd& jacobian) const;

 private:
  dsp::EqSettings section(const Vector& x, Index s) const;
  void put(Vector& x, Index s, const dsp::EqSettings& eq) const;
  double most_gain_db(const Candidate& candidate) const;
  double doubt_at(double hz) const;
  double median_where_weighted(const Vector& values) const;
  Eigen::MatrixXd powers(const Vector& x) const;
  void residuals(const Vector& x, const Eigen::MatrixXd& powers, Vector& out) const;

  const FitProblem& problem_;
  const FitBounds& bounds_;
  std::vector<Candidate> candidates_;
  Index size_;
  std::vector<Index> rows_;  ///< of the grid, those that have weight
  /// Powers in, smoothed powers out, a row for each of `rows_`; and where each row is not 0: from where, how many.
  Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor> smoothed_;
  std::vector<std::pair<Index, Index>> spans_;
  Vector root_weight_, target_, mean_;
  Vector most_lift_db_;  ///< over the median of all that has weight
  double weights_ = 0;
};

}  // namespace rackproof::tune
