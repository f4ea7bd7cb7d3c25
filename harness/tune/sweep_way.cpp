#include "harness/tune/sweep_way.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <numbers>
#include <numeric>

#include "harness/analysis/arrival.hpp"
#include "harness/analysis/bands.hpp"
#include "harness/analysis/fourier.hpp"
#include "harness/analysis/median.hpp"
#include "harness/analysis/minimum_phase.hpp"

namespace rackproof::tune {
namespace {

using analysis::Complex, analysis::CrossSpectrum, analysis::RealFourier;
using std::numbers::pi;

constexpr double kBeforeSeconds = 0.08;
constexpr double kSweepFloor = 0.03;  // of the density times frequency: what was sent reaches so far
constexpr double kTrebleHz = 3000, kSureBend = 1.3, kDoubtfulBend = 1.08;
// Of a drift that a single sweep told: what a horn may add.
constexpr double kCableSharesPpm = 1, kHornSharesPpm = 10, kBendShare = 0.15;
constexpr double kChance = 3;  // one draw of noise is above its mean power times this once in twenty (e^-3)

}  // namespace

class SweepWay::Gated : public Way::Shown {
 public:
  Gated(const SweepWay& way, View recording) : way_(way), y_(recording), division_(way.divided(recording)) {}
  Response rough(std::ptrdiff_t lag) const override { return way_.gated(division_, y_, lag); }
  void sample(std::ptrdiff_t lag, double rest, Heard& into) const override {
    way_.sample(way_.gated(division_, y_, lag), rest, way_.frequency_hz_, into);
  }

