#pragma once
/// The power of each bin of a windowed piece of a signal: |sum w[n] x[n] e^(-2 pi i k n / N)|^2, k = 0 .. N/2.
#include <cstddef>
#include <span>
#include <vector>

#include "harness/analysis/fourier.hpp"
#include "harness/analysis/windows.hpp"

namespace rackproof::analysis {

class PowerSpectrum {
 public:
  PowerSpectrum(Window window, std::size_t size) : fourier_(size), window_(analysis::window(window, size)) {}
  /// Of the piece that begins with sample `from`, which may be negative: outside of the signal there is silence.
  std::vector<double> of(std::span<const double> signal, std::ptrdiff_t from) const {
    std::vector<double> piece(window_.size(), 0.0), power;
    for (std::size_t n = 0; n < piece.size(); ++n) {
      const std::ptrdiff_t at = from + static_cast<std::ptrdiff_t>(n);
      if (at >= 0 && at < static_cast<std::ptrdiff_t>(signal.size()))
        piece[n] = window_[n] * signal[static_cast<std::size_t>(at)];
    }
    for (const Complex& value : fourier_.forward(piece)) power.push_back(std::norm(value));
    return power;
  }

 private:
  RealFourier fourier_;
  std::vector<double> window_;
};

}  // namespace rackproof::analysis
