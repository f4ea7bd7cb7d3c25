#pragma once
/// What to do about what the limiters hold.
/// Method   a limiter that takes a little now and then is at its work. Where both limiters of an output together hold
///          more than kBusyDb for more than 5 % of the time (common practice, no source), there is more level than the
///          output may have, and that is what is told: by how much the feed is too hot; what of it a larger amplifier
///          would pass, as far as the driver takes it; whether the ways of the loudspeaker are held so unlike one another
///          that its sound changes with its level.
#include <span>

#include "harness/proof/proof.hpp"

namespace rackproof::proof {

inline constexpr double kBusyDb = 1;
inline constexpr double kUnlikeDb = 3;  ///< means of two ways further apart than this change what is heard

/// Of one output over a recording.
struct Holding {
  analysis::Held peak, power, together;
  double rms_volts = 0;
};
/// `holdings` in the order of the outputs. The codes, each at most once a way, `feed-down` once:
///   feed-down         `decibels` less at the feed leave the limiters at rest for 95 % of the time
///   larger-amplifier  the amplifier's clip sets the peak limit, and the driver takes `decibels` more
///   more-gain         the converter's full scale sets the peak limit, and the amplifier could make `decibels` more
///   stronger-drivers  the driver itself sets the limit that holds: a larger amplifier gains nothing
///   limits-agree      one way is held `decibels` more than another of the same loudspeaker
std::vector<Advice> advice_of(const rig::Rig& rig, const CompiledRig& compiled, std::span<const Holding> holdings);

}  // namespace rackproof::proof
