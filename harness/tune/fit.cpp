#include "harness/tune/fit.hpp"

#include <Eigen/Core>
#include <Eigen/QR>
#include <algorithm>
#include <cmath>
#include <numbers>
#include <optional>
#include <random>
#include <unsupported/Eigen/LevenbergMarquardt>

#include "dsp/design/response.hpp"
#include "harness/analysis/bands.hpp"
#include "harness/analysis/decibels.hpp"

namespace rackproof::tune {
namespace {

using analysis::db_from_power;
using analysis::power_from_db;
using Vector = Eigen::VectorXd;
using Index = Eigen::Index;

constexpr Index kEach = 3;              // numbers a section: frequency, gain, Q
constexpr double kGainCost = 0.01;      // dB of deviation that a dB of gain must be worth: no pair works against itself
constexpr double kBoostCost = 4;        // a dB too much boost costs as much as these dB of deviation
constexpr double kPriorDb = 3;          // how large faults are, as a rule
constexpr double kBoostDoubt = 1.5;     // a boost in the wrong place is worse than a cut, a narrow one worse still
constexpr double kBoostMarginDb = 0.3;  // it begins to cost so far below the bound
constexpr double kIdleGainDb = 0.2;     // below it a section is left out
constexpr double kLeastPower = 1e-30;

std::span<const double> as_span(const std::vector<double>& values) { return values; }

/// |H|^2 of one section, by the core's own design, over a grid. Nothing but 1 where it cannot be designed.
void power_response(const dsp::EqSettings& section, std::span<const double> frequency_hz, double sample_rate_hz,
                    Eigen::Ref<Vector> power) {
  dsp::ExactSection exact;
  if (!dsp::design(section, sample_rate_hz, exact)) {
    power.setOnes();
    return;
  }
  for (std::size_t k = 0; k < frequency_hz.size(); ++k)
    power[static_cast<Index>(k)] = std::norm(dsp::response(exact, frequency_hz[k], sample_rate_hz));
}

/// The smoothing as one matrix: rows of weights that `analysis::smooth` gives to unit impulses, times trust, of sum 1.
Eigen::MatrixXd smoothing_of(const FitProblem& problem) {
  const auto size = static_cast<Index>(problem.frequency_hz.size());
  if (problem.smoothing == 0) return Eigen::MatrixXd::Identity(size, size);
  Eigen::MatrixXd rows(size, size);
  std::vector<double> impulse(problem.frequency_hz.size());
  for (Index k = 0; k < size; ++k) {
    impulse[static_cast<std::size_t>(k)] = 1;
    const std::vector<double> column =
        analysis::smooth<double>(problem.frequency_hz, as_span(impulse), problem.smoothing);
    rows.col(k) =
        Eigen::Map<const Vector>(column.data(), size) * std::max(problem.trust[static_cast<std::size_t>(k)], 1e-3);
    impulse[static_cast<std::size_t>(k)] = 0;
  }
  for (Index k = 0; k < size; ++k) rows.row(k) /= rows.row(k).sum();
  return rows;
}

/// A factorisation whose R is square. Eigen's own has as many rows as there are residuals, and its solver makes one of
/// its vectors longer for that. A matrix of Eigen 3.4 that is made another size when memory is gone is freed twice.
struct SquareFactor : Eigen::ColPivHouseholderQR<Eigen::MatrixXd> {
  using Eigen::ColPivHouseholderQR<Eigen::MatrixXd>::ColPivHouseholderQR;
  // Eigen calls it by this name. NOLINTNEXTLINE(readability-identifier-naming)
  auto matrixR() const { return matrixQR().topLeftCorner(cols(), cols()); }
};

/// The residuals of LM: deviation, boost that is too much, gain that is not worth it.
class Model {
 public:
  using Scalar = double;
  using InputType = Vector;
  using ValueType = Vector;
  using JacobianType = Eigen::MatrixXd;
  using QRSolver = SquareFactor;
  // Eigen reads these two by their names. NOLINTNEXTLINE(readability-identifier-naming)
  enum { InputsAtCompileTime = Eigen::Dynamic, ValuesAtCompileTime = Eigen::Dynamic };

