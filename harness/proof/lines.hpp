#pragma once
/// A response on the lines of a window as long as itself, or longer: exact on every line, as nothing of it is cut off.
#include <algorithm>
#include <cmath>
#include <vector>

#include "harness/analysis/fourier.hpp"
#include "harness/proof/impulse_response.hpp"

namespace rackproof::proof {

struct Lines {
  double step_hz = 1;  ///< line k is at k times this: 1 Hz or less
  std::vector<analysis::Complex> value;

  double hz(std::size_t line) const { return step_hz * static_cast<double>(line); }
  std::size_t nearest(double frequency_hz) const {
    return static_cast<std::size_t>(
        std::clamp(std::round(frequency_hz / step_hz), 0.0, static_cast<double>(value.size() - 1)));
  }
  /// The first line at `frequency_hz` or above; `value.size()` where there is none.
  std::size_t from(double frequency_hz) const {
    return static_cast<std::size_t>(
        std::clamp(std::ceil(frequency_hz / step_hz - 1e-9), 0.0, static_cast<double>(value.size())));
  }
};

inline Lines lines_of(const Impulse& h, double sample_rate_hz) {
  const std::size_t size =
      analysis::next_fast_size(std::max(h.size(), static_cast<std::size_t>(std::ceil(sample_rate_hz))));
  return {sample_rate_hz / static_cast<double>(size), analysis::RealFourier(size).forward(h)};
}

}  // namespace rackproof::proof
