#pragma once
/// The curves of the report, and the band in which the sum may really lie.
/// Curves   of the linear path that runs (venue included, limiters out) on the side of the first feed, all feeds driven
///          alike; latency and the least delay that all ways share are taken out of phase and group delay. Where all
///          ways have a measured response, it is in.
/// Model    of the band: a processor's delay is a fixed time; the path in air that it answers to is not. Every delay is
///          taken for such a path (a distance is written as one), so at another temperature its way is late by
///          delay x (1 - c0 / c), c = 331.3 + 0.606 T m/s, c0 that at the rig's temperature. Drivers of one type differ
///          by some 2 dB (common practice, no source): each way's level goes that much up and down by itself. The band
///          holds the sum as it is set, and at -10, 0, 10, 20, 30 and 40 degC with every way at -2, 0 and +2 dB.
#include "harness/proof/checks/checks.hpp"

namespace rackproof::proof {

inline constexpr double kLeastTemperature_degc = -10, kMostTemperature_degc = 40, kSensitivity_db = 2;

}  // namespace rackproof::proof
