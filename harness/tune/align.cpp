#include "harness/tune/align.hpp"

#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>

#include "harness/analysis/bands.hpp"
#include "harness/analysis/decibels.hpp"
#include "harness/rig/rig.hpp"
#include "harness/tune/shown_way.hpp"

namespace rackproof::tune {
namespace {
using Complex = std::complex<double>;
using std::numbers::pi;
constexpr double kPerOctave = 96, kKeepsPolarity = 0.97;
constexpr double kAgrees = 0.8;  // below it the phases of two ways do not run alike
// Ways 90 degrees apart, as those of an odd Butterworth crossover, lose 3.01 dB by design.
constexpr double kMostLossDb = 3.5;
constexpr double kStep_s = 1e-7;  // delays are told to a tenth of a microsecond

/// One way around a point, on a grid of its own.
struct Around {
  std::vector<Complex> h;
  std::vector<double> coherence;
};

Around around(const MeasuredWay& way, const std::vector<double>& grid) {
  const Measurement& m = way.measured;
  const auto refuse = [&](const std::string& read, const std::string& right) {
    throw InputError(fmt::format("{}: way {}: read {}; {}", m.file.string(), way.name, read, right));
  };
  if (m.phase_deg.empty()) refuse("a measurement without phase", "'rackproof measure' writes it: phase_deg");
  if (m.frequency_hz.front() > grid.front() || m.frequency_hz.back() < grid.back())
    refuse(fmt::format("{:.4g} to {:.4g} Hz", m.frequency_hz.front(), m.frequency_hz.back()),
           fmt::format("the octave around its point is needed: {:.4g} to {:.4g} Hz", grid.front(), grid.back()));
  Around around;
  double mean = 0;
  for (const double f : grid) {
    const auto above =
        std::max(std::lower_bound(m.frequency_hz.begin(), m.frequency_hz.end(), f), m.frequency_hz.begin() + 1);
    const auto j = static_cast<std::size_t>(above - m.frequency_hz.begin()), i = j - 1;
    const double share = std::log(f / m.frequency_hz[i]) / std::log(m.frequency_hz[j] / m.frequency_hz[i]);
    // With the arrival out, so that the phase is slow between two frequencies; then the arrival at f itself.
    const double step = std::remainder(m.phase_deg[j] - m.phase_deg[i], 360.0);
    const double turns = (m.phase_deg[i] + share * step) / 360 - f * m.arrival_ms * 1e-3;
    const double db = m.magnitude_db[i] + share * (m.magnitude_db[j] - m.magnitude_db[i]);
    around.h.push_back(std::polar(analysis::ratio_from_db(db), 2 * pi * std::remainder(turns, 1.0)));
    around.coherence.push_back(m.coherence[i] + share * (m.coherence[j] - m.coherence[i]));
    mean += around.coherence.back() / static_cast<double>(grid.size());
  }
  if (mean < kTrustedCoherence)
    refuse(fmt::format("a coherence of {:.2f} around {:.4g} Hz", mean, std::sqrt(grid.front() * grid.back())),
           "too little to align by: measure closer, or louder, or for longer");
  return around;
}

/// The two ways of a point; `x`: delay that is added to the upper way, `sign`: its polarity against what was measured.
class Meeting {
 public:
  Meeting(const MeasuredWay& low, const MeasuredWay& high, double at_hz)
      : grid_(analysis::log_frequencies(at_hz / std::numbers::sqrt2, at_hz * std::numbers::sqrt2 * (1 + 1e-9),
                                        kPerOctave)),
        low_(around(low, grid_)),
        high_(around(high, grid_)),
        at_hz_(at_hz) {
    for (std::size_t i = 0; i < grid_.size(); ++i)
      whole_ += std::abs(low_.h[i] * high_.h[i]) * low_.coherence[i] * high_.coherence[i];
    if (!(whole_ > 0))
      throw InputError(fmt::format("{}, {}: nothing is to be heard of way {} or {} around {:.4g} Hz",
                                   low.measured.file.string(), high.measured.file.string(), low.name, high.name,
                                   at_hz));
  }

  /// -1 .. 1: the levels' share that adds up; of the upper way inverted it is the negative.
  double agreement(double x) const {
    double sum = 0;
    for (std::size_t i = 0; i < grid_.size(); ++i)
      sum += (std::conj(low_.h[i]) * high_.h[i] * turn(i, x)).real() * low_.coherence[i] * high_.coherence[i];
    return sum / whole_;
  }
  struct Best {
    double x = 0, agreement = -1;
  };
  Best best(double sign, double most_s) const {
    Best best;
    const auto look = [&](double from, double to, double pace) {
      for (double x = from; x <= to; x += pace)
        if (const double here = sign * agreement(x); here > best.agreement) best = {x, here};
    };
    // From the delay nearest to none on: of two that are as good, the smaller.
    double pace = 1 / (16 * at_hz_);
    look(0, most_s, pace);
    Best after = best;
    best = {};
    look(-most_s, 0, pace);
    if (after.agreement >= best.agreement - 1e-9) best = after;
    for (; pace > 0.1 * kStep_s; pace /= 4) look(best.x - pace, best.x + pace, pace / 4);
    return best;
  }
  double loss_db(double x, double sign) const {
    double worst = 0;
    for (std::size_t i = 0; i < grid_.size(); ++i) {
      const double both = std::abs(low_.h[i]) + std::abs(high_.h[i]);
      const double sum = std::abs(low_.h[i] + sign * high_.h[i] * turn(i, x));
      if (both > 0) worst = std::max(worst, analysis::db_from_ratio(both / std::max(sum, 1e-9 * both)));
    }
    return worst;
  }

