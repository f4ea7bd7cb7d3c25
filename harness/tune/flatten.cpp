#include "harness/tune/flatten.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "harness/analysis/bands.hpp"
#include "harness/analysis/decibels.hpp"
#include "harness/analysis/median.hpp"
#include "harness/rig/hertz_text.hpp"
#include "harness/rig/rig.hpp"
#include "harness/tune/notches.hpp"

namespace rackproof::tune {
namespace {

using analysis::db_from_power;
using analysis::power_from_db;
using Values = std::vector<double>;

constexpr double kBinsPerOctave = 24;
// A peak of the greatest Q rises by so much between two frequencies of the grid: the promise of 6 dB holds there too.
constexpr double kBetweenDb = 0.08;
constexpr double kMostBoostDb = 6 - kBetweenDb, kNotchBoostDb = 0.3, kLeftAloneBoostDb = 1;

Values smoothed(const Values& frequency_hz, const Values& values, double b) {
  return analysis::smooth<double>(frequency_hz, std::span<const double>(values), b);
}
Values in_db(Values power) {
  for (double& value : power) value = db_from_power(std::max(value, 1e-30));
  return power;
}

/// A measurement on the common grid.
struct Place {
  Values power, coherence;
};

/// Between the measurement's own frequencies straight over log frequency, after a smoothing as wide as the grid.
Place place_of(const Measurement& m, const Values& grid) {
  Values power(m.magnitude_db.size());
  std::transform(m.magnitude_db.begin(), m.magnitude_db.end(), power.begin(), power_from_db);
  power = in_db(smoothed(m.frequency_hz, power, kBinsPerOctave));
  const Values coherence = smoothed(m.frequency_hz, m.coherence, kBinsPerOctave);
  Place place;
  for (const double hz : grid) {
    const auto above = std::lower_bound(m.frequency_hz.begin(), m.frequency_hz.end(), hz);
    const std::size_t right =
        std::clamp<std::size_t>(static_cast<std::size_t>(above - m.frequency_hz.begin()), 1, m.frequency_hz.size() - 1);
    const double low_hz = m.frequency_hz[right - 1], high_hz = m.frequency_hz[right];
    const double share = std::clamp(std::log(hz / low_hz) / std::log(high_hz / low_hz), 0.0, 1.0);
    const auto between = [&](const Values& of) { return of[right - 1] + share * (of[right] - of[right - 1]); };
    place.power.push_back(power_from_db(between(power)));
    place.coherence.push_back(std::clamp(between(coherence), 0.0, 1.0));
  }
  return place;
}

/// Levels differ from place to place; none is to count for more because it is nearer.
void to_common_level(Place& place) {
  Values trusted;
  for (std::size_t k = 0; k < place.power.size(); ++k)
    if (place.coherence[k] >= kTrustedCoherence) trusted.push_back(place.power[k]);
  const double level = analysis::median(trusted.empty() ? place.power : trusted);
  if (level > 0)
    for (double& power : place.power) power /= level;
}

Place average_of(std::span<const Place> places) {
  Place average;
  for (std::size_t k = 0; k < places[0].power.size(); ++k) {
    double power = 0, weights = 0, coherence = 0;
    for (const Place& place : places) {
      const double weight = std::max(place.coherence[k], 1e-3);
      power += weight * place.power[k];
      weights += weight;
      coherence += place.coherence[k];
    }
    average.power.push_back(power / weights);
    average.coherence.push_back(coherence / static_cast<double>(places.size()));
  }
  return average;
}

/// What the loudspeaker reaches, as indices of the grid.
struct Reach {
  /// From where it has fallen 3 dB on its way to 10 dB and more; a slope gentler than that (3 to 10 dB in more than an
  /// octave) is a matter for the equaliser, and the range then ends where it has fallen 10 dB.
  std::size_t first = 0, last = 0;
  std::size_t corner = 0;  ///< below it the level is 10 dB down for good; 0: the grid begins above it
};
Reach reach_of(const Values& off_db) {
  const double top = *std::max_element(off_db.begin(), off_db.end());
  Values high;
  for (const double level : off_db)
    if (level > top - 15) high.push_back(level);
  const double level = analysis::median(high);
  // How many from the outside do not belong: of the range, and 10 dB down.
  const auto edge = [&](auto begin, auto end) {
    const auto at_10 = std::find_if(begin, end, [&](double db) { return db >= level - 10; }) - begin;
    const auto at_3 = std::find_if(begin, end, [&](double db) { return db >= level - 3; }) - begin;
    const bool is_steep = at_10 > 0 && static_cast<double>(at_3 - at_10) <= kBinsPerOctave;
    return std::pair(static_cast<std::size_t>(is_steep ? at_3 : at_10), static_cast<std::size_t>(at_10));
  };
  const auto [low, corner] = edge(off_db.begin(), off_db.end());
  const auto [high_end, unused] = edge(off_db.rbegin(), off_db.rend());
  return {low, off_db.size() - 1 - high_end, corner};
}

/// The grid with all that the fit needs to know of it.
class Task {
 public:
  Task(std::span<const Measurement> measurements, std::span<const Measurement> unseen, const FlattenSettings& settings)
      : settings_(settings) {
    double low_hz = 0, high_hz = 0.45 * settings.sample_rate_hz;
    for (const auto list : {measurements, unseen}) {
      for (const Measurement& m : list) {
        low_hz = std::max(low_hz, m.frequency_hz.front());
        high_hz = std::min({high_hz, m.frequency_hz.back(), 0.45 * m.sample_rate_hz});
      }
    }
    if (!(high_hz >= 2 * low_hz))
      throw InputError(
          fmt::format("{}: the measurements have no octave in common: {:.0f} to {:.0f} Hz is what there is",
                      measurements[0].file.string(), low_hz, high_hz));
    hz_ = analysis::log_frequencies(low_hz * (1 + 1e-12), high_hz * (1 + 1e-9), kBinsPerOctave);
    for (const double hz : hz_) target_.push_back(settings.target.level_db(hz));
    for (const Measurement& m : measurements) to_common_level(places_.emplace_back(place_of(m, hz_)));
    for (const Measurement& m : unseen) to_common_level(unseen_.emplace_back(place_of(m, hz_)));
    average_ = average_of(places_);
  }

