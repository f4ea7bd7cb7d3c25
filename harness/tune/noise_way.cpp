#include "harness/tune/noise_way.hpp"

#include <algorithm>
#include <cmath>

namespace rackproof::tune {
namespace {

constexpr double kBandFloor = 1e-5;  // of the density times frequency: what was sent reaches so far
constexpr double kCoarseSeconds = 4;

}  // namespace

class NoiseWay::Averaged : public Way::Shown {
 public:
  Averaged(const NoiseWay& way, View recording) : way_(way), y_(recording) {}
  Response rough(std::ptrdiff_t lag) const override { return way_.averaged(y_, lag, way_.upper_, 2); }
  void sample(std::ptrdiff_t lag, double rest, Heard& into) const override {
    const Samples& hz = way_.frequency_hz_;
    const auto split = std::lower_bound(hz.begin(), hz.end(), way_.split_hz_);
    way_.sample(way_.averaged(y_, lag, way_.lower_, 4), rest, View(hz.begin(), split), into);
    way_.sample(way_.averaged(y_, lag, way_.upper_, 2), rest, View(split, hz.end()), into);
  }

 private:
  const NoiseWay& way_;
  View y_;
};

NoiseWay::NoiseWay(const Recording& sent, const TransferOptions& options)
    : Way(
          sent, 0,
          [&] {
            const double rate = sent.sample_rate_hz;
            const auto length = static_cast<double>(active_part(sent).size());
            Windows windows;
            windows.lower = power_of_two_below(std::min(kLowerSeconds * rate, length / 4));
            windows.upper = std::min(windows.lower, power_of_two_below(std::min(kUpperSeconds * rate, length / 8)));
            return windows;
          }(),
          kBandFloor, options) {}

std::unique_ptr<Way::Shown> NoiseWay::show(View recording) const {
  return std::make_unique<Averaged>(*this, recording);
}

std::ptrdiff_t NoiseWay::lag_in(View captured) const {
  const auto coarse = static_cast<std::size_t>(kCoarseSeconds * rate_);
  const std::size_t skip = x_.size() <= coarse ? 0 : (x_.size() - coarse) / 4;
  return coarse_lag(x_.subspan(skip, std::min(coarse, x_.size())), captured) - static_cast<std::ptrdiff_t>(skip);
}

std::string NoiseWay::too_short(double, double seconds) const {
  return seconds < 0.5 ? "too short: half a second at least must be in it" : "";
}

Drift NoiseWay::drift_in(const Recording& captured, std::ptrdiff_t lag, By, Heard&) const {
  Samples corrected;
  View y = captured.samples;
  Drift drift;
  for (int round = 0; round < 2; ++round) {
    const Drift found = drift_of(overlap(x_, y, lag), rate_);
    if (!found.ppm) return {};
    const double ppm = ((1 + drift.ppm.value_or(0) * 1e-6) * (1 + *found.ppm * 1e-6) - 1) * 1e6;
    if (std::abs(ppm) > kMostDriftPpm) return {};
    const bool stands = std::abs(*found.ppm) * 1e-6 * static_cast<double>(x_.size()) < 0.02;
    drift = {stands ? drift.ppm.value_or(0) : ppm, found.error_ppm + (stands ? std::abs(*found.ppm) : 0.0)};
    if (stands) break;
    corrected = without_drift(captured.samples, ppm);
    y = corrected;
  }
  return drift;
}

Response NoiseWay::averaged(View y, std::ptrdiff_t lag, std::size_t segment, std::size_t overlaps) const {
  const analysis::CrossSpectrum cross = welch(overlap(x_, y, lag), rate_, segment, overlaps);
  Response response{cross.h1(), debiased_coherence(cross), {}};
  const double averages = std::max(1.0, cross.effective_averages());
  for (const double c : response.coherence)
    response.noise_share.push_back(c > 0 ? std::min(1.0, (1 - c) / (c * averages)) : 1.0);
  return response;
}

}  // namespace rackproof::tune
