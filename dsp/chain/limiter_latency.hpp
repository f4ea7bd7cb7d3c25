#pragma once
/// How late an output's limiters make it.
/// Claim    An output whose limiters are both off, and that asks for no look-ahead and no detector, has none: it is not
///          delayed. Every other has the latency of its peak limiter, also where that is off or where only the power
///          limiter is on (which works through a peak limiter). What sets delays so that all outputs are equally late,
///          what refuses settings and what builds the chain all ask here.
#include <cstdint>

#include "dsp/blocks/peak_limiter.hpp"
#include "dsp/chain/chain_settings.hpp"
namespace rackproof::dsp::inline RACKPROOF_LEVEL {

/// The lengths that the core runs a peak limiter with.
constexpr LimiterShape limiter_shape(const PeakLimiterSettings& peak) noexcept {
  return {peak.look_ahead_samples, peak.hold_samples, peak.true_peak};
}
/// Whether samples go through limiters, enabled or not.
constexpr bool has_limiters(const OutputSettings& output) noexcept {
  return output.peak.enabled || output.power.enabled || output.peak.look_ahead_samples > 0 || output.peak.true_peak;
}
/// Samples, the output's own delay not counted.
constexpr std::uint32_t limiter_latency(const OutputSettings& output) noexcept {
  return has_limiters(output) ? PeakLimiter<1>::latency_samples(limiter_shape(output.peak)) : 0;
}

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