  Flattened run() {
    range();
    leave_alone();
    doubt();
    const FitProblem problem = problem_of(average_, weight_);
    Flattened out;
    out.eq = fit(problem, options(6));
    out.gain_db = headroom(out.eq);
    out.from_hz = from_hz_;
    out.to_hz = to_hz_;
    out.from_why = from_why_;
    out.to_why = to_why_;
    out.range_from_hz = hz_[range_first_];
    out.range_to_hz = hz_[range_last_];
    const FitProblem whole = judged(average_);
    out.all = residual(whole, out.eq);
    out.fitted = residual(problem, out.eq);
    elsewhere(out);
    out.left_alone = left_alone_;
    std::sort(out.left_alone.begin(), out.left_alone.end(),
              [](const LeftAlone& a, const LeftAlone& b) { return a.from_hz < b.from_hz; });
    out.frequency_hz = hz_;
    out.before_db = deviation_db(whole, {});
    out.after_db = deviation_db(whole, out.eq);
    out.target_db = target_;
    out.eq_db = gain_db_of(out.eq, hz_, settings_.sample_rate_hz);
    return out;
  }

 private:
  static Residual residual(const FitProblem& problem, std::span<const dsp::EqSettings> eq) {
    return {judge(problem, {}), judge(problem, eq)};
  }
  std::size_t at(double hz) const {
    const auto above = std::lower_bound(hz_.begin(), hz_.end(), hz * (1 - 1e-9)) - hz_.begin();
    return std::min(static_cast<std::size_t>(above), hz_.size() - 1);
  }

