#pragma once
/// What a rig file and a venue file say, checked, in SI units and decibels; not yet any volts, thresholds or filters.
/// `load_rig` and `load_venue` are the only makers. A `Source` on what can be wrong later on keeps the way back to the
/// person's file, line and key.
#include <array>
#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <map>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "harness/errors.hpp"

namespace rackproof {

namespace rig {

/// Where a value stands.
struct Source {
  std::filesystem::path file;
  std::uint32_t line = 0, column = 0;
  std::string key;  ///< dotted, as the person would look for it: `way.sub.limit.release`
};
/// "FILE:LINE:COLUMN: KEY: read READ; RIGHT" as one line.
[[noreturn]] void refuse(const Source& at, const std::string& read, const std::string& right);

enum class EqType { lowpass, highpass, bandpass, notch, allpass, peaking, lowshelf, highshelf };
/// As a rig file has them, in their order.
inline constexpr std::array kEqTypeWords{"lowpass", "highpass", "bandpass", "notch",
                                         "allpass", "peaking",  "lowshelf", "highshelf"};
static_assert(kEqTypeWords.size() == static_cast<std::size_t>(EqType::highshelf) + 1);
constexpr const char* word_of(EqType type) { return kEqTypeWords[static_cast<std::size_t>(type)]; }
/// Whether a band of this type raises or lowers by a gain.
constexpr bool has_gain(EqType type) {
  return type == EqType::peaking || type == EqType::lowshelf || type == EqType::highshelf;
}
enum class EqWidth { q, bandwidth_oct, shelf_slope };
struct EqBand {
  EqType type = EqType::peaking;
  double at_hz = 1000;
  double gain_db = 0;  ///< peaking and shelves only
  EqWidth width = EqWidth::q;
  double width_value = 0.70710678118654752;
  Source source;
};

enum class Alignment { linkwitz_riley, butterworth, bessel };
/// As a rig file has them, in their order.
inline constexpr std::array kAlignmentWords{"linkwitz-riley", "butterworth", "bessel"};
static_assert(kAlignmentWords.size() == static_cast<std::size_t>(Alignment::bessel) + 1);
constexpr const char* word_of(Alignment alignment) { return kAlignmentWords[static_cast<std::size_t>(alignment)]; }
struct Filter {
  double at_hz = 100;
  Alignment alignment = Alignment::linkwitz_riley;
  int slope_db_per_oct = 24;
  Source source;
};
/// The low side is the low-pass of the way below, the high side the high-pass of the way above.
struct Point {
  Filter low, high;
  Source source;
};

struct Controller {
  std::uint32_t sample_rate_hz = 48000;
  std::uint32_t block_frames = 64;
  std::optional<double> input_full_scale_volts_rms;
  double output_full_scale_volts_rms = 0;
  double temperature_degc = 20;
};
struct Rating {
  double power_watts = 0, load_ohm = 0;
};
/// What an amplifier's ratings, gain and sensitivity stand for where two of its sides are bridged to one. Not said is a
/// state of its own: it counts as per side, and is warned of.
enum class Rated { unsaid, per_side, bridged };
struct Amplifier {
  std::string name;
  std::vector<Rating> ratings;    ///< as written: the first one is what a sensitivity refers to
  std::optional<double> gain_db;  ///< exactly one of these two
  std::optional<double> sensitivity_volts_rms;
  double attenuator_db = 0;
  bool attenuator_fixed = false;
  bool bridged = false;
  Rated rated = Rated::unsaid;  ///< `bridged` only with `bridged = true`
  Source source;

  /// The figures are those of one side, and two drive the load: twice the volts, half the load each.
  bool doubled() const { return bridged && rated != Rated::bridged; }
};
struct Driver {
  std::string name;
  double impedance_ohm = 8;
  double continuous_power_watts = 0;
  std::optional<double> peak_power_watts;
  double thermal_time_s = 2;
  std::optional<double> lowest_hz, highest_hz;  ///< the band that it may be used in
  std::optional<double> sensitivity_db;         ///< level at 1 m for 1 W into its nominal impedance
  Source source;
};
struct Feed {
  std::string name;
  std::uint32_t channel = 1;  ///< of the input file, from 1
  Source source;
};
struct Limit {
  double below_clip_db = 0;
  double look_ahead_s = 2e-3, hold_s = 0, release_s = 100e-3;
  bool true_peak = true;
  Source source;
};
struct Thermal {
  double below_rating_db = 0;
  Source source;
};
/// What one output of a way has of its own, on top of its way's.
struct OutputLayer {
  double gain_db = 0;
  bool inverted = false;  ///< turned over once more: an inverted output of an inverted way is normal
  double delay_s = 0;
  std::optional<double> delay_distance_m;
  std::vector<EqBand> eq;
  bool muted = false;
  Source source;
};
/// A feed's share of a mix.
struct MixedFeed {
  std::size_t feed = 0;  ///< index into Rig::feeds
  double gain_db = 0;
};
struct Way {
  std::string name;
  bool sum_of_feeds = false;      ///< one output, of the mean of all feeds
  std::vector<MixedFeed> mix;     ///< where any: one output, of these feeds as they add up
  std::vector<std::size_t> only;  ///< where any: an output for each of these feeds (indices into Rig::feeds)
  bool muted = false;             ///< all its outputs
  std::map<std::string, OutputLayer> output;  ///< by feed, of a way with an output for each
  std::string amplifier, driver;
  std::uint32_t drivers = 1;
  bool in_series = false;         ///< each driver has its share of the volts; else parallel, and each has them all
  std::optional<double> depth_m;  ///< how far its acoustic centre lies behind the front of the box
  double gain_db = 0;
  bool inverted = false;
  double delay_s = 0;                      ///< a distance is already a time, at the controller's temperature
  std::optional<double> delay_distance_m;  ///< as written, if it was a distance
  std::optional<Filter> highpass;
  std::vector<EqBand> eq;
  std::optional<Limit> limit;
  std::optional<Thermal> thermal;
  std::optional<std::filesystem::path> response;  ///< beside the rig file unless absolute
  Source response_source;                         ///< where it is named
  Source source;