  Model(const FitProblem& problem, const FitOptions& options)
      : problem_(problem), options_(options), size_(static_cast<Index>(problem.frequency_hz.size())) {
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
  }

  Index inputs() const { return kEach * static_cast<Index>(options_.types.size()); }
  Index values() const { return smoothed_.rows() + size_ + static_cast<Index>(options_.types.size()); }

  int operator()(const Vector& x, Vector& out) const {
    residuals(x, powers(x), out);
    return 0;
  }
  /// Forward differences; a step in one section leaves the others' responses as they are.
  int df(const Vector& x, Eigen::MatrixXd& jacobian) const {
    const Eigen::MatrixXd at = powers(x);
    Vector here(values()), there(values());
    residuals(x, at, here);
    Eigen::MatrixXd moved = at;
    for (Index p = 0; p < x.size(); ++p) {
      constexpr double kStep = 1e-6;
      Vector y = x;
      y[p] += kStep;
      const Index s = p / kEach;
      power_response(section(y, s), problem_.frequency_hz, problem_.sample_rate_hz, moved.col(s));
      residuals(y, moved, there);
      jacobian.col(p) = (there - here) / kStep;
      moved.col(s) = at.col(s);
    }
    return 0;
  }

  dsp::EqSettings section(const Vector& x, Index s) const {
    const FitBounds& b = options_.bounds;
    dsp::EqSettings eq;
    eq.type = options_.types[static_cast<std::size_t>(s)];
    eq.at_hz = std::exp(squash(x[kEach * s], std::log(b.from_hz), std::log(b.to_hz)));
    eq.gain_db = squash(x[kEach * s + 1], b.least_gain_db, b.most_gain_db);
    eq.width = dsp::EqWidth::q;
    eq.width_value = std::exp(squash(x[kEach * s + 2], std::log(b.least_q), std::log(b.most_q)));
    return eq;
  }
  void put(Vector& x, Index s, const dsp::EqSettings& eq) const {
    const FitBounds& b = options_.bounds;
    x[kEach * s] = stretch(std::log(eq.at_hz), std::log(b.from_hz), std::log(b.to_hz));
    x[kEach * s + 1] = stretch(eq.gain_db, b.least_gain_db, b.most_gain_db);
    x[kEach * s + 2] = stretch(std::log(eq.width_value), std::log(b.least_q), std::log(b.most_q));
  }
  std::vector<dsp::EqSettings> sections(const Vector& x) const {
    std::vector<dsp::EqSettings> list;
    for (Index s = 0; s < x.size() / kEach; ++s) list.push_back(section(x, s));
    return list;
  }

  /// At the rows that have weight.
  Vector deviation(const Vector& power) const {
    Vector out(smoothed_.rows());
    for (Index r = 0; r < out.size(); ++r) {
      const auto [first, count] = spans_[static_cast<std::size_t>(r)];
      const double sum = smoothed_.row(r).segment(first, count).dot(power.segment(first, count));
      out[r] = db_from_power(std::max(sum, kLeastPower)) - target_[r];
    }
    return problem_.level_free ? Vector(out.array() - mean_.dot(out)) : out;
  }
  Vector power_of(std::span<const dsp::EqSettings> eq) const {
    Vector all = Vector::Ones(size_), one(size_);
    for (const dsp::EqSettings& section : eq) {
      power_response(section, problem_.frequency_hz, problem_.sample_rate_hz, one);
      all = all.cwiseProduct(one);
    }
    return all;
  }
  double frequency(Index row) const {
    return problem_.frequency_hz[static_cast<std::size_t>(rows_[static_cast<std::size_t>(row)])];
  }
  /// Where the boost is the most too much, if it is anywhere.
  std::optional<std::size_t> too_much(const Vector& power) const {
    std::optional<std::size_t> where;
    double worst = 0;
    for (std::size_t k = 0; k < problem_.frequency_hz.size(); ++k) {
      const double excess = db_from_power(power[static_cast<Index>(k)]) - problem_.most_boost_db[k];
      if (excess > worst) worst = excess, where = k;
    }
    return where;
  }

