#pragma once
/// Why settings are refused, as numbers: which part of them, which one of its kind, which field. What to say to a
/// person is the caller's business.
#include <cstdint>

#include "dsp/grid.hpp"
namespace rackproof::dsp {

/// What `Chain::configure` takes.
inline constexpr std::uint32_t kLeastRateHz = 8'000;
inline constexpr std::uint32_t kMostRateHz = 768'000;  ///< likewise
inline constexpr float kMostFactor = 1000.0f;          ///< +60 dB, of a gain, a factor of a mix, or a section's mix
inline constexpr float kMostCeiling = 1.0f;            ///< digital full scale: above it the converter clips

/// Of what a number is.
enum class Part : std::uint8_t { none, chain, feed, loudspeaker, output };
/// Which number of it, and what is right.
enum class Field : std::uint8_t {
  none,
  level,        ///< of the machine: not built in, or this processor has not got it
  memory,       ///< too little was lent
  sample_rate,  ///< kLeastRateHz to kMostRateHz
  latency,      ///< the output's limiter is later than `latency_samples`, or its whole path is earlier
  feeds,        ///< how many there are: 1 to kMaxFeeds
  loudspeakers,
  outputs,
  gain,             ///< of a feed, a loudspeaker or an output: a magnitude of at most kMostFactor
  section,          ///< of the same; `element`: which. Not stable, a mix too large, or too many of them
  source,           ///< of a loudspeaker: a feed that is not there
  mix,              ///< `element`: which factor; or not one factor for each feed
  points,           ///< how many there are
  low_pass,         ///< `element`: at which point; as `section`
  high_pass,        ///< likewise
  all_pass,         ///< likewise
  loudspeaker,      ///< of an output: one that is not there
  way,              ///< of an output: one that is not there
  delay,            ///< whole samples: too many
  tap,              ///< `element`: which
  look_ahead,       ///< of the peak limiter: too many samples
  hold,             ///< likewise
  ceiling,          ///< at most kMostCeiling
  release,          ///< `release_keep`: 0 to below 1
  power_threshold,  ///< of the power limiter: `threshold_rms`
  thermal_time      ///< of the power limiter: `forget`
};

/// What `Chain::refusal` says.
struct Refusal {
  Setup setup = Setup::ok;    ///< what `configure` would say
  Part part = Part::none;     ///< of what the number is
  std::uint8_t index = 0;     ///< which feed, loudspeaker or output, from 0
  Field field = Field::none;  ///< which number
  std::uint8_t element = 0;   ///< which section, factor, point or tap, from 0
  /// All members alike.
  friend constexpr bool operator==(const Refusal&, const Refusal&) = default;
};

}  // namespace rackproof::dsp
