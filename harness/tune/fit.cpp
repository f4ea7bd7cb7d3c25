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
#include "harness/analysis/median.hpp"

namespace rackproof::tune {
namespace {

using analysis::db_from_power;
using analysis::power_from_db;
using Vector = Eigen::VectorXd;
using Index = Eigen::Index;

constexpr Index kEach = 3;              // numbers a section: frequency, gain, Q
constexpr double kGainCost = 0.02;      // dB of deviation that a dB of gain must be worth: no pair works against itself
constexpr double kBoostCost = 4;        // a dB too much boost costs as much as these dB of deviation
constexpr double kPriorDb = 4;          // how large faults are, as a rule
constexpr double kBoostDoubt = 1.5;     // a boost in the wrong place is worse than a cut, a narrow one worse still
constexpr double kBoostMarginDb = 0.3;  // it begins to cost so far below the bound
constexpr double kIdleGainDb = 0.2;     // below it a section is left out
constexpr double kSectionWorthDb = 0.01;       // root mean square: so much less deviation with it, or it is left out
constexpr int kFirstTries = 120, kTries = 40;  // evaluations of a start, and of what is fitted anew
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

/// A section on its way.
struct Candidate {
  dsp::EqSettings eq;
  bool cuts_only = false;
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

  Model(const FitProblem& problem, const FitBounds& bounds)
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