 private:
  static double squash(double x, double low, double high) { return low + (high - low) * (0.5 + 0.5 * std::tanh(x)); }
  static double stretch(double value, double low, double high) {
    return std::atanh(std::clamp(2 * (value - low) / (high - low) - 1, -0.99, 0.99));
  }
  /// Values within the width of the smoothing say one thing: so many of them are in doubt together.
  double doubt_at(double hz) const {
    if (problem_.doubt_db.empty()) return 0;
    const std::vector<double>& grid = problem_.frequency_hz;
    const auto above = static_cast<std::size_t>(std::upper_bound(grid.begin(), grid.end(), hz) - grid.begin());
    const std::size_t right = std::clamp<std::size_t>(above, 1, grid.size() - 1), left = right - 1;
    const double octave = std::log2(grid[right] / grid[left]), share = std::log2(hz / grid[left]) / octave;
    const double alike = problem_.smoothing > 0 ? 1 / (problem_.smoothing * octave) : 1;
    return std::sqrt(std::max(alike, 1.0)) *
           std::lerp(problem_.doubt_db[left], problem_.doubt_db[right], std::clamp(share, 0.0, 1.0));
  }
  Eigen::MatrixXd powers(const Vector& x) const {
    Eigen::MatrixXd all(size_, static_cast<Index>(options_.types.size()));
    for (Index s = 0; s < all.cols(); ++s)
      power_response(section(x, s), problem_.frequency_hz, problem_.sample_rate_hz, all.col(s));
    return all;
  }
  void residuals(const Vector& x, const Eigen::MatrixXd& powers, Vector& out) const {
    const Vector power = powers.rowwise().prod();
    const Vector off = deviation(power);
    const Index rows = off.size(), sections = powers.cols();
    out.resize(values());
    out.head(rows) = off.cwiseProduct(root_weight_);
    for (Index k = 0; k < size_; ++k) {
      const auto at = static_cast<std::size_t>(k);
      const double gain_db = db_from_power(std::max(power[k], kLeastPower));
      const double too_much_db = gain_db + kBoostMarginDb - problem_.most_boost_db[at];
      out[rows + k] = kBoostCost * std::max(too_much_db, 0.0);
    }
    const double cost = kGainCost * std::sqrt(static_cast<double>(rows) / static_cast<double>(sections));
    for (Index s = 0; s < sections; ++s) {
      const dsp::EqSettings eq = section(x, s);
      const double doubt =
          doubt_at(eq.at_hz) / kPriorDb * (eq.gain_db > 0 ? kBoostDoubt * std::max(1.0, eq.width_value / 2) : 1);
      out[rows + size_ + s] = std::hypot(cost, doubt) * eq.gain_db;
    }
  }

