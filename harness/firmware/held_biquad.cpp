#include "harness/firmware/held_biquad.hpp"

#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>
#include <tuple>
#include <utility>
#include <vector>

#include "harness/analysis/decibels.hpp"
#include "harness/analysis/response.hpp"

namespace rackproof::firmware {
namespace {

using Complex = std::complex<double>;

Complex response(const dsp::Biquad& s, double hz, double sample_rate_hz) {
  return analysis::value_at(analysis::difference_form(s), hz / sample_rate_hz);
}

/// The two roots of c0 z^2 + c1 z + c2; of lower order those that there are.
std::vector<Complex> roots(double c0, double c1, double c2) {
  if (c0 == 0) return c1 == 0 ? std::vector<Complex>{} : std::vector<Complex>{-c2 / c1};
  const Complex root = std::sqrt(Complex(c1 * c1 - 4 * c0 * c2));
  const Complex far = -0.5 * (c1 >= 0 ? c1 + root : c1 - root);  // no cancellation
  if (far == 0.0) return {0.0, 0.0};
  return {far / c0, c2 / far};
}

constexpr double kLowestHz = 10, kHighestHz = 20000, kHighestOfRate = 0.45, kRatioDownToDb = -40, kMostDb = 200;

class Comparison {
 public:
  Comparison(const dsp::Biquad& exact, const dsp::Biquad& held, double sample_rate_hz)
      : exact_(exact), held_(held), rate_hz_(sample_rate_hz) {
    const double top = top_hz(sample_rate_hz);
    constexpr int kPoints = 2000;
    for (int i = 0; i <= kPoints; ++i)
      at_hz_.push_back(std::min(top, kLowestHz * std::pow(top / kLowestHz, i / double{kPoints})));
    for (const dsp::Biquad& s : {exact, held})
      for (const auto& list : {roots(1, s.a1, s.a2), roots(s.b0, s.b1, s.b2)})
        for (const Complex root : list) add_about(root, top);
    std::sort(at_hz_.begin(), at_hz_.end());
    double largest = 0;
    for (const double hz : at_hz_) largest = std::max(largest, std::abs(response(exact_, hz, rate_hz_)));
    floor_ = largest * analysis::ratio_from_db(kRatioDownToDb);
  }
  static double top_hz(double sample_rate_hz) { return std::min(kHighestHz, kHighestOfRate * sample_rate_hz); }

  double error_db(double hz) const {
    const double wanted = std::abs(response(exact_, hz, rate_hz_)), has = std::abs(response(held_, hz, rate_hz_));
    const double beside = std::max(wanted, floor_);
    return std::clamp(analysis::db_from_ratio((beside + has - wanted) / beside), -kMostDb, kMostDb);
  }
  /// Where, and how much.
  std::pair<double, double> worst() const {
    std::vector<double> size;
    for (const double hz : at_hz_) size.push_back(std::abs(error_db(hz)));
    const double most = *std::max_element(size.begin(), size.end());
    double worst_hz = at_hz_.front();
    for (std::size_t i = 0; i < size.size(); ++i) {
      const std::size_t before = i == 0 ? 0 : i - 1, after = std::min(i + 1, size.size() - 1);
      if (size[i] < 0.5 * most || size[i] < size[before] || size[i] < size[after]) continue;
      for (const double hz : {at_hz_[i], top_between(at_hz_[before], at_hz_[after])})
        if (std::abs(error_db(hz)) > std::abs(error_db(worst_hz))) worst_hz = hz;
    }
    return {worst_hz, error_db(worst_hz)};
  }

 private:
  /// Where the error is the greatest, of a range in which it has one top.
  double top_between(double low, double high) const {
    const double golden = (std::sqrt(5.0) - 1) / 2;
    for (int step = 0; step < 40; ++step) {
      const double left = high - golden * (high - low), right = low + golden * (high - low);
      if (std::abs(error_db(left)) > std::abs(error_db(right)))
        high = right;
      else
        low = left;
    }
    return 0.5 * (low + high);
  }
  /// A root's own frequency, and half bandwidths beside it.
  void add_about(Complex root, double top) {
    const double to_hz = rate_hz_ / (2 * std::numbers::pi);
    const double hz = std::abs(std::arg(root)) * to_hz, wide = std::abs(1 - std::abs(root)) * to_hz;
    constexpr int kHalfBandwidths = 12;
    for (int n = -kHalfBandwidths; n <= kHalfBandwidths; ++n) {
      const double point = hz + 0.5 * n * wide;
      if (point >= kLowestHz && point <= top) at_hz_.push_back(point);
    }
  }

