#include "harness/report/measured_curves.hpp"

#include <algorithm>
#include <charconv>
#include <cmath>
#include <complex>
#include <filesystem>
#include <limits>
#include <numbers>
#include <set>
#include <span>
#include <string_view>

#include "harness/analysis/bands.hpp"
#include "harness/analysis/decibels.hpp"

namespace rackproof::report {
namespace {

using Values = std::vector<double>;
using analysis::Complex;
using tune::Measurement;

constexpr double kPerOctave = 48, kFinest = 24, kDelayWindow = 6, kDoubtWindow = 6;
constexpr double kGap = std::numeric_limits<double>::quiet_NaN();

/// The b of "1/b"; without smoothing as fine as can be.
double fraction_of(std::string_view smoothing) {
  double b = 0;
  if (smoothing.starts_with("1/")) std::from_chars(smoothing.data() + 2, smoothing.data() + smoothing.size(), b);
  return b > 0 ? b : std::numeric_limits<double>::infinity();
}

std::vector<std::size_t> picked(const Values& frequency_hz) {
  const double step = std::exp2(1 / kPerOctave) * (1 - 1e-6);  // a grid of just these steps is kept whole
  std::vector<std::size_t> places;
  for (std::size_t i = 0; i < frequency_hz.size(); ++i)
    if (i == 0 || frequency_hz[i] >= frequency_hz[places.back()] * step) places.push_back(i);
  return places;
}

/// -d(phase)/d(omega), the mean over a window: each step between two frequencies counts by its energy, so that the
/// leaps at a notch, where there is hardly any, do not.
Values group_delay_ms(const Measurement& m) {
  const std::size_t count = m.frequency_hz.size();
  Values weight(count, 0.0), weighted(count, 0.0);
  for (std::size_t i = 1; i < count; ++i) {
    const double turns = (m.phase_deg[i] - m.phase_deg[i - 1]) / 360;
    const double power = analysis::power_from_db(0.5 * (m.magnitude_db[i] + m.magnitude_db[i - 1]));
    const double late_s = -(turns - std::round(turns)) / (m.frequency_hz[i] - m.frequency_hz[i - 1]);
    for (const std::size_t end : {i - 1, i}) {
      weight[end] += power;
      weighted[end] += power * late_s * 1e3;
    }
  }
  weight = analysis::smooth<double>(m.frequency_hz, weight, kDelayWindow);
  weighted = analysis::smooth<double>(m.frequency_hz, weighted, kDelayWindow);
  const double quarter = std::exp2(0.25 / kDelayWindow);
  for (std::size_t i = 0; i < count; ++i) {
    const double hz = m.frequency_hz[i];
    const bool whole = hz >= m.frequency_hz.front() * quarter && hz <= m.frequency_hz.back() / quarter;
    weighted[i] = whole ? weighted[i] / weight[i] : kGap;
  }
  return weighted;
}

void tell_apart(const Measurement& m, MeasuredCurves& curves) {
  const Values& hz = m.frequency_hz;
  const Values coherence = analysis::smooth<double>(hz, m.coherence, kDoubtWindow);
  std::size_t clear_from = 0;  // the first that no stretch holds yet
  const auto clear_until = [&](std::size_t end) {
    if (end > clear_from + 1) curves.clear.push_back({hz[clear_from], hz[end - 1]});
  };
  for (std::size_t i = 0; i < hz.size(); ++i) {
    if (coherence[i] >= tune::kTrustedCoherence) continue;
    if (!curves.doubtful.empty() && hz[i] < curves.doubtful.back().to_hz * std::exp2(1 / kDoubtWindow)) {
      curves.doubtful.back().to_hz = hz[i];
      curves.doubtful.back().least_coherence = std::min(curves.doubtful.back().least_coherence, coherence[i]);
    } else {
      clear_until(i);
      curves.doubtful.push_back({{hz[i], hz[i]}, coherence[i]});
    }
    clear_from = i + 1;
  }
  clear_until(hz.size());
}

}  // namespace

double Stretch::octaves() const { return std::log2(to_hz / from_hz); }

MeasuredCurves curves_of(const Measurement& m) {
  const Values& hz = m.frequency_hz;
  const double as_it_is = fraction_of(m.smoothing);
  MeasuredCurves curves;
  curves.smoothing = std::min(as_it_is, kFinest);
  tell_apart(m, curves);

  const std::vector<std::size_t> places = picked(hz);
  const auto at_places = [&](const Values& values) {
    Values out;
    for (const std::size_t i : places) out.push_back(values[i]);
    return out;
  };
  const auto smoothed = [&](auto values) {
    using Value = typename decltype(values)::value_type;
    return as_it_is <= kFinest ? values : analysis::smooth<Value>(hz, std::span<const Value>(values), kFinest);
  };
  const auto level_of = [&](const Values& magnitude_db) {
    Values level(magnitude_db);
    for (double& x : level) x = analysis::power_from_db(x);
    level = smoothed(level);
    for (double& x : level) x = analysis::db_from_power(x);
    return at_places(level);
  };
  curves.frequency_hz = at_places(hz);
  curves.magnitude_db = level_of(m.magnitude_db);
  curves.coherence = at_places(smoothed(m.coherence));
  if (!m.magnitude_error_db.empty()) curves.magnitude_error_db = at_places(m.magnitude_error_db);
  if (!m.phase_deg.empty()) {
    std::vector<Complex> h(hz.size());
    for (std::size_t i = 0; i < hz.size(); ++i)
      h[i] = std::polar(analysis::ratio_from_db(m.magnitude_db[i]), m.phase_deg[i] * std::numbers::pi / 180);
    h = smoothed(h);
    Values phase(hz.size());
    std::transform(h.begin(), h.end(), phase.begin(), [](Complex x) { return std::arg(x) * 180 / std::numbers::pi; });
    curves.phase_deg = at_places(phase);
    curves.group_delay_ms = at_places(group_delay_ms(m));
    for (std::size_t n = 0; n < places.size(); ++n)
      for (const Stretch& doubt : curves.doubtful)
        if (curves.frequency_hz[n] >= doubt.from_hz && curves.frequency_hz[n] <= doubt.to_hz)
          curves.phase_deg[n] = curves.group_delay_ms[n] = kGap;
  }

  const auto name_of = [](const tune::Capture& one) { return std::filesystem::path(one.file).filename().string(); };
  std::set<std::string> names;
  for (const tune::Capture& one : m.each) names.insert(name_of(one));
  for (const tune::Capture& one : m.each)
    if (m.each.size() > 1 && one.magnitude_db.size() == hz.size() && one.coherence.size() == hz.size())
      curves.places.push_back({names.size() == m.each.size() ? name_of(one) : one.file, level_of(one.magnitude_db),
                               at_places(smoothed(one.coherence))});
  return curves;
}

}  // namespace rackproof::report