  const FitProblem& problem_;
  const FitOptions& options_;
  Index size_;
  std::vector<Index> rows_;  ///< of the grid, those that have weight
  std::vector<std::pair<Index, Index>> spans_;
  Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor> smoothed_;  ///< powers in, smoothed powers out
  Vector root_weight_, target_, mean_;
};

/// Section after section where the deviation is worst, as wide as it is there.
Vector greedy(const Model& model, const FitOptions& options) {
  Vector x = Vector::Zero(model.inputs());
  std::vector<dsp::EqSettings> taken;
  const FitBounds& b = options.bounds;
  for (Index s = 0; s < static_cast<Index>(options.types.size()); ++s) {
    const Vector off = model.deviation(model.power_of(taken));
    dsp::EqSettings eq;
    eq.type = options.types[static_cast<std::size_t>(s)];
    Index worst = 0;
    if (eq.type == dsp::EqType::lowshelf || eq.type == dsp::EqType::highshelf) {
      // A shelf: what its end of the range needs, from an octave within it.
      worst = eq.type == dsp::EqType::lowshelf ? 0 : off.size() - 1;
      const double octave_in = eq.type == dsp::EqType::lowshelf ? 4.0 : 0.4;
      eq.at_hz = std::clamp(model.frequency(worst) * octave_in, b.from_hz, b.to_hz);
      eq.width_value = std::numbers::sqrt2 / 2;
    } else {
      double most = -1;
      for (Index k = 0; k < off.size(); ++k) {  // what a bound forbids to mend is not where to begin
        const double need = std::min(off[k], -b.least_gain_db);
        const double worth = need >= 0 ? need : std::min(-need, b.most_gain_db);
        if (worth > most) most = worth, worst = k;
      }
      Index low = worst, high = worst;
      const auto same_side = [&](Index k) {
        return off[k] * off[worst] > 0 && std::abs(off[k]) > std::abs(off[worst]) / 2;
      };
      while (low > 0 && same_side(low - 1)) --low;
      while (high + 1 < off.size() && same_side(high + 1)) ++high;
      const double octaves = std::clamp(std::log2(model.frequency(high) / model.frequency(low)), 0.2, 3.0);
      eq.at_hz = std::clamp(model.frequency(worst), b.from_hz, b.to_hz);
      // Q of a width between half-gain points (W3C note): 1 / (2 sinh(ln 2 / 2 * octaves))
      eq.width_value = std::clamp(1 / (2 * std::sinh(std::numbers::ln2 / 2 * octaves)), b.least_q, b.most_q);
    }
    eq.width = dsp::EqWidth::q;
    eq.gain_db = off.size() == 0 ? 0 : std::clamp(-off[worst], b.least_gain_db * 0.9, b.most_gain_db * 0.9);
    taken.push_back(eq);
    model.put(x, s, eq);
  }
  return x;
}

/// To whole 1/parts: the double nearest to the decimal number, so that its shortest text is short.
double to_parts(double value, double parts) { return std::round(value * parts) / parts; }
dsp::EqSettings as_written(dsp::EqSettings eq) {
  const int digits = 3 - static_cast<int>(std::floor(std::log10(eq.at_hz)));
  eq.at_hz = to_parts(eq.at_hz, std::pow(10.0, std::max(digits, 0)));
  eq.gain_db = to_parts(eq.gain_db, 100);
  eq.width_value = to_parts(eq.width_value, 100);
  return eq;
}

}  // namespace

std::vector<dsp::EqSettings> fit(const FitProblem& problem, const FitOptions& options) {
  if (options.types.empty() ||
      std::none_of(problem.weight.begin(), problem.weight.end(), [](double w) { return w > 0; }))
    return {};
  Model model(problem, options);
  const Vector first = greedy(model, options);
  std::mt19937 bits(20231);
  const auto scatter = [&] { return static_cast<double>(bits()) / 4294967296.0 - 0.5; };
  Vector best = first;
  double least = -1;
  for (int start = 0; start < std::max(options.starts, 1); ++start) {
    Vector x = first;
    if (start > 0)
      for (Index p = 0; p < x.size(); ++p) x[p] += scatter() * (p % kEach == 0 ? 0.8 : 1.2);
    Eigen::LevenbergMarquardt<Model> solver(model);
    solver.setMaxfev(120);
    solver.setFtol(1e-8);
    solver.setXtol(1e-8);
    solver.minimize(x);
    if (!x.allFinite()) continue;
    Vector residual(model.values());
    model(x, residual);
    if (const double cost = residual.squaredNorm(); least < 0 || cost < least) least = cost, best = x;
  }

  std::vector<dsp::EqSettings> eq = model.sections(best);
  std::erase_if(eq, [](const dsp::EqSettings& s) { return std::abs(s.gain_db) < kIdleGainDb; });
  // A penalty only pulls; the bound is a promise. Each pass takes at least 0.01 dB of a boost, so there is an end.
  for (dsp::EqSettings& section : eq) section = as_written(section);
  while (const auto at = model.too_much(model.power_of(eq))) {
    const std::span<const double> there(&problem.frequency_hz[*at], 1);
    const auto boost_there = [&](const dsp::EqSettings& section) {
      return gain_db_of({&section, 1}, there, problem.sample_rate_hz)[0];
    };
    const auto most = std::max_element(eq.begin(), eq.end(),
                                       [&](const auto& a, const auto& b) { return boost_there(a) < boost_there(b); });
    if (most == eq.end() || !(most->gain_db > 0)) break;  // a bound below 0 dB: nothing to be taken
    most->gain_db = std::max(0.0, std::min(most->gain_db * 0.97, most->gain_db - 0.01));
    *most = as_written(*most);
  }
  std::erase_if(eq, [](const dsp::EqSettings& s) { return std::abs(s.gain_db) < kIdleGainDb / 2; });
  std::sort(eq.begin(), eq.end(), [](const auto& a, const auto& b) { return a.at_hz < b.at_hz; });
  return eq;
}

std::vector<double> gain_db_of(std::span<const dsp::EqSettings> eq, std::span<const double> frequency_hz,
                               double sample_rate_hz) {
  Vector power(static_cast<Index>(frequency_hz.size()));
  std::vector<double> sum(frequency_hz.size());
  for (const dsp::EqSettings& section : eq) {
    power_response(section, frequency_hz, sample_rate_hz, power);
    for (std::size_t k = 0; k < sum.size(); ++k) sum[k] += db_from_power(power[static_cast<Index>(k)]);
  }
  return sum;
}

std::vector<double> deviation_db(const FitProblem& problem, std::span<const dsp::EqSettings> eq) {
  const std::vector<double> gain = gain_db_of(eq, problem.frequency_hz, problem.sample_rate_hz);
  std::vector<double> power(gain.size()), trust(gain.size());
  for (std::size_t k = 0; k < gain.size(); ++k) {
    trust[k] = std::max(problem.trust[k], 1e-3);
    power[k] = trust[k] * power_from_db(problem.level_db[k] + gain[k]);
  }
  if (problem.smoothing != 0) {
    power = analysis::smooth<double>(problem.frequency_hz, as_span(power), problem.smoothing);
    trust = analysis::smooth<double>(problem.frequency_hz, as_span(trust), problem.smoothing);
  }
  double mean = 0, weights = 0;
  std::vector<double> off(gain.size());
  for (std::size_t k = 0; k < off.size(); ++k) {
    off[k] = db_from_power(std::max(power[k] / trust[k], kLeastPower)) - problem.target_db[k];
    mean += problem.weight[k] * off[k];
    weights += problem.weight[k];
  }
  if (problem.level_free && weights > 0)
    for (double& value : off) value -= mean / weights;
  return off;
}

Deviation judge(const FitProblem& problem, std::span<const dsp::EqSettings> eq) {
  const std::vector<double> off = deviation_db(problem, eq);
  Deviation found;
  double squares = 0, weights = 0;
  for (std::size_t k = 0; k < off.size(); ++k) {
    if (!(problem.weight[k] > 0)) continue;
    squares += problem.weight[k] * off[k] * off[k];
    weights += problem.weight[k];
    found.max_db = std::max(found.max_db, std::abs(off[k]));
  }
  found.rms_db = weights > 0 ? std::sqrt(squares / weights) : 0;
  return found;
}

}  // namespace rackproof::tune
