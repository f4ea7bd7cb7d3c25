#include "harness/analysis/minimum_phase.hpp"

#include <cmath>

namespace rackproof::analysis {

std::vector<double> minimum_phase(std::span<const double> power, const RealFourier& fourier) {
  std::vector<Complex> spectrum(power.size());
  for (std::size_t k = 0; k < power.size(); ++k) spectrum[k] = 0.5 * std::log(power[k]);
  std::vector<double> cepstrum = fourier.inverse(spectrum);
  const std::size_t size = fourier.size();
  for (std::size_t n = 1; n < size / 2; ++n) {
    cepstrum[n] *= 2;
    cepstrum[size - n] = 0;
  }
  spectrum = fourier.forward(cepstrum);
  std::vector<double> phase(power.size());
  for (std::size_t k = 0; k < power.size(); ++k) phase[k] = spectrum[k].imag();
  return phase;
}

}  // namespace rackproof::analysis