  void range() {
    Values off = in_db(smoothed(hz_, average_.power, 3));
    for (std::size_t k = 0; k < off.size(); ++k) off[k] -= target_[k];
    const Reach reach = reach_of(off);
    range_first_ = reach.first;
    range_last_ = reach.last;
    // What is played, of what is reached.
    const RigBand rig = settings_.rig.value_or(RigBand{});
    const bool rig_begins = rig.from_hz > hz_[range_first_], rig_ends = rig.to_hz > 0 && rig.to_hz < hz_[range_last_];
    rig_first_ = rig_begins ? at(rig.from_hz) : 0;
    rig_last_ = hz_.size() - 1;
    while (rig_ends && rig_last_ > 0 && hz_[rig_last_] > rig.to_hz * (1 + 1e-9)) --rig_last_;
    corner_ = std::max(reach.corner, rig.from_hz > 0 ? at(rig.from_hz) : 0);
    const bool measured_low = range_first_ > 0, measured_high = range_last_ + 1 < hz_.size();
    from_hz_ = settings_.from_hz.value_or(hz_[std::max(range_first_, rig_first_)]);
    to_hz_ = settings_.to_hz.value_or(hz_[std::min(range_last_, rig_last_)]);
    from_why_ = settings_.from_hz ? "--from"
                : rig_begins      ? rig.from_why
                : measured_low    ? "the loudspeaker falls off below it, as measured"
                                  : "where the measurements begin";
    to_why_ = settings_.to_hz ? "--to"
              : rig_ends      ? rig.to_why
              : measured_high ? "the loudspeaker falls off above it, as measured"
                              : "where the measurements, or what the sample rate carries, end";
    from_hz_ = std::max(from_hz_, hz_.front());
    to_hz_ = std::min(to_hz_, hz_.back());
    first_ = std::max({range_first_, rig_first_, at(from_hz_)});
    last_ = std::min(range_last_, rig_last_);
    while (last_ > 0 && hz_[last_] > to_hz_ * (1 + 1e-9)) --last_;
    if (!(to_hz_ > from_hz_) || last_ < first_ + static_cast<std::size_t>(kBinsPerOctave / 2))
      throw InputError(fmt::format(
          "--from and --to: read {} to {}; right would be half an octave or more of what the loudspeaker does, {} to {}",
          rig::hertz_text(from_hz_), rig::hertz_text(to_hz_), rig::hertz_text(hz_[std::max(range_first_, rig_first_)]),
          rig::hertz_text(hz_[std::min(range_last_, rig_last_)])));
  }

