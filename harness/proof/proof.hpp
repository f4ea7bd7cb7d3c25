#pragma once
/// What `prove` finds out about a rig, and how a check is written.
///
/// A check is a function from a `Subject` to findings, one per output or one for the whole rig. It runs what is really
/// run: a `Device` made from the rig's ChainSettings. Nothing is read from the settings that can be measured. In tests
/// the maker of devices plants a fault in them; every check has a fault that it must find.
#include <complex>
#include <cstdint>
#include <filesystem>
#include <functional>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "dsp/chain/chain.hpp"
#include "harness/analysis/held.hpp"
#include "harness/calibration/compile.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof::proof {

/// A chain as a check sees it; one row for each feed and output of its settings, 1.0 = digital full scale.
/// `process` takes any number of frames, and any values, also such as are not finite; an output may be the same row as
/// a feed, and but for that no two rows overlap. `take_meter` is of the frames since its last call or `reset`, for an
/// output that is there. `reset` brings back the state just after it was made.
class Device {
 public:
  virtual ~Device() = default;
  virtual void reset() = 0;
  virtual void process(std::span<const float* const> feeds, std::span<float* const> outputs, std::size_t frames) = 0;
  virtual dsp::Meter take_meter(std::size_t output) = 0;
};
using DeviceMaker = std::function<std::unique_ptr<Device>(const dsp::ChainSettings&)>;
/// The real one: dsp::Chain with memory of its own.
std::unique_ptr<Device> make_chain(const dsp::ChainSettings& settings);

/// What several checks read of the same subject; see measured_once.hpp.
struct MeasuredOnce;
std::shared_ptr<MeasuredOnce> nothing_measured();

struct Subject {
  const rig::Rig& rig;
  const rig::Venue* venue = nullptr;  ///< or null
  const CompiledRig& compiled;        ///< as it runs
  const CompiledRig& unlimited;       ///< the same with Bypass::limits: the linear path
  DeviceMaker make = make_chain;
  std::vector<std::filesystem::path> programmes = {};  ///< recordings that are judged beside the built-in signals
  bool resample = false;                               ///< recordings at another sample rate are converted
  bool brief = false;                                  ///< short signals; see ProveOptions
  std::shared_ptr<MeasuredOnce> once = nothing_measured();
};

/// A line of the rig file as it would be right; or, without a value, one that should go.
struct Change {
  std::string key, value;  ///< `way.low.limit.release` and `"40 ms"`, as they would stand in the file
  friend bool operator==(const Change&, const Change&) = default;
};

/// One line of the verdict. `measured` and `allowed` are in `unit`, and finite. What holds is measured at `allowed` or
/// below; the id `load` at `allowed` or above; the ids `latency`, `delay` and `polarity` at `allowed`, the value that
/// is set, within what the check can tell. A finding can fall all the same for a reason that the text gives.
struct Finding {
  std::string id;
  std::optional<std::string> output;  ///< nothing: the whole rig
  bool holds = false;
  double measured = 0, allowed = 0;
  std::string unit;
  std::optional<std::string> accepted;  ///< the reason, where `[accept]` takes a fallen check knowingly
  std::string text;                   ///< what was found, what it means, and, where it fell, what to change: key, value
  std::optional<Change> change = {};  ///< where it fell and one line of the file mends it
  bool judged = true;                 ///< false: it holds because it cannot judge; the text says why
  std::string loudspeaker = {};       ///< whose it is, in a rig of several; else empty
  std::string left_open = {};         ///< where it judged a part alone: which keys would let it judge the rest
  double within = 0;                  ///< how far from `allowed`, up or down, it may be and still holds
};

/// Every id, in the order in which they are reported; `protects`: never accepted.
struct CheckId {
  const char* id;
  bool protects;
};
std::span<const CheckId> check_ids();

/// One change and what falls for want of it: one missing limit falls in many checks.
struct Cure {
  Change change;
  std::vector<const Finding*> mends;
};
/// What fell and is not accepted, by the line that mends it; in the order of the findings, whose life they share. Of
/// values that differ in number the one that asks the most counts. Findings with no such line are in none.
std::vector<Cure> cures_of(const std::vector<Finding>& findings);

// ---- what the report draws ------------------------------------------------------------------------------------------