  /// What the numbers of the solver stand for from now on. The first of them are where they are.
  Vector take(std::span<const Candidate> sections) {
    candidates_.assign(sections.begin(), sections.end());
    Vector x(inputs());
    for (Index s = 0; s < x.size() / kEach; ++s) put(x, s, candidates_[static_cast<std::size_t>(s)].eq);
    return x;
  }
  std::vector<Candidate> candidates(const Vector& x) const {
    std::vector<Candidate> list = candidates_;
    for (Index s = 0; s < x.size() / kEach; ++s) list[static_cast<std::size_t>(s)].eq = section(x, s);
    return list;
  }
  Index inputs() const { return kEach * static_cast<Index>(candidates_.size()); }
  Index values() const { return smoothed_.rows() + size_ + static_cast<Index>(candidates_.size()); }
  /// The root mean square deviation, in dB, with all that is held against the sections.
  double cost_db(const Vector& x) const {
    Vector residual(values());
    residuals(x, powers(x), residual);
    return std::sqrt(residual.squaredNorm() / std::max(weights_, kLeastPower));
  }

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
  void put(Vector& x, Index s, const dsp::EqSettings& eq) const {
    const FitBounds& b = bounds_;
    const double most_db = most_gain_db(candidates_[static_cast<std::size_t>(s)]);
    x[kEach * s] = stretch(std::log(eq.at_hz), std::log(b.from_hz), std::log(b.to_hz));
    x[kEach * s + 1] = stretch(eq.gain_db, b.least_gain_db, most_db);
    x[kEach * s + 2] = stretch(std::log(eq.width_value), std::log(b.least_q), std::log(b.most_q));
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
  Vector power_of(std::span<const Candidate> sections) const {
    Vector all = Vector::Ones(size_), one(size_);
    for (const Candidate& section : sections) {
      power_response(section.eq, problem_.frequency_hz, problem_.sample_rate_hz, one);
      all = all.cwiseProduct(one);
    }
    return all;
  }
  double frequency(Index row) const {
    return problem_.frequency_hz[static_cast<std::size_t>(rows_[static_cast<std::size_t>(row)])];
  }
  /// Whether some of what has weight is lifted too much over most of it.
  bool lifts_too_much(const Vector& power) const {
    const Vector gain_db = in_db(power);
    const double most_db = median_where_weighted(gain_db);
    return std::ranges::any_of(rows_, [&](Index k) { return gain_db[k] > most_db + most_lift_db_[k]; });
  }
  /// Where the boost is the most too much, if it is anywhere.
  std::optional<std::size_t> too_much(const Vector& power) const {
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

 private:
  double most_gain_db(const Candidate& candidate) const { return candidate.cuts_only ? 0 : bounds_.most_gain_db; }
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
  static Vector in_db(const Vector& power) {
    return power.unaryExpr([](double value) { return db_from_power(std::max(value, kLeastPower)); });
  }
  double median_where_weighted(const Vector& values) const {
    std::vector<double> weighted;
    weighted.reserve(rows_.size());
    for (const Index k : rows_) weighted.push_back(values[k]);
    return weighted.empty() ? 0 : analysis::median(std::move(weighted));
  }
  Eigen::MatrixXd powers(const Vector& x) const {
    Eigen::MatrixXd all(size_, static_cast<Index>(candidates_.size()));
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
    const Vector gain_db = in_db(power);
    const double median_db = median_where_weighted(gain_db);
    for (Index k = 0; k < size_; ++k) {
      const auto at = static_cast<std::size_t>(k);
      const double too_much_db = gain_db[k] + kBoostMarginDb - problem_.most_boost_db[at];
      const double lifted_db = problem_.weight[at] > 0 ? gain_db[k] + kBoostMarginDb - median_db - most_lift_db_[k] : 0;
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

  const FitProblem& problem_;
  const FitBounds& bounds_;
  std::vector<Candidate> candidates_;
  Index size_;
  std::vector<Index> rows_;  ///< of the grid, those that have weight
  std::vector<std::pair<Index, Index>> spans_;
  Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor> smoothed_;  ///< powers in, smoothed powers out
  Vector root_weight_, target_, mean_;
  Vector most_lift_db_;  ///< over the median of all that has weight
  double weights_ = 0;
};

/// One more section where the deviation is worst, as wide as it is there.
Candidate next_of(const Model& model, std::span<const Candidate> taken, dsp::EqType type, bool cuts_only,
                  const FitBounds& b) {
  const Vector off = model.deviation(model.power_of(taken));
  const double most_gain_db = cuts_only ? 0 : b.most_gain_db;
  dsp::EqSettings eq;
  eq.type = type;
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
      const double worth = need >= 0 ? need : std::min(-need, most_gain_db);
      if (worth > most) {
        most = worth;
        worst = k;
      }
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
  eq.gain_db = off.size() == 0 ? 0 : std::clamp(-off[worst], b.least_gain_db * 0.9, most_gain_db * 0.9);
  return {eq, cuts_only};
}
std::vector<Candidate> one_after_the_other(const Model& model, const FitOptions& options, bool cuts_only) {
  std::vector<Candidate> taken;
  for (const dsp::EqType type : options.types) taken.push_back(next_of(model, taken, type, cuts_only, options.bounds));
  return taken;
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

double gain_at(const dsp::EqSettings& eq, double hz, double sample_rate_hz) {
  return gain_db_of({&eq, 1}, {&hz, 1}, sample_rate_hz)[0];
}

/// What is fitted, step by step. No step leaves more sections than it found, but the one that says so.
class Fit {
 public:
  Fit(const FitProblem& problem, const FitOptions& options)
      : problem_(problem), options_(options), model_(problem, options.bounds) {}

  std::vector<dsp::EqSettings> run() {
    const Sections mixed = filled_up(plain(best_of_starts()));
    const Sections cuts = filled_up(plain(solved(one_after_the_other(model_, options_, true), kFirstTries)));
    return finished(score_db(cuts) < score_db(mixed) ? cuts : mixed);
  }

 private:
  struct Sections {
    std::vector<Candidate> list;
    double cost_db = 0;
  };
  struct Pair {
    std::size_t a = 0, b = 0;
  };

  Sections solved(std::span<const Candidate> start, int tries, const Vector* scattered = nullptr) {
    Vector x = model_.take(start);
    if (scattered != nullptr) x += *scattered;
    if (x.size() == 0) return {{}, model_.cost_db(x)};
    const Vector before = x;
    Eigen::LevenbergMarquardt<Model> solver(model_);
    solver.setMaxfev(tries);
    solver.setFtol(1e-8);
    solver.setXtol(1e-8);
    solver.minimize(x);
    if (!x.allFinite()) x = before;
    return {model_.candidates(x), model_.cost_db(x)};
  }
  Sections best_of_starts() {
    const std::vector<Candidate> first = one_after_the_other(model_, options_, false);
    std::mt19937 bits(20231);
    const auto scatter = [&] { return static_cast<double>(bits()) / 4294967296.0 - 0.5; };
    Sections best = solved(first, kFirstTries);
    for (int start = 1; start < options_.starts; ++start) {
      Vector moved(kEach * static_cast<Index>(first.size()));
      for (Index p = 0; p < moved.size(); ++p) moved[p] = scatter() * (p % kEach == 0 ? 0.8 : 1.2);
      if (Sections one = solved(first, kFirstTries, &moved); one.cost_db < best.cost_db) best = std::move(one);
    }
    return best;
  }

  /// The least is the best: what is left, and what each section and each boost has to be worth.
  static double score_db(const Sections& sections) {
    const auto boosts = std::ranges::count_if(sections.list, [](const auto& one) { return one.eq.gain_db > 0; });
    return sections.cost_db + kSectionWorthDb * static_cast<double>(sections.list.size()) +
           kBoostWorthDb * static_cast<double>(boosts);
  }
  /// Two that stand on one spot, or of which one takes half of the other back.
  std::optional<Pair> at_odds(std::span<const Candidate> list) const {
    for (std::size_t a = 0; a < list.size(); ++a)
      for (std::size_t b = 0; b < list.size(); ++b) {
        const dsp::EqSettings &one = list[a].eq, &other = list[b].eq;
        if (a == b || one.type != dsp::EqType::peaking || other.type != dsp::EqType::peaking) continue;
        const bool on_one_spot = std::abs(std::log2(one.at_hz / other.at_hz)) < kOneSpotOctaves;
        const bool opposing = one.gain_db * other.gain_db < 0 &&
                              2 * std::abs(gain_at(other, one.at_hz, problem_.sample_rate_hz)) >= std::abs(one.gain_db);
        if (on_one_spot || opposing) return Pair{a, b};
      }
    return std::nullopt;
  }
  /// One in their place, as a start: where the stronger one is, with what both do there.
  std::vector<Candidate> merged(std::vector<Candidate> list, Pair pair) const {
    Candidate &a = list[pair.a], &b = list[pair.b];
    const bool a_is_stronger = std::abs(a.eq.gain_db) >= std::abs(b.eq.gain_db);
    Candidate& stays = a_is_stronger ? a : b;
    const Candidate& goes = a_is_stronger ? b : a;
    const double gain_db = stays.eq.gain_db + gain_at(goes.eq, stays.eq.at_hz, problem_.sample_rate_hz);
    stays.eq.gain_db = std::clamp(gain_db, options_.bounds.least_gain_db, options_.bounds.most_gain_db);
    stays.cuts_only = stays.cuts_only || goes.cuts_only;
    list.erase(list.begin() + static_cast<std::ptrdiff_t>(a_is_stronger ? pair.b : pair.a));
    return list;
  }
  /// Without those that do nothing, no two of them at odds, and no boost that is not worth it.
  Sections plain(Sections now) {
    while (true) {
      std::erase_if(now.list, [](const auto& one) { return std::abs(one.eq.gain_db) < kIdleGainDb; });
      if (const auto pair = at_odds(now.list)) {
        now = solved(merged(now.list, *pair), kTries);
        continue;
      }
      if (std::optional<Sections> fewer = with_a_boost_less(now)) {
        now = std::move(*fewer);
        continue;
      }
      return now;
    }
  }
  /// The least of the boosts first: as a cut if that is of use, or not at all.
  std::optional<Sections> with_a_boost_less(const Sections& now) {
    std::vector<std::size_t> boosts;
    for (std::size_t s = 0; s < now.list.size(); ++s)
      if (now.list[s].eq.gain_db > 0) boosts.push_back(s);
    std::ranges::sort(boosts, {}, [&](std::size_t s) { return now.list[s].eq.gain_db; });
    for (const std::size_t s : boosts) {
      std::vector<Candidate> others = now.list;
      others.erase(others.begin() + static_cast<std::ptrdiff_t>(s));
      others.push_back(next_of(model_, others, now.list[s].eq.type, true, options_.bounds));
      Sections without = solved(others, kTries);
      if (score_db(without) <= score_db(now)) return without;
    }
    return std::nullopt;
  }
  /// What merging has freed is used where that is worth a section.
  Sections filled_up(Sections now) {
    while (now.list.size() < options_.types.size()) {
      std::vector<Candidate> more = now.list;
      more.push_back(next_of(model_, more, dsp::EqType::peaking, false, options_.bounds));
      Sections with = plain(solved(more, kTries));
      if (with.list.size() <= now.list.size() || score_db(with) >= score_db(now)) return now;
      now = std::move(with);
    }
    return now;
  }

  /// As it is written, with every promise kept. Each pass takes 0.01 dB of a boost, a share of
  /// all, or a section, and without sections all of them are kept: so there is an end.
  std::vector<dsp::EqSettings> finished(Sections sections) const {
    std::vector<Candidate> list = std::move(sections.list);
    for (Candidate& one : list) one.eq = as_written(one.eq);
    while (true) {
      std::erase_if(list, [](const auto& one) { return std::abs(one.eq.gain_db) < kIdleGainDb / 2; });
      if (take_from_a_boost(list) || take_from_all(list)) continue;
      const auto pair = at_odds(list);
      if (!pair) break;
      const bool a_is_less = std::abs(list[pair->a].eq.gain_db) < std::abs(list[pair->b].eq.gain_db);
      list.erase(list.begin() + static_cast<std::ptrdiff_t>(a_is_less ? pair->a : pair->b));
    }
    std::vector<dsp::EqSettings> eq;
    for (const Candidate& one : list) eq.push_back(one.eq);
    std::sort(eq.begin(), eq.end(), [](const auto& a, const auto& b) { return a.at_hz < b.at_hz; });
    return eq;
  }
  /// A penalty only pulls; the bound is a promise. From the one that boosts most where it is the most too much.
  bool take_from_a_boost(std::vector<Candidate>& list) const {
    const auto at = model_.too_much(model_.power_of(list));
    if (!at) return false;
    const auto boost_there = [&](const Candidate& one) {
      return gain_at(one.eq, problem_.frequency_hz[*at], problem_.sample_rate_hz);
    };
    const auto most = std::ranges::max_element(list, {}, boost_there);
    if (most == list.end() || !(most->eq.gain_db > 0)) return false;  // a bound below 0 dB: nothing to be taken
    most->eq.gain_db = std::max(0.0, std::min(most->eq.gain_db * 0.97, most->eq.gain_db - 0.01));
    most->eq = as_written(most->eq);
    return true;
  }

  /// Where all else is cut too far: less of everything.
  bool take_from_all(std::vector<Candidate>& list) const {
    if (!model_.lifts_too_much(model_.power_of(list))) return false;
    for (Candidate& one : list) {
      one.eq.gain_db *= 0.97;
      one.eq = as_written(one.eq);
    }
    return true;
  }

  const FitProblem& problem_;
  const FitOptions& options_;
  Model model_;
};

}  // namespace

std::vector<dsp::EqSettings> fit(const FitProblem& problem, const FitOptions& options) {
  if (options.types.empty() ||
      std::none_of(problem.weight.begin(), problem.weight.end(), [](double w) { return w > 0; }))
    return {};
  return Fit(problem, options).run();
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
