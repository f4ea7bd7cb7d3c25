#include "harness/listen/listener.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "harness/analysis/bands.hpp"
#include "harness/analysis/decibels.hpp"
#include "harness/proof/impulse_response.hpp"

namespace rackproof::listen {
namespace {

using analysis::Complex;

constexpr std::size_t kHalf = 64;     ///< taps of the sinc on either side
constexpr double kBeta = 8.96;        ///< 0.1102 (90 - 8.7), J. F. Kaiser
constexpr double kMeasured_s = 0.8;   ///< length of a filter from a measured response
constexpr double kFadeOctaves = 1.0;  ///< beyond the ends of a measurement
constexpr std::size_t kLeastHop = 8192;

/// `pascals` at `late` samples behind tap `zero`.
void add_delayed(std::vector<double>& taps, std::size_t zero, double late, double pascals) {
  std::vector<double> sinc(taps.size());
  const double top = std::cyl_bessel_i(0.0, kBeta);
  double sum = 0;
  for (std::size_t k = 0; k < taps.size(); ++k) {
    const double t = static_cast<double>(k) - static_cast<double>(zero) - late;
    if (std::abs(t) >= double{kHalf}) continue;
    const double edge = t / double{kHalf}, turn = std::numbers::pi * t;
    const double window = std::cyl_bessel_i(0.0, kBeta * std::sqrt(1 - edge * edge)) / top;
    sinc[k] = window * (std::abs(t) < 1e-9 ? 1.0 : std::abs(t - std::round(t)) < 1e-9 ? 0.0 : std::sin(turn) / turn);
    sum += sinc[k];
  }
  for (std::size_t k = 0; k < taps.size(); ++k) taps[k] = pascals * sinc[k] / sum;
}

/// How much of a measured response counts: all of it inside, nothing from an octave beyond its ends on.
double share_at(const proof::WayResponse& response, double hz) {
  const double beyond = hz < response.from_hz() ? std::log2(response.from_hz() / std::max(hz, 1e-3))
                        : hz > response.to_hz() ? std::log2(hz / response.to_hz())
                                                : 0.0;
  if (beyond >= kFadeOctaves) return 0;
  return 0.5 + 0.5 * std::cos(std::numbers::pi * beyond / kFadeOctaves);
}

Filter from_response(const proof::WayResponse& response, double rate_hz) {
  const std::size_t size = analysis::next_fast_size(static_cast<std::size_t>(std::ceil(kMeasured_s * rate_hz)));
  const analysis::RealFourier fourier(size);
  const std::size_t zero = size / 8 * 3;
  std::vector<Complex> spectrum(fourier.bins());
  for (std::size_t k = 1; k < spectrum.size(); ++k) {
    const double of_rate = static_cast<double>(k) / static_cast<double>(size), hz = of_rate * rate_hz;
    const double share = share_at(response, hz);
    if (share == 0) continue;
    const double turns = std::remainder(of_rate * static_cast<double>(zero), 1.0);
    spectrum[k] = share * response.at(hz) * std::polar(1.0, -2 * std::numbers::pi * turns);
  }
  Filter filter{fourier.inverse(spectrum), zero};
  // No edges at its ends, where next to nothing is left.
  const std::size_t rise = zero / 2, fall = size / 8;
  for (std::size_t k = 0; k < rise; ++k)
    filter.taps[k] *= 0.5 - 0.5 * std::cos(std::numbers::pi * static_cast<double>(k) / static_cast<double>(rise));
  for (std::size_t k = 0; k < fall; ++k)
    filter.taps[size - 1 - k] *=
        0.5 - 0.5 * std::cos(std::numbers::pi * static_cast<double>(k) / static_cast<double>(fall));
  return filter;
}

std::size_t hop_for(std::size_t length) { return std::max(kLeastHop, length); }

}  // namespace

std::vector<Filter> filters_of(const Ear& ear, std::size_t outputs, double rate_hz) {
  std::vector<Filter> filters;
  if (ear.measured()) {
    std::size_t length = 0, zero = 0;
    for (std::size_t o = 0; o < outputs; ++o) {
      const proof::WayResponse* const response = ear.response(o);
      filters.push_back(response == nullptr ? Filter{} : from_response(*response, rate_hz));
      if (response == nullptr) continue;
      length = filters.back().taps.size();
      zero = filters.back().zero;
    }
    for (Filter& filter : filters)  // of other loudspeakers: nothing, at the same length
      if (filter.taps.empty()) filter = {std::vector<double>(length), zero};
    return filters;
  }
  double latest = 0;
  for (std::size_t o = 0; o < outputs; ++o) latest = std::max(latest, ear.depth_s(o) * rate_hz);
  const std::size_t length = 2 * kHalf + 1 + static_cast<std::size_t>(std::ceil(latest));
  for (std::size_t o = 0; o < outputs; ++o) {
    Filter& filter = filters.emplace_back(Filter{std::vector<double>(length), kHalf});
    add_delayed(filter.taps, filter.zero, ear.depth_s(o) * rate_hz, ear.pascals(o));
  }
  return filters;
}

double worst_db(const Ear& ear, std::span<const Filter> filters, double rate_hz) {
  constexpr double kOfRate = 0.45, kPerOctave = 24, kCounts = 0.01;
  double worst = 0;
  for (std::size_t o = 0; o < filters.size(); ++o) {
    const proof::WayResponse* const response = ear.response(o);
    if (ear.pascals(o) == 0) continue;  // another loudspeaker's
    const double from = response == nullptr ? 20.0 : std::max(10.0, response->from_hz());
    const double to = std::min(kOfRate * rate_hz, response == nullptr ? 20e3 : response->to_hz());
    if (!(from < to)) continue;
    const std::vector<double> hz = analysis::log_frequencies(from, to, kPerOctave);
    const std::vector<Complex> made = proof::spectrum(filters[o].taps, hz, rate_hz);
    double loudest = 0;
    for (const double at : hz) loudest = std::max(loudest, std::abs(ear.at(o, at)));
    for (std::size_t k = 0; k < hz.size(); ++k) {
      const Complex wanted = ear.at(o, hz[k]);
      if (std::abs(wanted) < kCounts * loudest) continue;
      const double turns = std::remainder(hz[k] / rate_hz * static_cast<double>(filters[o].zero), 1.0);
      const Complex back = made[k] * std::polar(1.0, 2 * std::numbers::pi * turns);
      worst = std::max(worst, analysis::db_from_ratio(1 + std::abs(back - wanted) / std::abs(wanted)));
    }
  }
  return worst;
}

Listener::Listener(std::span<const Filter> filters, std::vector<Route> routes)
    : length_(filters.front().taps.size()),
      zero_(filters.front().zero),
      hop_(0),
      routes_(std::move(routes)),
      fourier_(analysis::next_fast_size(length_ - 1 + hop_for(length_))),
      spectra_(filters.size()),
      windows_(filters.size()),
      left_out_(filters.front().zero) {
  hop_ = fourier_.size() - (length_ - 1);
  for (std::size_t o = 0; o < filters.size(); ++o) {
    alike_ = alike_ && routes_[o].left == routes_[o].right;
    if (!routes_[o].left && !routes_[o].right) continue;
    spectra_[o] = fourier_.forward(filters[o].taps);
    windows_[o].resize(fourier_.size());
  }
}

void Listener::add(std::span<const float* const> outputs, std::size_t frames, const Heard& heard) {
  fed_ += frames;
  for (std::size_t done = 0; done < frames;) {
    const std::size_t count = std::min(frames - done, hop_ - gathered_);
    for (std::size_t o = 0; o < windows_.size(); ++o)
      if (!windows_[o].empty())
        std::copy_n(outputs[o] + done, count,
                    windows_[o].begin() + static_cast<std::ptrdiff_t>(length_ - 1 + gathered_));
    done += count;
    gathered_ += count;
    if (gathered_ == hop_) step(heard);
  }
}

void Listener::finish(const Heard& heard) {
  const std::uint64_t all = fed_ + tail_frames();
  while (given_ < all) {
    for (std::vector<double>& window : windows_)
      if (!window.empty())
        std::fill(window.begin() + static_cast<std::ptrdiff_t>(length_ - 1 + gathered_), window.end(), 0.0);
    const std::uint64_t given = given_;
    // The last step may hold more than was asked for.
    step([&](std::span<const float> stereo) {
      const auto wanted = static_cast<std::size_t>(std::min<std::uint64_t>(stereo.size() / 2, all - given));
      heard(stereo.first(2 * wanted));
    });
  }
}

void Listener::step(const Heard& heard) {
  std::vector<Complex> left(fourier_.bins()), right(alike_ ? 0 : fourier_.bins());
  for (std::size_t o = 0; o < windows_.size(); ++o) {
    if (windows_[o].empty()) continue;
    const std::vector<Complex> output = fourier_.forward(windows_[o]);
    for (std::size_t k = 0; k < output.size(); ++k) {
      const Complex value = output[k] * spectra_[o][k];
      if (routes_[o].left) left[k] += value;
      if (routes_[o].right && !alike_) right[k] += value;
    }
    // What the next step looks back at.
    std::copy(windows_[o].end() - static_cast<std::ptrdiff_t>(length_ - 1), windows_[o].end(), windows_[o].begin());
  }
  gathered_ = 0;
  const std::vector<double> l = fourier_.inverse(left);
  const std::span<const double> heard_left = std::span(l).last(hop_);
  if (alike_) {
    give(heard_left, heard_left, heard);
  } else {
    const std::vector<double> r = fourier_.inverse(right);
    give(heard_left, std::span(r).last(hop_), heard);
  }
}

void Listener::give(std::span<const double> left, std::span<const double> right, const Heard& heard) {
  const auto early = static_cast<std::size_t>(std::min<std::uint64_t>(left_out_, left.size()));
  left_out_ -= early;
  stereo_.clear();
  for (std::size_t n = early; n < left.size(); ++n) {
    stereo_.push_back(static_cast<float>(left[n]));
    stereo_.push_back(static_cast<float>(right[n]));
  }
  if (stereo_.empty()) return;
  heard(stereo_);
  given_ += stereo_.size() / 2;
}

}  // namespace rackproof::listen
