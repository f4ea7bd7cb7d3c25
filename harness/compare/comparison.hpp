#pragma once
/// Two candidates side by side: what they do unlike one another, in figures.
/// Claim    a rig beside itself differs in nothing: every difference is 0 exactly. Responses are measured on the chain
///          that runs, limiters and mutes left out, all feeds driven alike, the venue included; each greatest
///          difference is looked for at 96 frequencies an octave and at every frequency that either file names, and
///          then between these.
/// Judged   from 20 Hz to 20 kHz, where either of the two is within 60 dB of its own loudest: what lies lower is heard
///          beside nothing. A level counts as no lower than 100 dB below its loudest, so that a notch is a number.
///          Apart from that the same where either is within 12 dB of its loudest: there the output is at work.
#include <filesystem>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "harness/analysis/held.hpp"
#include "harness/calibration/compile.hpp"
#include "harness/firmware/cost.hpp"
#include "harness/rig/rig.hpp"
#include "harness/seal/drift.hpp"

namespace rackproof::compare {

inline constexpr double kFrom_hz = 20, kTo_hz = 20e3;
inline constexpr double kJudged_db = 60, kAtWork_db = 12, kDeepest_db = 100;
/// The low tone is driven this far over the threshold of the peak limiter.
inline constexpr double kToneOver_db = 6;
/// At which level at the input, against digital full scale, what a listener hears is given, limiters left out.
inline constexpr double kHeardAt_dbfs = -30;

struct Candidate {
  Candidate(rig::Rig rig, std::optional<rig::Venue> venue);
  rig::Rig rig;
  std::optional<rig::Venue> venue;
  CompiledRig compiled, unlimited;  ///< as it runs; with neither limiters nor mutes
};

/// Where two responses are the furthest apart.
struct Apart {
  double db = 0;            ///< b less a
  double at_hz = 0;         ///< 0 where they are the same
  bool everywhere = false;  ///< within 0.02 dB the same wherever it is judged
};

/// What a recording makes of one output.
struct Playing {
  analysis::Held peak_held, power_held;
  double rms_volts = 0, peak_volts = 0;
};
/// One rig's figures of one output.
struct Figures {
  std::size_t index = 0;                ///< into CompiledRig::outputs
  std::vector<double> response_db;      ///< at Comparison::frequency_hz
  std::optional<double> distortion_db;  ///< of the low tone; nothing without a peak limiter
  /// Over all recordings: means over all of their time; what is held for 95 % of it as in the recording that holds most.
  std::optional<Playing> playing;
};
template <class Value>
struct Both {
  Value a, b;
};
struct Output {
  std::string name;
  std::optional<Figures> a, b;  ///< nothing: only the other rig has it
  std::optional<Apart> response, at_work;
  double tone_hz = 0;  ///< of the distortion: the higher of the two low edges, so that both play it
};
/// The ways of one loudspeaker together, for one feed; those that are muted left out.
struct Sum {
  std::string loudspeaker, feed;                  ///< loudspeaker: empty in the plain form
  std::optional<std::vector<double>> a_db, b_db;  ///< as the controller makes them
  std::optional<Apart> response;
  std::optional<std::vector<double>> a_heard_db, b_heard_db;  ///< at 1 m, dB SPL or as measured
  std::optional<Apart> heard;
  bool heard_in_pascals = false;  ///< of both; else both as measured
  std::string not_heard;          ///< why it is not given as heard; empty where it is
};
struct Programme {
  std::filesystem::path file;
  double seconds = 0;
  std::vector<std::string> outputs;                   ///< names, in the order of Comparison::outputs
  std::vector<Both<std::optional<Playing>>> playing;  ///< by output
};
struct Cost {
  firmware::HostCost here;
  double realtime_share = 0;  ///< of one core, on the mean block: a frame's time times the sample rate
  std::optional<firmware::PartCost> on_part;
  double share_of_clock = 0;  ///< of the part's common clock at one instruction a cycle, in the dearest block
};

struct Comparison {
  std::vector<seal::Move> moved;
  std::vector<double> frequency_hz;
  std::vector<Output> outputs;
  std::vector<Sum> sums;
  std::vector<Programme> programmes;
  Both<Cost> cost;
  Both<std::vector<Warning>> warnings;  ///< of `plan`: those that the other has not
  bool same() const { return moved.empty(); }
  /// Why some sums are not given as heard, each reason once, as sentences; empty where all are.
  std::string not_heard() const;
};

struct Settings {
  std::vector<std::filesystem::path> programmes;
  bool resample = false;
  const firmware::Part* part = nullptr;
  std::function<void(double share)> progress = {};
  bool with_cost = true;
};
/// Throws InputError for a recording that cannot be used, MachineError.
Comparison comparison_of(const Candidate& a, const Candidate& b, const Settings& settings);

}  // namespace rackproof::compare
