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
inline constexpr std::size_t kMaxFeeds = 16, kMaxLoudspeakers = 64, kMaxOutputs = 64, kMaxWays = 8;
inline constexpr std::int16_t kMeanOfFeeds = -1, kMixOfFeeds = -2;

/// One incoming channel: gain, then sections, ahead of the split.
struct FeedSettings {
  float gain = 1.0f;
  std::span<const Section> sections;
};

/// One crossover point. `all_pass` is what the ways below it pass, so that they stay in phase with the two it parts.
struct PointSettings {
  std::span<const Section> low_pass, high_pass, all_pass;
};

/// What the ways of one box have in common. A pair that each feed drives is two of these; a box that takes the mean of
/// the feeds beside them is a third.
struct LoudspeakerSettings {
  std::int16_t source = 0;     ///< a feed, kMeanOfFeeds, or kMixOfFeeds
  std::span<const float> mix;  ///< a factor for each feed, where `source` is kMixOfFeeds; else empty
  float gain = 1.0f;           ///< then `sections`, ahead of the split
  std::span<const Section> sections;
  std::span<const PointSettings> points;  ///< from low to high; one fewer than there are ways; empty: no split
};

/// A delay of `whole_samples`, plus, where `fractional`, that of the FIR in `taps` (kFractionLatency and a fraction).
struct DelaySettings {
  std::uint32_t whole_samples = 0;
  bool fractional = false;
  std::array<float, kFractionTaps> taps{};
};

/// Holds the heat of a way, the mean square of what leaves it as slowly as a coil warms, at or below the square of
/// `threshold_rms` (1.0 = a square wave at digital full scale; a sine at full scale has 0.7071). `forget` is
/// 1 - exp(-kGridFrames / (time_s * sample_rate_hz)): the share of the mean square that a point of the grid replaces,
/// 1e-6 to 1/32.
struct PowerLimiterSettings {
  bool enabled = false;
  float threshold_rms = 1.0f;
  float forget = 1.0f;
};

/// Holds every sample at or below `ceiling`, for every input. Its latency is `look_ahead_samples` and that of the
/// detector. `release_keep` is exp(-1 / (release_s * sample_rate_hz)): the share of the reduction that a sample keeps.
struct PeakLimiterSettings {
  bool enabled = false;
  float ceiling = 1.0f;
  std::uint32_t look_ahead_samples = 0;
  std::uint32_t hold_samples = 0;
  float release_keep = 0.0f;
  bool true_peak = true;
};

/// One amplifier channel.
struct OutputSettings {
  std::uint8_t loudspeaker = 0;       ///< which one it belongs to
  std::uint8_t way = 0;               ///< which branch of that one's split, from the lowest
  std::span<const Section> sections;  ///< high-pass and eq of the way
  float gain = 1.0f;                  ///< with the polarity as its sign
  DelaySettings delay;                ///< with what keeps the ways in step (see `latency_samples`)
  PowerLimiterSettings power;
  PeakLimiterSettings peak;
  bool muted = false;  ///< begins so: exact zeros leave it; its limiters and meters go on (see Chain::mute)
};

struct ChainSettings {
  std::uint32_t sample_rate_hz = 48000;
  std::uint32_t latency_samples = 0;  ///< of the whole chain, the same for every output; for information
  std::span<const FeedSettings> feeds;
  std::span<const LoudspeakerSettings> loudspeakers;
  std::span<const OutputSettings> outputs;
};

}  // namespace rackproof::dsp
