#pragma once
/// All that the core needs to know about a rig, as plain numbers: no units, strings or libraries. The harness computes
/// it, `plan` prints it, `seal` seals it, and firmware carries it as constants. Nothing here owns memory.
#include <array>
#include <cstddef>
#include <cstdint>
#include <span>

#include "dsp/design/section.hpp"
namespace rackproof::dsp {

inline constexpr std::size_t kFractionTaps = 16;      ///< of the fractional delay
inline constexpr std::uint32_t kFractionLatency = 7;  ///< whole samples in those taps, ahead of the fraction
inline constexpr std::size_t kMaxFeeds = 16;          ///< of a chain
inline constexpr std::size_t kMaxLoudspeakers = 64;   ///< of a chain
inline constexpr std::size_t kMaxOutputs = 64;        ///< of a chain
inline constexpr std::size_t kMaxWays = 8;            ///< of a loudspeaker: one more than its points
inline constexpr std::int16_t kMeanOfFeeds = -1;      ///< as the source of a loudspeaker: the mean of all feeds
inline constexpr std::int16_t kMixOfFeeds = -2;  ///< likewise: the sum of all feeds, each times a factor of its own

/// One incoming channel: gain, then sections, ahead of the split.
struct FeedSettings {
  float gain = 1.0f;                  ///< a factor, at most kMostFactor in size
  std::span<const Section> sections;  ///< in their order
};

/// One crossover point. `all_pass` is what the ways below it pass, so that they stay in phase with the two it parts.
struct PointSettings {
  std::span<const Section> low_pass;   ///< of the way below it
  std::span<const Section> high_pass;  ///< of the ways above it
  std::span<const Section> all_pass;   ///< of the ways below, but for the next
};

/// What the ways of one box have in common. A pair that each feed drives is two of these; a box that takes the mean of
/// the feeds beside them is a third.
struct LoudspeakerSettings {
  std::int16_t source = 0;                ///< a feed, kMeanOfFeeds, or kMixOfFeeds
  std::span<const float> mix;             ///< a factor for each feed, where `source` is kMixOfFeeds; else empty
  float gain = 1.0f;                      ///< then `sections`, ahead of the split
  std::span<const Section> sections;      ///< in their order
  std::span<const PointSettings> points;  ///< from low to high; one fewer than there are ways; empty: no split
};

/// A delay of `whole_samples`, plus, where `fractional`, that of the FIR in `taps` (kFractionLatency and a fraction).
struct DelaySettings {
  std::uint32_t whole_samples = 0;          ///< at most DelayLine::kMaxWholeSamples
  bool fractional = false;                  ///< whether the taps are run
  std::array<float, kFractionTaps> taps{};  ///< of the FIR, from the latest sample back
};

/// Holds the heat of a way, the mean square of what leaves it as slowly as a coil warms, at or below the square of
/// `threshold_rms` (1.0 = a square wave at digital full scale; a sine at full scale has 0.7071). `forget` is
/// 1 - exp(-kGridFrames / (time_s * sample_rate_hz)): the share of the mean square that a point of the grid replaces,
/// 1e-6 to 1/32.
struct PowerLimiterSettings {
  bool enabled = false;        ///< the rest is read only where this is set
  float threshold_rms = 1.0f;  ///< 1e-6 to +36 dBFS
  float forget = 1.0f;         ///< a share, of a grid point
};

/// Holds every sample at or below `ceiling`, for every input. Its latency is `look_ahead_samples`, 3 samples more (gains
/// are decided for four frames at a time) and that of the detector. `release_keep` is the share of the reduction that a
/// sample keeps: exp(-1 / (release_s * sample_rate_hz)).
struct PeakLimiterSettings {
  bool enabled = false;                  ///< where it is not, see dsp/chain/limiter_latency.hpp
  float ceiling = 1.0f;                  ///< a peak: 1e-6 to 1, digital full scale
  std::uint32_t look_ahead_samples = 0;  ///< at most PeakLimiter::kMaxLookAheadSamples
  std::uint32_t hold_samples = 0;        ///< at most PeakLimiter::kMaxHoldSamples
  float release_keep = 0.0f;             ///< 0 to below 1
  bool true_peak = true;                 ///< holds the wave between the samples too
};

/// One amplifier channel.
struct OutputSettings {
  std::uint8_t loudspeaker = 0;       ///< which one it belongs to
  std::uint8_t way = 0;               ///< which branch of that one's split, from the lowest
  std::span<const Section> sections;  ///< high-pass and eq of the way
  float gain = 1.0f;                  ///< with the polarity as its sign
  DelaySettings delay;                ///< with what keeps the ways in step (see `latency_samples`)
  PowerLimiterSettings power;         ///< of the driver's coil
  PeakLimiterSettings peak;           ///< of the amplifier's clip
  bool muted = false;  ///< begins so: exact zeros leave it; its limiters and meters go on (see Chain::mute)
};

/// A whole rig. What it points to must live until `Chain::configure` has returned.
struct ChainSettings {
  std::uint32_t sample_rate_hz = 48000;  ///< kLeastRateHz to kMostRateHz
  /// Of the whole chain, the same for every output; for information, checked where it is not 0.
  std::uint32_t latency_samples = 0;
  std::span<const FeedSettings> feeds;                ///< 1 to kMaxFeeds
  std::span<const LoudspeakerSettings> loudspeakers;  ///< 1 to kMaxLoudspeakers
  std::span<const OutputSettings> outputs;            ///< 1 to kMaxOutputs, in the order of the rows of `process`
};

}  // namespace rackproof::dsp