  /// A stretch of the grid gets no weight and hardly any boost.
  void leave(std::size_t first, std::size_t last, double boost_db, const std::string& code, const std::string& why) {
    for (std::size_t k = first; k <= last; ++k) {
      weight_[k] = 0;
      boost_[k] = std::min(boost_[k], boost_db);
    }
    const double half_step = std::exp2(0.5 / kBinsPerOctave);
    left_alone_.push_back({hz_[first] / half_step, hz_[last] * half_step, code, why});
  }
  void leave_alone() {
    weight_ = average_.coherence;
    boost_.assign(hz_.size(), kMostBoostDb);
    // Beyond the edges a boost may run out over an octave.
    for (std::size_t k = 0; k < hz_.size(); ++k) {
      const std::size_t beyond = k < first_ ? first_ - k : k > last_ ? k - last_ : 0;
      if (beyond == 0) continue;
      weight_[k] = 0;
      boost_[k] = std::max(kLeftAloneBoostDb, kMostBoostDb * (1 - static_cast<double>(beyond) / kBinsPerOctave));
    }
    // But not below the corner. Where the range begins above it, they run out on the way there.
    for (std::size_t k = 0; k < std::max(corner_, range_first_); ++k) {
      const double way =
          k < corner_ ? 0 : static_cast<double>(k - corner_) / static_cast<double>(range_first_ - corner_);
      boost_[k] = std::min(boost_[k], std::lerp(kBelowCornerBoostDb, kMostBoostDb, way));
    }
    const auto edge = [&](std::size_t from, std::size_t to, const char* code, const std::string& why) {
      if (to > from) left_alone_.push_back({hz_[from], hz_[to], code, why});
    };
    const std::string falls = "the loudspeaker falls off here: boost would be excursion and heat, not sound";
    const RigBand rig = settings_.rig.value_or(RigBand{});
    const std::size_t begins = std::max(range_first_, rig_first_), ends = std::min(range_last_, rig_last_);
    edge(0, range_first_, "outside-range", falls);
    edge(range_last_, hz_.size() - 1, "outside-range", falls);
    edge(0, rig_first_, "outside-rig", rig.from_why + ": boost below it would be excursion and heat, not sound");
    edge(rig_last_, hz_.size() - 1, "outside-rig", rig.to_why + ": boost above it would be heat, not sound");
    edge(begins, first_, "outside-asked", "below --from");
    edge(last_, ends, "outside-asked", "above --to");

    const Values coherence = smoothed(hz_, average_.coherence, 6);
    for (std::size_t k = first_; k <= last_; ++k) {
      if (coherence[k] >= kTrustedCoherence) continue;
      std::size_t end = k;
      double least = coherence[k];
      while (end < last_ && coherence[end + 1] < kTrustedCoherence) least = std::min(least, coherence[++end]);
      leave(k, end, kLeftAloneBoostDb, "low-coherence",
            fmt::format("coherence down to {:.2f}: noise and echoes outweigh what was sent", least));
      k = end;
    }

    Values level = in_db(smoothed(hz_, average_.power, 12));
    for (std::size_t k = 0; k < level.size(); ++k) level[k] -= target_[k];
    std::vector<Values> levels;
    for (const Place& place : places_) levels.push_back(in_db(smoothed(hz_, place.power, 12)));
    for (const Notch& notch : find_notches(level, levels, kBinsPerOctave)) {
      if (notch.last < first_ || notch.first > last_) continue;
      leave(std::max(notch.first, first_), std::min(notch.last, last_), kNotchBoostDb,
            notch.positions_differ ? "positions-differ" : "notch",
            notch.positions_differ
                ? fmt::format("a dip of {:.0f} dB that differs from place to place: a reflection, not the loudspeaker",
                              notch.depth_db)
                : fmt::format("a notch of {:.0f} dB, where waves cancel: no boost fills it", notch.depth_db));
    }
    if (std::count_if(weight_.begin(), weight_.end(), [](double w) { return w > 0; }) < 4)
      throw InputError("nothing is left to be fitted: " + left_alone_.back().why);
  }

  /// The standard error of the mean over the places, of their third-octave levels.
  void doubt() {
    if (places_.size() < 2) return;
    std::vector<Values> levels;
    for (const Place& place : places_) levels.push_back(in_db(smoothed(hz_, place.power, 3)));
    const auto count = static_cast<double>(places_.size());
    for (std::size_t k = 0; k < hz_.size(); ++k) {
      double sum = 0, squares = 0;
      for (const Values& level : levels) sum += level[k];
      for (const Values& level : levels) squares += (level[k] - sum / count) * (level[k] - sum / count);
      doubt_.push_back(std::sqrt(squares / (count - 1) / count));
    }
  }

  FitProblem problem_of(const Place& place, const Values& weight) const {
    FitProblem problem;
    problem.sample_rate_hz = settings_.sample_rate_hz;
    problem.frequency_hz = hz_;
    problem.level_db = in_db(place.power);
    problem.target_db = target_;
    problem.weight = weight;
    problem.trust = place.coherence;
    problem.most_boost_db = boost_;
    problem.most_over_median_db = kMostBoostDb;
    problem.doubt_db = doubt_;
    return problem;
  }
  /// All of it, from `from_hz` to `to_hz`, as anyone would compute it: nothing weighted.
  FitProblem judged(const Place& place) const {
    Values weight(hz_.size());
    for (std::size_t k = 0; k < hz_.size(); ++k)
      weight[k] = hz_[k] >= from_hz_ * (1 - 1e-9) && hz_[k] <= to_hz_ * (1 + 1e-9) ? 1 : 0;
    FitProblem problem = problem_of(place, weight);
    problem.trust.assign(hz_.size(), 1.0);
    return problem;
  }
  FitOptions options(int starts) const {
    FitOptions options;
    options.types.assign(static_cast<std::size_t>(settings_.points), dsp::EqType::peaking);
    options.bounds.from_hz = hz_[first_];
    options.bounds.to_hz = hz_[last_];
    options.bounds.most_gain_db = 6;
    options.starts = starts;
    return options;
  }
  /// Rounded so that nothing is left above 0 dB.
  double headroom(std::span<const dsp::EqSettings> eq) const {
    const Values fine = analysis::log_frequencies(hz_.front(), hz_.back() * (1 + 1e-9), 8 * kBinsPerOctave);
    const double most = std::ranges::max(gain_db_of(eq, fine, settings_.sample_rate_hz));
    return most > 0.05 ? -std::ceil(most * 10) / 10 : 0;
  }