  bool has_one_output() const { return sum_of_feeds || !mix.empty(); }
  std::size_t outputs(std::size_t feeds) const { return has_one_output() ? 1 : only.empty() ? feeds : only.size(); }
};
struct Accepted {
  std::string check, reason;
};
/// What `live` connects: a feed or an output (WAY.FEED) of this rig, and the port of another client.
struct LiveConnection {
  std::string name, port;
  Source source;
};
struct Live {
  std::vector<LiveConnection> connections;
};

/// A rig of the plain form is one loudspeaker without a name. A rig of several has them in `loudspeakers`, each as a
/// rig of the plain form with a name; of what follows `drivers`, the rig itself has nothing then.
struct Rig {
  std::filesystem::path file;
  std::string title;
  Controller controller;
  std::vector<Feed> feeds;  ///< in the file's order
  std::vector<Amplifier> amplifiers;
  std::vector<Driver> drivers;
  double system_gain_db = 0;
  std::vector<EqBand> system_eq;
  std::vector<Point> points;
  bool phase_matched = true;
  std::vector<Way> ways;
  std::vector<Accepted> accept;  ///< of several loudspeakers: by the rig for all of them, by one for itself
  Live live;

  std::string loudspeaker;                 ///< of a rig that is one of several: its name
  double delay_s = 0;                      ///< of that whole loudspeaker, on top of its ways'
  std::optional<double> delay_distance_m;  ///< as written, if it was a distance
  bool muted = false;
  Source source;  ///< of that loudspeaker
  /// Empty in the plain form. Each has the whole rig's controller and feeds, and of amplifiers and drivers those that
  /// it uses.
  std::vector<Rig> loudspeakers;

  /// The loudspeakers; of the plain form the rig itself.
  std::span<const Rig> parts() const {
    return loudspeakers.empty() ? std::span<const Rig>(this, 1) : std::span<const Rig>(loudspeakers);
  }
  const Amplifier& amplifier_of(const Way& way) const;  ///< load_rig has checked that it is there
  const Driver& driver_of(const Way& way) const;
};

struct FeedLayer {
  double gain_db = 0;
  std::vector<EqBand> eq;
};
struct LoudspeakerLayer : FeedLayer {
  double delay_s = 0;  ///< on top of the rig's
  bool muted = false;  ///< muted if either says so
  Source source;
};
struct Venue {
  std::filesystem::path file;
  std::string title;
  FeedLayer all;
  std::map<std::string, FeedLayer> feed;                ///< by the rig's name of the feed
  std::map<std::string, LoudspeakerLayer> loudspeaker;  ///< by the rig's name of the loudspeaker
};

/// Metres a second in air: common practice, the linear rule.
inline double speed_of_sound(double temperature_degc) { return 331.3 + 0.606 * temperature_degc; }

/// Reads and checks a rig file. Throws InputError for what the person can mend, MachineError for an unreadable file.
Rig load_rig(const std::filesystem::path& file);
/// The same from text; `file` is only named in errors.
Rig parse_rig(const std::string& text, const std::filesystem::path& file);
/// A venue belongs to a rig: a feed that the rig does not have, or an eq beyond its Nyquist frequency, is an error.
Venue load_venue(const std::filesystem::path& file, const Rig& rig);
Venue parse_venue(const std::string& text, const std::filesystem::path& file, const Rig& rig);
/// Refuses, as `parse_venue` does, what no rig at this rate takes as a venue; feeds and loudspeakers may have any name.
void must_be_venue(const std::string& text, const std::filesystem::path& file, double sample_rate_hz);

}  // namespace rig
}  // namespace rackproof