  dsp::Biquad exact_, held_;
  double rate_hz_, floor_ = 0;
  std::vector<double> at_hz_;
};

/// Variance at the output, of a sine at full scale, all roundings together.
struct Variance {
  double direct_form_1 = 0, transposed_direct_form_2 = 0;
};
Variance fixed_noise(const NumberFormat& format, double gain) {
  const double rounding = format.step() * format.step() / 12;
  return {rounding * gain, 3 * rounding * gain};
}
Variance float_noise(const dsp::Biquad& s, const NumberFormat& format, double gain, double sample_rate_hz) {
  const double mean_square_of_rounding = 0.541 / 3 * std::ldexp(1.0, -2 * (format.fraction_bits + 1));
  Variance most;
  constexpr int kPoints = 120;
  const double top = Comparison::top_hz(sample_rate_hz);
  for (int i = 0; i <= kPoints; ++i) {
    const double hz = kLowestHz * std::pow(top / kLowestHz, i / double{kPoints});
    const Complex z_1 = std::polar(1.0, -2 * std::numbers::pi * hz / sample_rate_hz);
    const Complex y = response(s, hz, sample_rate_hz);
    const std::array<Complex, 5> products{s.b0, s.b1 * z_1, s.b2 * z_1 * z_1, -s.a1 * z_1 * y, -s.a2 * z_1 * z_1 * y};
    // Phasors of peak 1: half their squares are mean squares.
    const auto all = [](std::initializer_list<Complex> values) {
      double sum = 0;
      for (const Complex value : values) sum += std::norm(value) / 2;
      return sum;
    };
    const double multiplied = all({products[0], products[1], products[2], products[3], products[4]});
    const Complex two = products[0] + products[1], three = two + products[2], four = three + products[3];
    const double first = multiplied + all({two, three, four, y});
    const Complex second_state = s.b2 - s.a2 * y, both = s.b1 - s.a1 * y;
    const double transposed = multiplied + all({y, both, both + second_state * z_1, second_state});
    most.direct_form_1 = std::max(most.direct_form_1, mean_square_of_rounding * gain * first);
    most.transposed_direct_form_2 =
        std::max(most.transposed_direct_form_2, mean_square_of_rounding * gain * transposed);
  }
  return most;
}

}  // namespace

double pole_radius(const dsp::Biquad& section) {
  double radius = 0;
  for (const Complex pole : roots(1, section.a1, section.a2)) radius = std::max(radius, std::abs(pole));
  return radius;
}
bool is_stable(const dsp::Biquad& s) { return std::abs(s.a2) < 1 && std::abs(s.a1) < 1 + s.a2; }
double noise_gain(const dsp::Biquad& s) { return (1 + s.a2) / ((1 - s.a2) * (1 + s.a2 - s.a1) * (1 + s.a2 + s.a1)); }

Holding hold(const dsp::Biquad& exact, const NumberFormat& format, double sample_rate_hz) {
  HeldBiquad made;
  std::array<double, 5> values{};
  const std::array<double, 5> wanted = coefficients_of(exact);
  for (std::size_t c = 0; c < wanted.size(); ++c) {
    const std::optional<Held> one = held(wanted[c], format);
    if (!one) return {std::nullopt, {NotHeld::Why::beyond, c, 0}};
    made.codes[c] = *one;
    values[c] = one->value;
  }
  made.section = {values[0], values[1], values[2], values[3], values[4]};
  made.pole_radius = pole_radius(made.section);
  if (!is_stable(made.section)) return {std::nullopt, {NotHeld::Why::unstable, 0, made.pole_radius}};
  if (values[0] == 0 && values[1] == 0 && values[2] == 0) return {std::nullopt, {NotHeld::Why::silent, 0, 0}};
  std::tie(made.worst_error_at_hz, made.worst_error_db) = Comparison(exact, made.section, sample_rate_hz).worst();
  const double gain = noise_gain(made.section);
  const Variance noise =
      format.floating ? float_noise(made.section, format, gain, sample_rate_hz) : fixed_noise(format, gain);
  made.direct_form_1_dbfs = analysis::dbfs_from_rms(std::sqrt(noise.direct_form_1));
  made.transposed_direct_form_2_dbfs = analysis::dbfs_from_rms(std::sqrt(noise.transposed_direct_form_2));
  return {made, {}};
}

}  // namespace rackproof::firmware
