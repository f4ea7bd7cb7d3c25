#pragma once
/// From a rig (and tonight's venue) to volts, thresholds and the core's numbers.
/// Theorem  every output of one rig has the same latency, bypassed or not; no peak ceiling is above what the amplifier
///          passes (less `below_clip`), the driver takes, or the converter makes.
#include <array>
#include <deque>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "dsp/chain/chain_settings.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof {

/// What a run leaves out. `all` leaves nothing but the common latency; the others leave one layer out.
enum class Bypass { none, all, venue, system, limits };
enum class LimitedBy { amplifier, driver, converter };

struct Warning {
  std::string code;  ///< stable, for programs: `not-phase-matched`
  std::string text;  ///< for a person: what is the matter, what it may do, and what to change (key and value)
};

/// What one feed adds ahead of the mean, in a rig whose venue treats its feeds unalike; or ahead of a mix, with its
/// share of it.
struct FeedPath {
  std::string feed;
  double gain_db = 0;
  std::vector<dsp::Biquad> sections;
};

/// One amplifier channel, in the units of the person at the rack.
struct OutputPlan {
  std::string name, loudspeaker, way, feed;  ///< loudspeaker: empty in the plain form; feed: its name, "sum" or "mix"
  std::size_t part = 0, way_index = 0;       ///< which of Rig::parts(), and which of its ways
  int source = 0;                            ///< index into Rig::feeds, dsp::kMeanOfFeeds or dsp::kMixOfFeeds
  std::vector<double> mix;                   ///< of a mix: the factor of each of the rig's feeds
  bool muted = false;
  double load_ohm = 0;                      ///< of the channel (the whole bridge, if bridged)
  double rating_watts = 0, rating_ohm = 0;  ///< the rating that the load looked up, as written
  double amplifier_gain_db = 0;             ///< with bridging and with the attenuator as it counts
  double clip_volts_peak = 0, clip_dbfs_peak = 0;
  double limit_volts_peak = 0, limit_dbfs_peak = 0;
  LimitedBy limited_by = LimitedBy::amplifier;
  std::optional<double> thermal_volts_rms, thermal_dbfs_rms;
  double driver_share = 1;           ///< of the output's volts that each driver has: 1, or 1 / drivers in series
  double driver_peak_volts = 0;      ///< at the output; 0 where the driver gives no peak power
  double full_scale_volts_peak = 0;  ///< at the amplifier's output, were it not to clip
  double delay_s = 0, delay_samples = 0;
  double gain_db = 0;  ///< venue + system + way, all that is a plain factor
  int polarity = 1;
  std::vector<dsp::Biquad> sections;  ///< feed to limiter, as the core runs them
  /// Of a mean of unlike feeds, and of every mix: what is not in gain_db and sections; else empty.
  std::vector<FeedPath> feed_paths;
  double driver_continuous_volts = 0;  ///< RMS, at the output
  /// Of the loudest sine that the peak threshold passes, in the driver's band; nothing without its `sensitivity`.
  std::optional<double> level_at_1m_db;
  std::optional<double> level_at_1m_per_volt_db;  ///< the same for 1 V RMS at the output
  double attenuator_db = 0;                       ///< as it counts: 0 unless it is fixed
  double low_edge_hz = 0;                         ///< of the way's band, by its high-pass filters; 0: open
  double high_edge_hz = 0;                        ///< by the point above; 0: open

  bool takes_several() const { return source < 0; }
  bool hears(std::size_t feed_index) const {
    if (source == dsp::kMixOfFeeds) return mix[feed_index] != 0;
    return source == dsp::kMeanOfFeeds || static_cast<std::size_t>(source) == feed_index;
  }
};

/// The loudspeaker of `rig` that an output belongs to, as a rig of the plain form, and its way.
inline const rig::Rig& part_of(const rig::Rig& rig, const OutputPlan& plan) { return rig.parts()[plan.part]; }
inline const rig::Way& way_of(const rig::Rig& rig, const OutputPlan& plan) {
  return part_of(rig, plan).ways[plan.way_index];
}

/// ChainSettings with the memory that it points into. Movable: the settings' spans stay valid. A copy's would not.
struct CompiledRig {
  CompiledRig() = default;
  CompiledRig(CompiledRig&&) = default;
  CompiledRig& operator=(CompiledRig&&) = default;

  std::vector<OutputPlan> outputs;
  std::vector<Warning> warnings;
  /// The longest limiter; or what is added to it where a fractional delay is shorter than its filter's own.
  std::uint32_t latency_samples = 0;

  const dsp::ChainSettings& settings() const { return settings_; }

  // The arrays behind `settings_`; filled by `compile` alone.
  std::vector<std::vector<dsp::Section>> section_store_;
  std::vector<dsp::FeedSettings> feeds_;
  std::deque<std::vector<dsp::PointSettings>> point_store_;  // of each loudspeaker of the rig file
  std::deque<std::vector<float>> mix_store_;
  std::vector<dsp::LoudspeakerSettings> loudspeakers_;  // of each of these, one for every source that its ways take
  std::vector<dsp::OutputSettings> outputs_;
  dsp::ChainSettings settings_;
};

inline const char* name_of(LimitedBy by) {
  constexpr const char* kNames[] = {"amplifier", "driver", "converter"};
  return kNames[static_cast<std::size_t>(by)];
}

/// `venue` may be null. With a bypass, `plan` says what is still there; the latency stays what it is without. Throws
/// InputError (with file, line and key) where the numbers cannot be had: a delay or look-ahead beyond what the core
/// carries. One of several loudspeakers, compiled alone with the whole rig's latency as `least_latency_samples`, has the
/// outputs that it has in the whole rig, to the bit.
CompiledRig compile(const rig::Rig& rig, const rig::Venue* venue = nullptr, Bypass bypass = Bypass::none,
                    std::uint32_t least_latency_samples = 0);

}  // namespace rackproof
