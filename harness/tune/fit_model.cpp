#include "harness/tune/fit_model.hpp"

#include <algorithm>
#include <cmath>

#include "harness/analysis/bands.hpp"
#include "harness/analysis/decibels.hpp"
#include "harness/analysis/median.hpp"

namespace rackproof::tune {
namespace {

using analysis::db_from_power;
using analysis::power_from_db;
using Vector = FitModel::Vector;
using Index = FitModel::Index;

constexpr double kGainCost = 0.02;      // dB of deviation that a dB of gain must be worth: no pair works against itself
constexpr double kBoostCost = 4;        // a dB too much boost costs as much as these dB of deviation
constexpr double kPriorDb = 4;          // how large faults are, as a rule
constexpr double kBoostDoubt = 1.5;     // a boost in the wrong place is worse than a cut, a narrow one worse still
constexpr double kBoostMarginDb = 0.3;  // it begins to cost so far below the bound

/// The smoothing as one matrix: rows of weights that `analysis::smooth` gives to unit impulses, times trust, of sum 1.
Eigen::MatrixXd smoothing_of(const FitProblem& problem) {
  const auto size = static_cast<Index>(problem.frequency_hz.size());
  if (problem.smoothing == 0) return Eigen::MatrixXd::Identity(size, size);
  Eigen::MatrixXd rows(size, size);
  std::vector<double> impulse(problem.frequency_hz.size());
  for (Index k = 0; k < size; ++k) {
    const auto at = static_cast<std::size_t>(k);
    impulse[at] = 1;
    const std::vector<double> column = analysis::smooth<double>(problem.frequency_hz, impulse, problem.smoothing);
    rows.col(k) = Eigen::Map<const Vector>(column.data(), size) * std::max(problem.trust[at], kLeastTrust);
    impulse[at] = 0;
  }
  for (Index k = 0; k < size; ++k) rows.row(k) /= rows.row(k).sum();
  return rows;
}

Vector in_db(const Vector& power) {
  return power.unaryExpr([](double value) { return db_from_power(std::max(value, kLeastPower)); });
}
double squash(double x, double low, double high) { return low + (high - low) * (0.5 + 0.5 * std::tanh(x)); }
double stretch(double value, double low, double high) {
  return std::atanh(std::clamp(2 * (value - low) / (high - low) - 1, -0.99, 0.99));
}
std::span<double> column(Eigen::MatrixXd& matrix, Index at) {
  return {matrix.col(at).data(), static_cast<std::size_t>(matrix.rows())};
}

}  // namespace

FitModel::FitModel(const FitProblem& problem, const FitBounds& bounds)
    : problem_(problem), bounds_(bounds), size_(static_cast<Index>(problem.frequency_hz.size())) {
  const Eigen::MatrixXd smoothing = smoothing_of(problem);
  const Vector level = Eigen::Map<const Vector>(problem.level_db.data(), size_).unaryExpr(&power_from_db);
  for (Index k = 0; k < size_; ++k)
    if (problem.weight[static_cast<std::size_t>(k)] > 0) rows_.push_back(k);
  smoothed_.resize(static_cast<Index>(rows_.size()), size_);
  root_weight_.resize(smoothed_.rows());
  target_.resize(smoothed_.rows());
  for (Index r = 0; r < smoothed_.rows(); ++r) {
    const Index k = rows_[static_cast<std::size_t>(r)];
    smoothed_.row(r) = smoothing.row(k).cwiseProduct(level.transpose());
    root_weight_[r] = std::sqrt(problem.weight[static_cast<std::size_t>(k)]);
    target_[r] = problem.target_db[static_cast<std::size_t>(k)];
    // Rows are narrow: where they begin and end is kept, so that products stay short.
    Index first = 0, last = size_ - 1;
    while (first < last && smoothing(k, first) == 0) ++first;
    while (last > first && smoothing(k, last) == 0) --last;
    spans_.emplace_back(first, last - first + 1);
  }
  const double sum = root_weight_.squaredNorm();
  mean_ = sum > 0 ? Vector(root_weight_.cwiseAbs2() / sum) : Vector(root_weight_);
  weights_ = sum;
  // What a target asks for above most of itself is allowed on top.
  most_lift_db_ = Eigen::Map<const Vector>(problem.target_db.data(), size_);
  const double median_db = median_where_weighted(most_lift_db_);
  most_lift_db_ = (most_lift_db_.array() - median_db).max(0.0) + problem.most_over_median_db;
}

Vector FitModel::take(std::span<const Candidate> sections) {
  candidates_.assign(sections.begin(), sections.end());
  Vector x(inputs());
  for (Index s = 0; s < x.size() / kEach; ++s) put(x, s, candidates_[static_cast<std::size_t>(s)].eq);
  return x;
}

std::vector<Candidate> FitModel::candidates(const Vector& x) const {
  std::vector<Candidate> list = candidates_;
  for (Index s = 0; s < x.size() / kEach; ++s) list[static_cast<std::size_t>(s)].eq = section(x, s);
  return list;
}

double FitModel::cost_db(const Vector& x) const {
  Vector residual(values());
  residuals(x, powers(x), residual);
  return std::sqrt(residual.squaredNorm() / std::max(weights_, kLeastPower));
}

int FitModel::operator()(const Vector& x, Vector& out) const {
  residuals(x, powers(x), out);
  return 0;
}

int FitModel::df(const Vector& x, Eigen::MatrixXd& jacobian) const {
  const Eigen::MatrixXd at = powers(x);
  Vector here(values()), there(values());
  residuals(x, at, here);
  Eigen::MatrixXd moved = at;
  for (Index p = 0; p < x.size(); ++p) {
    constexpr double kStep = 1e-6;
    Vector y = x;
    y[p] += kStep;
    const Index s = p / kEach;
    power_response(section(y, s), problem_.frequency_hz, problem_.sample_rate_hz, column(moved, s));
    residuals(y, moved, there);
    jacobian.col(p) = (there - here) / kStep;
    moved.col(s) = at.col(s);
  }
  return 0;
}

dsp::EqSettings FitModel::section(const Vector& x, Index s) const {
  const FitBounds& b = bounds_;
  const Candidate& candidate = candidates_[static_cast<std::size_t>(s)];
  dsp::EqSettings eq;
  eq.type = candidate.eq.type;
  eq.at_hz = std::exp(squash(x[kEach * s], std::log(b.from_hz), std::log(b.to_hz)));
  eq.gain_db = squash(x[kEach * s + 1], b.least_gain_db, most_gain_db(candidate));
  eq.width = dsp::EqWidth::q;
  eq.width_value = std::exp(squash(x[kEach * s + 2], std::log(b.least_q), std::log(b.most_q)));
  return eq;
}

void FitModel::put(Vector& x, Index s, const dsp::EqSettings& eq) const {
  const FitBounds& b = bounds_;
  const double most_db = most_gain_db(candidates_[static_cast<std::size_t>(s)]);
  x[kEach * s] = stretch(std::log(eq.at_hz), std::log(b.from_hz), std::log(b.to_hz));
  x[kEach * s + 1] = stretch(eq.gain_db, b.least_gain_db, most_db);
  x[kEach * s + 2] = stretch(std::log(eq.width_value), std::log(b.least_q), std::log(b.most_q));
}

Vector FitModel::deviation(const Vector& power) const {
  Vector out(smoothed_.rows());
  for (Index r = 0; r < out.size(); ++r) {
    const auto [first, count] = spans_[static_cast<std::size_t>(r)];
    const double sum = smoothed_.row(r).segment(first, count).dot(power.segment(first, count));
    out[r] = db_from_power(std::max(sum, kLeastPower)) - target_[r];
  }
  return problem_.level_free ? Vector(out.array() - mean_.dot(out)) : out;
}

Vector FitModel::power_of(std::span<const Candidate> sections) const {
  Vector all = Vector::Ones(size_), one(size_);
  for (const Candidate& section : sections) {
    power_response(section.eq, problem_.frequency_hz, problem_.sample_rate_hz,
                   {one.data(), static_cast<std::size_t>(size_)});
    all = all.cwiseProduct(one);
  }
  return all;
}

double FitModel::frequency(Index row) const {
  return problem_.frequency_hz[static_cast<std::size_t>(rows_[static_cast<std::size_t>(row)])];
}

bool FitModel::lifts_too_much(const Vector& power) const {
  const Vector gain_db = in_db(power);
  const double most_db = median_where_weighted(gain_db);
  const Index below = rows_.back() + 1;
  return ((gain_db - most_lift_db_).head(below).array() > most_db).any();
}

std::optional<std::size_t> FitModel::too_much(const Vector& power) const {
  std::optional<std::size_t> where;
  double worst = 0;
  for (std::size_t k = 0; k < problem_.frequency_hz.size(); ++k) {
    const double excess = db_from_power(power[static_cast<Index>(k)]) - problem_.most_boost_db[k];
    if (excess > worst) {
      worst = excess;
      where = k;
    }
  }
  return where;
}

double FitModel::most_gain_db(const Candidate& candidate) const {
  return candidate.cuts_only ? 0 : bounds_.most_gain_db;
}

/// Values within the width of the smoothing say one thing: so many of them are in doubt together.
double FitModel::doubt_at(double hz) const {
  if (problem_.doubt_db.empty()) return 0;
  const std::vector<double>& grid = problem_.frequency_hz;
  const auto above = static_cast<std::size_t>(std::upper_bound(grid.begin(), grid.end(), hz) - grid.begin());
  const std::size_t right = std::clamp<std::size_t>(above, 1, grid.size() - 1), left = right - 1;
  const double octave = std::log2(grid[right] / grid[left]), share = std::log2(hz / grid[left]) / octave;
  const double alike = problem_.smoothing > 0 ? 1 / (problem_.smoothing * octave) : 1;
  return std::sqrt(std::max(alike, 1.0)) *
         std::lerp(problem_.doubt_db[left], problem_.doubt_db[right], std::clamp(share, 0.0, 1.0));
}

double FitModel::median_where_weighted(const Vector& values) const {
  std::vector<double> weighted;
  weighted.reserve(rows_.size());
  for (const Index k : rows_) weighted.push_back(values[k]);
  return weighted.empty() ? 0 : analysis::median(std::move(weighted));
}

Eigen::MatrixXd FitModel::powers(const Vector& x) const {
  Eigen::MatrixXd all(size_, static_cast<Index>(candidates_.size()));
  for (Index s = 0; s < all.cols(); ++s)
    power_response(section(x, s), problem_.frequency_hz, problem_.sample_rate_hz, column(all, s));
  return all;
}

void FitModel::residuals(const Vector& x, const Eigen::MatrixXd& powers, Vector& out) const {
  const Vector power = powers.rowwise().prod();
  const Vector off = deviation(power);
  const Index rows = off.size(), sections = powers.cols();
  out.resize(values());
  out.head(rows) = off.cwiseProduct(root_weight_);
  const Vector gain_db = in_db(power);
  const double median_db = median_where_weighted(gain_db);
  for (Index k = 0; k < size_; ++k) {
    const auto at = static_cast<std::size_t>(k);
    const double too_much_db = gain_db[k] + kBoostMarginDb - problem_.most_boost_db[at];
    const double lifted_db = k <= rows_.back() ? gain_db[k] + kBoostMarginDb - median_db - most_lift_db_[k] : 0;
    out[rows + k] = kBoostCost * std::max({too_much_db, lifted_db, 0.0});
  }
  const double cost = kGainCost * std::sqrt(static_cast<double>(rows) / static_cast<double>(sections));
  for (Index s = 0; s < sections; ++s) {
    const dsp::EqSettings eq = section(x, s);
    const double doubt =
        doubt_at(eq.at_hz) / kPriorDb * (eq.gain_db > 0 ? kBoostDoubt * std::max(1.0, eq.width_value / 2) : 1);
    out[rows + size_ + s] = std::hypot(cost, doubt) * eq.gain_db;
  }
}

}  // namespace rackproof::tune