 private:
  const SweepWay& way_;
  View y_;
  Division division_;
};

SweepWay::SweepWay(const Recording& sent, const TransferOptions& options)
    : Way(sent, repeat_of(active_part(sent)),
          {.lower = power_of_two_below(kLowerSeconds * sent.sample_rate_hz),
           .upper = power_of_two_below(kUpperSeconds * sent.sample_rate_hz)},
          kSweepFloor, options),
      glide_(glide_of(x_, rate_)) {}

std::unique_ptr<Way::Shown> SweepWay::show(View recording) const { return std::make_unique<Gated>(*this, recording); }

std::ptrdiff_t SweepWay::lag_in(View captured) const { return coarse_lag(all_, captured); }

std::string SweepWay::too_short(double share, double) const {
  return share < 0.9 ? "too short: the whole sweep must be in it, and a second more" : "";
}

Drift SweepWay::drift_in(const Recording& captured, std::ptrdiff_t lag, By path, Heard& heard) const {
  if (repeat_ > 0) return drift_between(passes_in(captured.samples, lag), lag);
  const Bend bend = drift_of_sweep(gated(divided(captured.samples), captured.samples, lag));
  if (path == By::cable && glide_.exponential) return {bend.ppm, kCableSharesPpm};  // it bends nothing by itself
  if (bend.gain > kSureBend) return {bend.ppm, std::max(kHornSharesPpm, kBendShare * std::abs(bend.ppm))};
  if (bend.gain > kDoubtfulBend)
    heard.warnings.push_back(
        {"drift-suspected",
         fmt::format("{}: the treble is bent as by a recorder {:.0f} ppm off, or as by the loudspeaker itself, and is "
                     "left as it is: where player and recorder are two devices, send the sweep twice (rackproof "
                     "stimulus sweep --twice), or record what is sent on another channel (--reference-channel)",
                     captured.name, bend.ppm)});
  return {};
}

Drift SweepWay::drift_between(const Passes& passes, std::ptrdiff_t lag) const {
  const auto response = [&](View y) { return gated(divided(y), y, lag - passes.from); };
  const Response first = response(passes.first), second = response(passes.second);
  const auto repeat = static_cast<double>(repeat_);
  const double most = kMostDriftPpm * 1e-6 * repeat;
  const analysis::Arrival later =
      analysis::find_arrival(phase_wave(first.h, first.coherence), phase_wave(second.h, second.coherence),
                             {.phase_transform = false, .least_samples = -most, .most_samples = most});
  if (!later.found || later.height < 0.2 || later.polarity < 0) return {};
  const double error = rate_ * (time_error_s(first) + time_error_s(second)) + kCrestSamples;
  return {1e6 * later.delay_samples / repeat, 1e6 * error / repeat};
}

SweepWay::Division SweepWay::divided(View y) const {
  const RealFourier whole(analysis::next_fast_size(x_.size() + y.size() + lower_));
  const std::vector<Complex> x = whole.forward(x_);
  std::vector<Complex> h = whole.forward(y);
  Division division;
  division.power.resize(x.size());
  std::transform(x.begin(), x.end(), division.power.begin(), [](const Complex& value) { return std::norm(value); });
  const double least = 1e-8 * *std::max_element(division.power.begin(), division.power.end());
  for (std::size_t k = 0; k < h.size(); ++k) {
    // Beyond what was sent there is nothing but noise, blown up: out, with soft edges.
    const double hz = static_cast<double>(k) * rate_ / static_cast<double>(whole.size());
    const double edge =
        std::min(1.0, std::min(1.5 * hz / frequency_hz_.front() - 0.5, 9 - 8 * hz / frequency_hz_.back()));
    const double share = edge > 0 ? edge * edge * (3 - 2 * edge) : 0.0;
    h[k] *= share * std::conj(x[k]) / (division.power[k] += least);
  }
  division.wave = whole.inverse(h);
  return division;
}

Response SweepWay::gated(const Division& division, View y, std::ptrdiff_t lag) const {
  const auto size = static_cast<std::ptrdiff_t>(division.wave.size());
  Samples wave(division.wave);
  std::rotate(wave.begin(), wave.begin() + (lag % size + size) % size, wave.end());
  // The gate: 80 ms ahead of time zero, and on for as long as the response stands out of the noise.
  const auto before = static_cast<std::size_t>(kBeforeSeconds * rate_);
  const std::size_t after = lower_ - before, flat = standing_out(View(wave).first(after));
  Samples kept(lower_, 0.0);
  double energy = 0;
  for (std::size_t n = 0; n < lower_; ++n) {
    const bool early = n >= after;  // wrapped: ahead of time zero
    const double ahead = static_cast<double>(lower_ - n) / static_cast<double>(before);
    const double late = (static_cast<double>(n) - static_cast<double>(flat)) / (0.5 * static_cast<double>(flat));
    const double gate = 0.5 + 0.5 * std::cos(pi * std::clamp(early ? 2 * ahead - 1 : late, 0.0, 1.0));
    kept[n] = gate * (early ? wave[wave.size() - (lower_ - n)] : wave[n]);
    energy += gate * gate;
  }
  const RealFourier window(lower_);
  Response response{window.forward(kept), Samples(lower_ / 2 + 1, 0.0), Samples(lower_ / 2 + 1, 1.0)};
  // What the gated response does not explain is noise (and distortion): so much of it is in the gate.
  Samples causal(kept);
  std::rotate(causal.begin(), causal.begin() + static_cast<std::ptrdiff_t>(after), causal.end());
  const Samples explained = analysis::convolve(x_, causal);
  Samples left(y.begin(), y.end());
  for (std::size_t n = 0; n < explained.size(); ++n) {
    const std::ptrdiff_t at = static_cast<std::ptrdiff_t>(n) + lag - static_cast<std::ptrdiff_t>(before);
    if (at >= 0 && at < static_cast<std::ptrdiff_t>(left.size())) left[static_cast<std::size_t>(at)] -= explained[n];
  }
  CrossSpectrum noise({rate_, upper_, upper_ / 2});
  noise.add(left, left);
  const Samples density = noise.pyy();
  for (std::size_t k = 1; k + 1 < response.h.size(); ++k) {
    const double hz = static_cast<double>(k) * rate_ / static_cast<double>(lower_);
    const auto bin = static_cast<std::size_t>(std::lround(hz * static_cast<double>(upper_) / rate_));
    const auto there = static_cast<std::size_t>(std::lround(hz * static_cast<double>(wave.size()) / rate_));
    double gain = 0;  // of the division, in the mean over what the gate spreads into this bin
    const std::size_t reach = wave.size() / lower_ + 1;
    for (std::size_t i = there - std::min(there, reach); i <= std::min(there + reach, division.power.size() - 1); ++i)
      gain += 1 / division.power[i] / static_cast<double>(2 * reach + 1);
    const double in_gate = 0.5 * rate_ * density[bin] * energy * gain;
    const double power = std::norm(response.h[k]);
    response.coherence[k] = power > 0 ? std::clamp(1 - kChance * in_gate / power, 0.0, 1.0) : 0.0;
    response.noise_share[k] = power > in_gate ? in_gate / power : 1.0;
  }
  return response;
}

/// Until when `wave` is above its own later half, by blocks of 20 ms; at most two thirds, so that a flank has room.
std::size_t SweepWay::standing_out(View wave) const {
  const auto block = static_cast<std::size_t>(0.02 * rate_);
  Samples power;
  for (std::size_t n = 0; n + block <= wave.size(); n += block) {
    const View piece = wave.subspan(n, block);
    power.push_back(std::inner_product(piece.begin(), piece.end(), piece.begin(), 0.0));
  }
  const double floor =
      3 * analysis::median({power.begin() + static_cast<std::ptrdiff_t>(power.size() / 2), power.end()});
  std::size_t last = 5;
  for (std::size_t i = 0; i < power.size(); ++i)
    if (power[i] > floor) last = std::max(last, i + 2);
  return std::min(last * block, wave.size() * 2 / 3);
}

SweepWay::Bend SweepWay::drift_of_sweep(const Response& response) const {
  if (!glide_.exponential) return {};
  const std::size_t bins = upper_ / 2 + 1, step = response.size() / upper_;
  std::vector<Complex> h(bins), turned(bins);
  Samples axis(bins), power(bins), sure(bins), late(bins);
  for (std::size_t k = 0; k < bins; ++k) {
    h[k] = response.h[k * step];
    power[k] = std::norm(h[k]);
    sure[k] = response.coherence[k * step];
    axis[k] = static_cast<double>(k) * rate_ / static_cast<double>(upper_);
    late[k] = axis[k] > 0 ? glide_.time_scale_s * std::log(axis[k] / glide_.from_hz) : 0.0;
  }
  const Samples level = analysis::smooth<double>(axis, power, 1.0);
  const double loudest = *std::max_element(level.begin(), level.end());
  const RealFourier fourier(upper_);
  // What an equaliser or a box turns the phase by follows from its level (it is of minimum phase): the level's
  // cepstrum, folded. Beyond the band the level is held.
  const Samples fine = analysis::smooth<double>(axis, power, 12.0);
  const auto edge_of = [&](double hz) { return static_cast<std::size_t>(hz * static_cast<double>(upper_) / rate_); };
  const std::size_t lowest = edge_of(frequency_hz_.front()) + 2, highest = edge_of(0.95 * frequency_hz_.back());
  Samples held(bins);
  for (std::size_t k = 0; k < bins; ++k)
    held[k] = std::max(fine[std::clamp(k, lowest, highest)], 1e-12 * loudest + 1e-300);
  const Samples straight = analysis::minimum_phase(held, fourier);
  for (std::size_t k = 0; k < bins; ++k) h[k] *= std::polar(1.0, -straight[k]);
  const auto sharpness = [&](double ppm) {
    for (std::size_t k = 1; k < bins; ++k) {
      const bool counts =
          axis[k] >= kTrebleHz && axis[k] <= frequency_hz_.back() && sure[k] > 0.5 && level[k] > 1e-3 * loudest;
      turned[k] = counts ? h[k] / std::sqrt(level[k]) *
                               std::polar(1.0, 2 * pi * std::remainder(axis[k] * late[k] * ppm * 1e-6, 1.0))
                         : 0.0;
    }
    const Samples wave = fourier.inverse(turned);
    for (Complex& c : turned) c *= Complex(0, -1);
    const Samples quarter = fourier.inverse(turned);
    double sum = 0;  // of fourth powers: the same energy in fewer samples makes more of them
    for (std::size_t n = 0; n < wave.size(); ++n) {
      const double power_here = wave[n] * wave[n] + quarter[n] * quarter[n];
      sum += power_here * power_here;
    }
    return sum;
  };
  double best = 0, height = sharpness(0);
  const double unmoved = height;
  for (double wide = 300, pace = 10; pace > 0.02; wide = 2 * pace, pace /= 5) {
    const double centre = best;
    for (double ppm = centre - wide; ppm <= centre + wide; ppm += pace)
      if (const double here = sharpness(ppm); here > height) {
        height = here;
        best = ppm;
      }
  }
  return {best, unmoved > 0 ? height / unmoved : 1.0};
}

}  // namespace rackproof::tune
