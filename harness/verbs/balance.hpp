#pragma once
/// How the ways of a rig stand to one another: driven by one and the same sine on all feeds, how loud each plays, which
/// is the louder where two meet, and which limiter acts first.
#include <cstddef>
#include <optional>
#include <vector>

#include "harness/calibration/compile.hpp"

namespace rackproof {

/// Of the sine that levels are told for.
inline constexpr double kBalanceSine_dbfs = -20;

/// Of one output.
struct Balance {
  /// From feed to limiter, all gains, filters and eq, mean by power over log frequency from edge to edge of the way's
  /// band; an open edge is 20 Hz or 20 kHz, at most 0.45 of the sample rate.
  double band_gain_db = 0;
  /// At 1 m, of a sine of kBalanceSine_dbfs on the feeds with that gain, were there no limiter. Nothing without the
  /// driver's sensitivity.
  std::optional<double> level_at_1m_db;
  /// Level of this way less that of the way below, for one sine at their point (between its sides, by the geometric
  /// mean, where they are set apart). What prove's `sum-as-played` allows 6 dB of. Nothing for the lowest way, or where
  /// a sensitivity is missing.
  std::optional<double> over_way_below_db, point_hz;
  /// Sine on the feeds from which on a limiter acts, with `band_gain_db`; above 0 it never does. Nothing without one.
  std::optional<double> peak_limit_from_dbfs, power_limit_from_dbfs;

  /// The limiter that acts first; above 0 or nothing: none.
  std::optional<double> first_limit_dbfs() const;
};

/// One an output of `made`, in their order.
std::vector<Balance> balance_of(const rig::Rig& rig, const CompiledRig& made);

}  // namespace rackproof