 private:
  Complex turn(std::size_t i, double x) const { return std::polar(1.0, -2 * pi * std::remainder(grid_[i] * x, 1.0)); }

  std::vector<double> grid_;
  Around low_, high_;
  double at_hz_, whole_ = 0;
};

double speed(double degc) { return 331.3 + 0.606 * degc; }

}  // namespace

Start start_from(const Drive& now, const std::vector<double>& points_hz, std::vector<MeasuredWay>& ways) {
  Start start;
  std::vector<std::string> unknown;
  for (std::size_t w = 0; w < ways.size(); ++w) {
    MeasuredWay& way = ways[w];
    Measurement& m = way.measured;
    for (std::size_t other = 0; other < w; ++other) must_differ(ways[other].measured, ways[other].name, m, way.name);
    start.driven.push_back(now.ways[w]);
    if (m.driven_by) {
      const auto then = std::ranges::find(m.driven_by->ways, way.name, &DrivenWay::name);
      if (then == m.driven_by->ways.end())
        throw InputError(fmt::format("{}: driven_by: {} has no way {}; was it measured with another rig?",
                                     m.file.string(), m.driven_by->rig, way.name));
      if (m.driven_by->sample_rate_hz != now.sample_rate_hz || !same_filters(*then, now.ways[w]))
        throw InputError(fmt::format(
            "{}: way {} was driven by other filters than {} has now (points, high-pass, eq, or the sample rate): its "
            "phase is no longer this. Measure it again",
            m.file.string(), way.name, now.rig));
      way.delay_s = then->delay_s;
      way.polarity = then->polarity;
      for (double& db : m.magnitude_db) db += now.ways[w].gain_db - then->gain_db;
      start.driven.back() = *then;
      start.driven.back().gain_db = now.ways[w].gain_db;
    } else {
      unknown.push_back(m.file.string());
    }
    must_show(m, now, points_hz, w);
  }
  if (!unknown.empty())
    start.warnings.push_back(
        {"rig-unknown",
         fmt::format("{}: nothing says what drove the ways; the filters, delays and polarities of {} as it stands are "
                     "taken for it. A second run after --into would count them twice: measure with --rig",
                     fmt::join(unknown, ", "), now.rig)});
  return start;
}

bool share_a_clock(const std::vector<MeasuredWay>& ways) {
  if (std::ranges::all_of(ways, [](const MeasuredWay& way) { return way.measured.reference_channel > 0; })) return true;
  const Measurement& first = ways.front().measured;
  return !first.recordings.empty() && std::ranges::all_of(ways, [&](const MeasuredWay& way) {
    return way.measured.recordings == first.recordings && way.measured.sent_fingerprint == first.sent_fingerprint;
  });
}

namespace {

void must_be_near(const std::vector<MeasuredWay>& ways) {
  const auto [first, last] =
      std::ranges::minmax_element(ways, {}, [](const MeasuredWay& way) { return way.measured.arrival_ms; });
  const double apart_ms = last->measured.arrival_ms - first->measured.arrival_ms;
  if (apart_ms <= kFar_ms) return;
  throw InputError(fmt::format(
      "{}, {}: way {} arrives {:.1f} ms after way {}, which is {:.1f} m; ways of one box are closer than {:g} ms. Were "
      "the recordings started by hand? Record what is sent on another channel (measure --reference-channel), or all ways "
      "in one recording (measure --sent-start). Where the ways do stand so far apart: --far",
      last->measured.file.string(), first->measured.file.string(), last->name, apart_ms, first->name,
      1e-3 * apart_ms * speed(20), kFar_ms));
}

void warn_of_clocks(const std::vector<MeasuredWay>& ways, const std::vector<double>& points_hz, Alignment& result) {
  if (!share_a_clock(ways))
    result.warnings.push_back(
        {"no-common-clock",
         "nothing ties the recordings of the ways to one clock: their times to one another are those of the hand that "
         "started them, unless one device played and recorded. Record what is sent on another channel (measure "
         "--reference-channel), or all ways in one recording (measure --sent-start)"});
  // An eighth of a period loses 0.7 dB of a sum of two equal ways (20 log10 cos 22.5 degrees).
  constexpr double kPeriodShare = 0.125;
  for (std::size_t p = 0; p < points_hz.size(); ++p) {
    const double error_ms = ways[p].measured.clock_error_ms + ways[p + 1].measured.clock_error_ms;
    if (1e-3 * error_ms * points_hz[p] <= kPeriodShare) continue;
    result.warnings.push_back(
        {"clock-error",
         fmt::format(
             "the arrivals of {} and {} may be off by {:.2f} ms together, {:.0f} % of a period at {:.4g} Hz: the "
             "clocks of player and recorder are not known well enough. Send noise, or a sweep twice (stimulus "
             "sweep --twice), or record what is sent on another channel (measure --reference-channel)",
             ways[p].name, ways[p + 1].name, error_ms, 0.1 * error_ms * points_hz[p], points_hz[p])});
  }
}

}  // namespace

Alignment align(const std::vector<MeasuredWay>& ways, const std::vector<double>& points_hz,
                const AlignOptions& options) {
  Alignment result;
  if (!options.far) must_be_near(ways);
  warn_of_clocks(ways, points_hz, result);
  std::vector<double> delay_s{ways.front().delay_s};
  std::vector<int> polarity{ways.front().polarity};
  const double least_before = std::min_element(ways.begin(), ways.end(), [](const auto& a, const auto& b) {
                                return a.delay_s < b.delay_s;
                              })->delay_s;
  double moved = 0;  // of the lower way, against how it was measured
  int turned = 1;
  for (std::size_t p = 0; p < points_hz.size(); ++p) {
    const MeasuredWay &low = ways[p], &high = ways[p + 1];
    const Meeting meeting(low, high, points_hz[p]);
    const Meeting::Best as_it_is = meeting.best(1, options.most_delay_s),
                        other = meeting.best(-1, options.most_delay_s);
    // As it is: with the polarities that the rig now holds.
    const bool keep = as_it_is.agreement >= kKeepsPolarity * other.agreement;
    const Meeting::Best& best = keep ? as_it_is : other;
    const double x = std::round(best.x / kStep_s) * kStep_s, sign = keep ? 1 : -1;
    moved += x;
    turned *= keep ? 1 : -1;
    delay_s.push_back(high.delay_s + moved);
    polarity.push_back(high.polarity * turned);

    AlignedPoint point{points_hz[p],
                       meeting.loss_db(x, sign),
                       meeting.loss_db(0, 1),
                       best.agreement,
                       (keep ? other : as_it_is).agreement,
                       {},
                       {}};
    if (!low.distance_m.empty() && !high.distance_m.empty()) {
      const double here_m = high.distance_m[0] - low.distance_m[0];
      for (std::size_t k = 1; k < std::min(low.distance_m.size(), high.distance_m.size()); ++k) {
        const double there_m = high.distance_m[k] - low.distance_m[k];
        point.loss_at_places_db.push_back(
            meeting.loss_db(x + (there_m - here_m) / speed(options.temperature_degc), sign));
      }
      for (const double degc : options.temperatures_degc)
        point.loss_at_temperatures_db.push_back(
            meeting.loss_db(x + here_m * (1 / speed(degc) - 1 / speed(options.temperature_degc)), sign));
    }
    if (best.agreement < kAgrees)
      result.warnings.push_back(
          {"phase-apart", fmt::format("{} and {} agree by {:.0f} % only around {:.4g} Hz, at the best delay there is: "
                                      "their phases do not run alike; look at the filters of both sides, and at "
                                      "reflections in the measurements",
                                      low.name, high.name, 100 * best.agreement, points_hz[p])});
    else if (point.sum_loss_db > kMostLossDb)
      result.warnings.push_back(
          {"sum-loses",
           fmt::format(
               "the sum of {} and {}{} loses {:.1f} dB at one frequency around {:.4g} Hz, at the best delay there "
               "is ({:.1f} dB before): look at reflections in the measurements (measure closer), and at the "
               "filters of both sides",
               low.name, high.name, keep ? "" : " turned over", point.sum_loss_db, points_hz[p],
               point.sum_loss_before_db)});
    if (best.agreement >= kAgrees && std::abs(as_it_is.agreement - other.agreement) < 0.03)
      result.warnings.push_back(
          {"polarity-open",
           fmt::format("{} and {} agree as well with either polarity around {:.4g} Hz: the one that the "
                       "rig holds is kept",
                       low.name, high.name, points_hz[p])});
    result.points.push_back(point);
  }
  const double least = *std::min_element(delay_s.begin(), delay_s.end());
  for (std::size_t w = 0; w < ways.size(); ++w) {
    const double held_s = std::round((delay_s[w] - least) / kStep_s) * kStep_s;
    result.ways.push_back({ways[w].name, ways[w].measured.arrival_ms, held_s, polarity[w]});
  }
  if (least_before > 0) {
    result.common_delay_s = least_before;
    result.warnings.push_back(
        {"common-delay",
         fmt::format("all ways held {:.4f} ms or more, which is left out here: where it is meant, as for "
                     "loudspeakers ahead of a back line, add it to every way again",
                     1e3 * least_before)});
  }
  return result;
}

}  // namespace rackproof::tune
