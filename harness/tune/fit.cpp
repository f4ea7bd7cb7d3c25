#include "harness/tune/fit.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <optional>
#include <random>
#include <unsupported/Eigen/LevenbergMarquardt>
#include <utility>

#include "harness/tune/fit_model.hpp"

namespace rackproof::tune {
namespace {

using Vector = FitModel::Vector;
using Index = FitModel::Index;

constexpr double kIdleGainDb = 0.2;            // below it a section is left out
constexpr double kSectionWorthDb = 0.01;       // root mean square: so much less deviation with it, or it is left out
constexpr int kFirstTries = 120, kTries = 40;  // evaluations of a start, and of what is fitted anew

/// One more section where the deviation is worst, as wide as it is there.
Candidate next_of(const FitModel& model, std::span<const Candidate> taken, dsp::EqType type, bool cuts_only,
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
std::vector<Candidate> one_after_the_other(const FitModel& model, const FitOptions& options, bool cuts_only) {
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
    Eigen::LevenbergMarquardt<FitModel> solver(model_);
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
      Vector moved(FitModel::kEach * static_cast<Index>(first.size()));
      for (Index p = 0; p < moved.size(); ++p) moved[p] = scatter() * (p % FitModel::kEach == 0 ? 0.8 : 1.2);
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
  FitModel model_;
};

}  // namespace

std::vector<dsp::EqSettings> fit(const FitProblem& problem, const FitOptions& options) {
  if (options.types.empty() ||
      std::none_of(problem.weight.begin(), problem.weight.end(), [](double w) { return w > 0; }))
    return {};
  return Fit(problem, options).run();
}

}  // namespace rackproof::tune
