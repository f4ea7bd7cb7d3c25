#pragma once
/// What heats a coil behind an output's limiters when they stand alone: steps, bursts and noise above the threshold, from
/// cold and from just below it; and what of a signal below the threshold they change.
#include <cstddef>
#include <span>

#include "harness/proof/proof.hpp"
#include "harness/proof/stimulation.hpp"

namespace rackproof::proof {

/// The most that one part of the stimulus takes, and a burst of it; the loudest step takes what it needs to heat the coil.
inline constexpr double kMostSeconds = 20, kMostBurst_s = 4;

/// The most that any of it heats: as a share of the threshold's square, and in kelvin above the air.
struct Heated {
  double share = 0, kelvin = 0;
  double seconds = 0;  ///< of all that was played
};
/// `noise` is what `hostile_noise` gives. The output has a power limiter.
Heated heated_by_hostile_power(const Subject& subject, std::size_t o, std::span<const float> noise);
/// Eight seconds of pink noise, over and over, serve all outputs.
Row hostile_noise(const Subject& subject);

/// Samples that the power limiter changes of a burst that heats the coil to 0.85 of the threshold's square and of a
/// lasting sine 0.35 dB below it that follows.
std::size_t touched_below(const Subject& subject, std::size_t o);

}  // namespace rackproof::proof
