#pragma once
/// The discrete Fourier transform of real signals, in double precision.
///   X[k] = sum_n x[n] e^(-2 pi j k n / N),  k = 0 .. N/2      (no factor; `inverse` carries 1/N)
/// Any even N works; sizes with no factor above 5 (`next_fast_size`) are the fast ones.
#include <complex>
#include <cstddef>
#include <memory>
#include <span>
#include <vector>
namespace rackproof::analysis {

using Complex = std::complex<double>;

/// The least even number of the form 2^a 3^b 5^c that is no less than `size` (2 at least).
std::size_t next_fast_size(std::size_t size);

class RealFourier {
 public:
  explicit RealFourier(std::size_t size);  ///< even and at least 2, else std::invalid_argument
  ~RealFourier();
  RealFourier(RealFourier&&) noexcept;
  RealFourier& operator=(RealFourier&&) noexcept;

  std::size_t size() const { return size_; }
  std::size_t bins() const { return size_ / 2 + 1; }
  /// `signal` may be shorter than `size()`: zeros follow it. Longer is std::invalid_argument.
  std::vector<Complex> forward(std::span<const double> signal) const;
  /// From `bins()` values. The imaginary parts of the first and the last are taken as 0.
  std::vector<double> inverse(std::span<const Complex> spectrum) const;

 private:
  struct Plan;
  std::size_t size_;
  std::unique_ptr<const Plan> plan_;
};

/// The linear convolution, a.size() + b.size() - 1 values; empty where either is.
std::vector<double> convolve(std::span<const double> a, std::span<const double> b);

}  // namespace rackproof::analysis