  void elsewhere(Flattened& out) const {
    std::vector<Residual> found;
    if (!unseen_.empty()) {
      for (const Place& place : unseen_) found.push_back(residual(problem_of(place, weight_), out.eq));
    } else if (places_.size() >= 3) {
      for (std::size_t left_out = 0; left_out < places_.size(); ++left_out) {
        std::vector<Place> others = places_;
        others.erase(others.begin() + static_cast<std::ptrdiff_t>(left_out));
        const auto eq = fit(problem_of(average_of(others), weight_), options(2));
        found.push_back(residual(problem_of(places_[left_out], weight_), eq));
      }
    }
    if (found.empty()) return;
    const auto over_all = [&](Deviation Residual::*which) {
      Deviation d;
      for (const Residual& one : found) {
        d.rms_db += (one.*which).rms_db * (one.*which).rms_db / static_cast<double>(found.size());
        d.max_db = std::max(d.max_db, (one.*which).max_db);
      }
      d.rms_db = std::sqrt(d.rms_db);
      return d;
    };
    out.elsewhere = Residual{over_all(&Residual::before), over_all(&Residual::after)};
    out.elsewhere_places = found.size();
  }

  const FlattenSettings& settings_;
  Values hz_, target_, weight_, boost_, doubt_;
  std::vector<Place> places_, unseen_;
  Place average_;
  std::size_t range_first_ = 0, range_last_ = 0;  ///< what the loudspeaker reaches
  std::size_t rig_first_ = 0, rig_last_ = 0;      ///< what the rig plays of it
  std::size_t first_ = 0, last_ = 0;              ///< what is fitted
  std::size_t corner_ = 0;                        ///< no boost below it
  double from_hz_ = 0, to_hz_ = 0;
  std::string from_why_, to_why_;
  std::vector<LeftAlone> left_alone_;
};

}  // namespace

RigBand band_of(const rig::Rig& rig) {
  RigBand band;
  if (rig.ways.empty()) return band;
  const rig::Way &low = rig.ways.front(), &high = rig.ways.back();
  const auto begins = [&](double hz, const std::string& why) {
    if (hz > band.from_hz) {
      band.from_hz = hz;
      band.from_why = why;
    }
  };
  const auto high_pass = [&](double hz) {
    begins(hz, fmt::format("the high-pass of way {} stands at {}", low.name, rig::hertz_text(hz)));
  };
  if (low.highpass) high_pass(low.highpass->at_hz);
  for (const rig::EqBand& eq : low.eq)
    if (eq.type == rig::EqType::highpass) high_pass(eq.at_hz);
  if (const auto lowest = rig.driver_of(low).lowest_hz)
    begins(*lowest,
           fmt::format("driver {} of way {} may be used from {} on", low.driver, low.name, rig::hertz_text(*lowest)));
  if (const auto highest = rig.driver_of(high).highest_hz) {
    band.to_hz = *highest;
    band.to_why =
        fmt::format("driver {} of way {} may be used up to {}", high.driver, high.name, rig::hertz_text(*highest));
  }
  return band;
}

Flattened flatten(std::span<const Measurement> measurements, const FlattenSettings& settings,
                  std::span<const Measurement> unseen) {
  if (measurements.empty()) throw InputError("a measurement is missing");
  return Task(measurements, unseen, settings).run();
}

}  // namespace rackproof::tune
