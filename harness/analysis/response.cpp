#include "harness/analysis/response.hpp"

#include <array>
#include <cmath>
#include <numbers>

#include "harness/analysis/decibels.hpp"

namespace rackproof::analysis {
namespace {
using Complex = std::complex<double>;
constexpr double kPi = std::numbers::pi;

// A polynomial p0 + p1 u + p2 u^2 at one point of the unit circle.
struct Point {
  double w = 0;
  Complex u;  // 1 - e^(-jw)
  explicit Point(double frequency)
      : w(2.0 * kPi * frequency), u(2.0 * std::sin(0.5 * w) * Complex(std::sin(0.5 * w), std::cos(0.5 * w))) {}
  Complex value(double p0, double p1, double p2) const { return p0 + u * (p1 + u * p2); }
  // -d(phase)/dw of the polynomial: Re((z^-1 d/dz^-1 P) / P), with z^-1 = 1 - u.
  double group_delay(double p0, double p1, double p2) const {
    const Complex p = value(p0, p1, p2);
    if (p == 0.0) return 0.0;
    return ((u - 1.0) * (p1 + 2.0 * p2 * u) / p).real();
  }
};

// The phase of 1 - z^-1/r', continuous from w = 0 on, for a root z = r of the polynomial in z^-1.
double factor_phase(Complex root, double w) {
  const Complex backward = std::polar(1.0, -w);
  if (std::norm(root) <= 1.0 + 1e-9) return std::arg(1.0 - root * backward);
  const double at_dc = root.imag() == 0.0 && root.real() > 0.0 ? kPi : 0.0;
  return at_dc - w + std::arg(1.0 - std::conj(backward) / root);
}

// Numerator phase, right to well within a turn (roots of a rounded polynomial are not exact), with its sign as +pi.
double rough_phase(const DifferenceForm& s, double w) {
  // In z^-1: b0 + b1 z^-1 + b2 z^-2
  const double b2 = s.n2, b1 = -(s.n1 + 2.0 * s.n2), b0 = s.n0 + s.n1 + s.n2;
  // z^2 b0 + z b1 + b2 = 0; where leading coefficients vanish the signal is late by as many samples.
  double phase = 0;
  const auto with_sign = [&](double leading) { return leading < 0 ? phase + kPi : phase; };
  if (b0 == 0.0) {
    phase -= b1 == 0.0 ? 2.0 * w : w;
    if (b1 == 0.0) return with_sign(b2);
    phase += factor_phase(-b2 / b1, w);
    return with_sign(b1);
  }
  const double half = -0.5 * b1 / b0, discriminant = half * half - b2 / b0;
  if (discriminant < 0) {
    const double imaginary = std::sqrt(-discriminant);
    phase += factor_phase({half, imaginary}, w) + factor_phase({half, -imaginary}, w);
  } else {
    const double greater = half + std::copysign(std::sqrt(discriminant), half);
    phase += factor_phase(greater, w) + (greater == 0.0 ? 0.0 : factor_phase(b2 / b0 / greater, w));
  }
  return with_sign(b0);
}
}  // namespace

DifferenceForm difference_form(const dsp::Biquad& b) {
  return {(b.b0 + b.b1) + b.b2, -(b.b1 + 2.0 * b.b2), b.b2, (1.0 + b.a1) + b.a2, -(b.a1 + 2.0 * b.a2), b.a2};
}

DifferenceForm difference_form(const dsp::Section& s) {
  const double mix_v = static_cast<double>(s.mix_v), mix_1 = static_cast<double>(s.mix_1);
  const double mix_2 = static_cast<double>(s.mix_2), through_2 = mix_2 - mix_v;
  const double rate = static_cast<double>(s.rate), damp = static_cast<double>(s.damp);
  const double cross = static_cast<double>(s.cross);
  if (rate == 0.0 && cross == 0.0) return {mix_v, 0, 0, 1, 0, 0};  // nothing drives its states
  DifferenceForm f;                                                // `biquad_of`, its sums carried out by hand
  f.d0 = damp * cross + rate * rate;
  f.d1 = damp + cross - 2.0 * f.d0;
  f.d2 = (1.0 - damp) * (1.0 - cross) + rate * rate;
  f.n0 = mix_2 * f.d0;
  f.n1 = mix_v * f.d1 + mix_1 * rate + through_2 * (cross - 2.0 * f.d0);
  f.n2 = mix_v * f.d2 - mix_1 * rate + through_2 * (f.d0 - cross);
  return f;
}

std::complex<double> value_at(const DifferenceForm& s, double frequency) {
  const Point point(frequency);
  return point.value(s.n0, s.n1, s.n2) / point.value(s.d0, s.d1, s.d2);
}

PathResponse LinearPath::at(double frequency) const {
  const Point point(frequency);
  PathResponse r;
  r.value = gain_;
  r.group_delay_samples = delay_samples_;
  double rough = gain_ < 0 ? kPi : 0.0;
  for (const DifferenceForm& s : sections_) {
    const Complex denominator = point.value(s.d0, s.d1, s.d2);
    r.value *= point.value(s.n0, s.n1, s.n2) / denominator;
    r.group_delay_samples += point.group_delay(s.n0, s.n1, s.n2) - point.group_delay(s.d0, s.d1, s.d2);
    rough += rough_phase(s, point.w) - std::arg(denominator);  // a stable denominator never leaves (-pi, pi)
  }
  r.magnitude_db = db_from_ratio(std::abs(r.value));
  r.phase_rad = r.value == 0.0 ? rough : rough + std::remainder(std::arg(r.value) - rough, 2.0 * kPi);
  r.phase_rad -= point.w * delay_samples_;
  r.value *= std::polar(1.0, -std::remainder(point.w * delay_samples_, 2.0 * kPi));
  return r;
}

}  // namespace rackproof::analysis
