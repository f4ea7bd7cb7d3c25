#pragma once
/// How much faster or slower a recorder's clock runs than the player's: in parts a million, how much later a sample
/// arrives for each that went by.
#include <optional>

#include "harness/tune/measured_response.hpp"
#include "harness/tune/transfer.hpp"

namespace rackproof::tune {

inline constexpr double kMostDriftPpm = 1000;
inline constexpr double kCrestSamples = 0.01;  ///< what a crest's place is good to without noise

struct Drift {
  std::optional<double> ppm;  ///< nothing: it cannot be told
  double error_ppm = kUnknownDriftPpm;
};
/// A straight line through the lags of successive blocks. Nothing where too few blocks can be told apart from noise.
Drift drift_of(const Overlap& pair, double rate);

/// `captured` as a recorder on the player's clock would have it.
Samples without_drift(View captured, double ppm);

}  // namespace rackproof::tune
