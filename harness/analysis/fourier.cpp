#include "harness/analysis/fourier.hpp"

#include <kissfft/kissfft.hh>

#include <algorithm>
#include <cmath>
#include <numbers>
#include <stdexcept>

namespace rackproof::analysis {

std::size_t next_fast_size(std::size_t size) {
  for (std::size_t candidate = std::max<std::size_t>(size + size % 2, 2);; candidate += 2) {
    std::size_t rest = candidate;
    for (const std::size_t factor : {2u, 3u, 5u})
      while (rest % factor == 0) rest /= factor;
    if (rest == 1) return candidate;
  }
}

// A real transform of N points is a complex one of M = N/2: even samples in the real parts, odd ones in the imaginary.
struct RealFourier::Plan {
  explicit Plan(std::size_t half) : forward(half, false), inverse(half, true), twiddles(half) {
    for (std::size_t k = 0; k < half; ++k)
      twiddles[k] = std::polar(1.0, std::numbers::pi * static_cast<double>(k) / static_cast<double>(half));
  }
  kissfft<double> forward, inverse;
  std::vector<Complex> twiddles;  // e^(+2 pi j k / N)
};

namespace {
/// X[k] of a real signal from Z[k] and Z[M - k] of its pairs; `turn` is e^(+2 pi j k / N).
Complex of_halves(Complex z, Complex mirror, Complex turn) {
  const Complex mirrored = std::conj(mirror);
  const Complex even = 0.5 * (z + mirrored), odd = Complex(0, -0.5) * (z - mirrored);
  return even + odd * std::conj(turn);
}
}  // namespace

RealFourier::RealFourier(std::size_t size) : size_(size) {
  if (size < 2 || size % 2 != 0) throw std::invalid_argument("the size of a real Fourier transform must be even");
  plan_ = std::make_unique<const Plan>(size / 2);
}
RealFourier::~RealFourier() = default;
RealFourier::RealFourier(RealFourier&&) noexcept = default;
RealFourier& RealFourier::operator=(RealFourier&&) noexcept = default;

std::vector<Complex> RealFourier::forward(std::span<const double> signal) const {
  if (signal.size() > size_) throw std::invalid_argument("a signal longer than its Fourier transform");
  const std::size_t half = size_ / 2;
  std::vector<Complex> pairs(half), spectrum(half + 1);
  for (std::size_t n = 0; n < signal.size(); ++n) reinterpret_cast<double(&)[2]>(pairs[n / 2])[n % 2] = signal[n];
  plan_->forward.transform(pairs.data(), spectrum.data());
  const Complex first = spectrum[0];
  spectrum[0] = first.real() + first.imag();
  spectrum[half] = first.real() - first.imag();
  // Two that mirror each other are made of those same two.
  for (std::size_t k = 1, mirror = half - 1; k <= mirror; ++k, --mirror) {
    const Complex low = spectrum[k], high = spectrum[mirror];
    spectrum[k] = of_halves(low, high, plan_->twiddles[k]);
    spectrum[mirror] = of_halves(high, low, plan_->twiddles[mirror]);
  }
  return spectrum;
}

std::vector<double> RealFourier::inverse(std::span<const Complex> spectrum) const {
  if (spectrum.size() != bins()) throw std::invalid_argument("a spectrum of another size than its Fourier transform");
  const std::size_t half = size_ / 2;
  std::vector<Complex> z(half), pairs(half);
  const double first = spectrum[0].real(), last = spectrum[half].real();
  z[0] = Complex(0.5 * (first + last), 0.5 * (first - last));
  for (std::size_t k = 1; k < half; ++k) {
    const Complex mirrored = std::conj(spectrum[half - k]);
    z[k] = 0.5 * (spectrum[k] + mirrored) + Complex(0, 0.5) * (spectrum[k] - mirrored) * plan_->twiddles[k];
  }
  plan_->inverse.transform(z.data(), pairs.data());
  std::vector<double> signal(size_);
  for (std::size_t n = 0; n < half; ++n) {
    signal[2 * n] = pairs[n].real() / static_cast<double>(half);
    signal[2 * n + 1] = pairs[n].imag() / static_cast<double>(half);
  }
  return signal;
}

std::vector<double> convolve(std::span<const double> a, std::span<const double> b) {
  if (a.empty() || b.empty()) return {};
  const std::size_t size = a.size() + b.size() - 1;
  const RealFourier fourier(next_fast_size(size));
  std::vector<Complex> spectrum = fourier.forward(a);
  const std::vector<Complex> other = fourier.forward(b);
  for (std::size_t k = 0; k < spectrum.size(); ++k) spectrum[k] *= other[k];
  std::vector<double> result = fourier.inverse(spectrum);
  result.resize(size);
  return result;
}

}  // namespace rackproof::analysis