struct ResponseCurve {
  std::string name;  ///< a way, or "sum"
  std::vector<double> magnitude_db, phase_deg, group_delay_ms;
};
struct Responses {
  std::string loudspeaker;  ///< empty in the plain form
  std::vector<double> frequency_hz;
  std::vector<ResponseCurve> curves;  ///< as the controller drives the ways, common latency taken out
  std::vector<double> crossover_at_hz;
  bool acoustic = false;                          ///< the ways' own measured responses are in
  std::vector<double> sum_least_db, sum_most_db;  ///< over -10 to +40 degC and drivers +-2 dB: the sum's band
};
/// What a rung stands for, from the most volts to the least where a rig is as it should be: the order of every ladder,
/// whichever way its volts lie.
enum class RungKind { converter_full_scale, amplifier_clip, driver_peak, limit, driver_continuous, power_limit };
inline constexpr std::size_t kRungKinds = 6;
const char* name_of(RungKind kind);
/// A continuous rating and what holds to it are RMS; all other rungs are peaks.
constexpr bool is_rms(RungKind kind) { return kind >= RungKind::driver_continuous; }
struct Rung {
  RungKind kind = RungKind::limit;
  double volts = 0;  ///< RMS or peak, as `is_rms` says
  /// Where it stands on a ladder of peak volts: what is RMS at the peak of a sine of that RMS.
  double volts_peak() const;
};
struct Ladder {
  std::string output;
  std::vector<Rung> rungs;  ///< in the order of their kinds; what a rig does not have is left out
};
struct Track {  ///< one output over a recording, reduced to buckets
  std::string output;
  std::vector<double> least, greatest;              ///< of the output's samples, volts
  std::vector<double> peak_gain_db, power_gain_db;  ///< least of each bucket
  double coil_rise_kelvin = 0, level_lost_db = 0;   ///< an estimate, for information
  double peak_volts = 0, rms_volts = 0;             ///< of the wave that the converter makes; over the whole recording
  double mean_watts = 0, limited_fraction = 0;
  analysis::Held peak_held = {}, power_held = {}, held = {};  ///< by each limiter, and by both together
};
/// What follows from what the limiters hold.
struct Advice {
  std::string code;  ///< stable, for programs: `feed-down`
  std::vector<std::string> outputs;
  std::optional<double> decibels;  ///< how much, where it can be told
  std::string text;                ///< for a person
};
struct Recording {
  std::filesystem::path file;
  double seconds = 0, bucket_seconds = 0;
  std::vector<Track> tracks;
  std::vector<Advice> advice = {};
};
/// What the files say that all of it was computed from, as rows of text for a person who compares it with the rack.
struct BasisTable {
  std::string title;
  std::vector<std::string> heads;
  std::vector<std::vector<std::string>> rows;  ///< as many cells as there are heads; `\n` parts what stands in one cell
};
struct Timing {
  std::string output;
  double latency_ms = 0, delay_ms = 0;  ///< as measured
  int polarity = 1;
};

struct Proof {
  std::string title;
  bool holds = false;  ///< every check that is not accepted holds
  std::vector<Finding> findings;
  std::vector<Responses> responses;  ///< one a loudspeaker
  std::vector<Ladder> ladders;
  std::vector<Recording> recordings;
  std::vector<Timing> timings;
  std::vector<BasisTable> basis;
};

struct ProveOptions {
  std::vector<std::filesystem::path> programmes = {};
  bool resample = false;  ///< without it, a programme at another sample rate than the controller's is an error
  DeviceMaker make = make_chain;
  std::function<void(double)> progress =
      {};  ///< share done, 0 .. 1; called from either thread, never from both at once
  /// Short signals and few of them, for tests that prove many rigs: what holds in full holds here, but a fault may be
  /// missed. Never for a rig that plays.
  bool brief = false;
};
/// What a person should know of `[accept]`: entries that take no fall today would hide one tomorrow (`accept-unused`), and
/// of several loudspeakers an entry for all of them takes a fall of any (`accept-for-all`).
std::vector<Warning> acceptance_warnings(const rig::Rig& rig, const Proof& proof);
/// Of recordings that show little, however well the rig holds (`recording-idle`): 40 dB below every threshold, or shorter
/// than a second.
std::vector<Warning> recording_warnings(const Proof& proof);

/// Runs every check on two threads. Throws InputError for a programme that cannot be used.
Proof prove(const rig::Rig& rig, const rig::Venue* venue, const ProveOptions& options);

}  // namespace rackproof::proof
