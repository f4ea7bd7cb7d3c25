#pragma once
/// What the linear paths of a rig do, measured: every output's answer to one sample on all feeds at once, and its
/// spectrum at any frequency.
/// Claim    the sample is so low that no limiter acts (the device's own meters say so), and the answer is followed
///          until it has died away: nothing is folded or windowed, so a spectrum at 10 Hz is as good as one at 10 kHz.
#include <complex>
#include <span>
#include <string>
#include <vector>

#include "harness/proof/proof.hpp"
#include "harness/rig/hertz_text.hpp"

namespace rackproof::proof {

using Impulse = std::vector<double>;

/// One an output, for a sample of 1 on all feeds: a way that hears their mean hears it as the others do. All of one
/// length, from reset on, at most twenty seconds; what follows holds less than a part in 10^14 of the energy.
std::vector<Impulse> impulse_responses(Device& device, const CompiledRig& compiled);
/// The same of a variant of the subject's rig, made by the subject's own maker of devices, without limiters.
std::vector<Impulse> impulse_responses_of(const Subject& subject, const rig::Rig& variant);

/// sum of h[n] e^(-jwn), for every frequency.
std::vector<std::complex<double>> spectrum(std::span<const double> h, std::span<const double> frequency_hz,
                                           double sample_rate_hz);
/// sum of n h[n] e^(-jwn) = j dH/dw, in samples: the real part of this over H is the group delay.
std::vector<std::complex<double>> moments(std::span<const double> h, std::span<const double> frequency_hz,
                                          double sample_rate_hz);

/// The outputs of one loudspeaker that one feed reaches, one a way, from the lowest way to the highest.
struct Side {
  std::size_t part = 0;  ///< which of Rig::parts()
  std::string loudspeaker,
      feed;  ///< loudspeaker: empty in the plain form; feed: "sum" where no way has an output a feed
  std::vector<std::size_t> outputs;
};
/// Of every loudspeaker of the rig; a feed that does not reach all of its ways makes no side.
std::vector<Side> sides_of(const rig::Rig& rig, const CompiledRig& compiled);

/// What a variant of a rig leaves as the file has it, beside points, polarities and `phase_matched`.
struct Kept {
  bool highpass = false, delay = false;
};
/// The crossover by itself: what corrects drivers and boxes (gains, delays, eq, high-pass filters) taken out.
rig::Rig crossover_alone(const rig::Rig& rig, Kept kept = {});

/// `97 Hz`, `1.6 kHz`
using rig::hertz_text;

}  // namespace rackproof::proof
