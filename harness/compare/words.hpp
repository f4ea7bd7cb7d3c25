#pragma once
/// What the verb and the page say in the same words and figures.
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "harness/compare/comparison.hpp"

namespace rackproof::compare {

/// `+3.00 dB`, `0 dB`; `silent in b` where only a plays, `nothing plays` where neither does.
std::string apart_text(const std::optional<Apart>& apart);
/// `1 kHz`, `everywhere`, or nothing where they are the same or one is silent.
std::string place_text(const std::optional<Apart>& apart);
/// Of two levels or voltages, b against a in dB; nothing where either is missing.
std::optional<double> decibels_between(std::optional<double> a, std::optional<double> b);

/// How the responses were judged, in sentences.
extern const char* const kHowJudged;
/// What the low tone is.
extern const char* const kLowTone;
/// What to think of times.
extern const char* const kCostOnce;
/// What is told of a recording, in the order of the columns.
struct PlayingColumn {
  const char* head;
  double (*figure)(const Playing&);
  int decimals;
  const char* unit;  ///< behind the figure, with its blank
};
std::span<const PlayingColumn> playing_columns();

/// Figures of one side of an output, as the tables have them. `candidate` null: it has no such output.
struct Levels {
  std::optional<double> clip_volts_peak, limit_volts_peak, limit_dbfs_peak, thermal_volts_rms, thermal_dbfs_rms;
  std::optional<double> level_at_1m_db, delay_ms, gain_db, distortion_db;
  std::string limited_by;  ///< empty where the output is not there
};
Levels levels_of(const Candidate& candidate, const std::optional<Figures>& figures);

/// The one feed's or the mono rig's sum: `sum of left`, `sum`; of one of several loudspeakers `main, sum of left`.
std::string name_of(const Sum& sum);
/// With where it is muted: `fill.box (muted in b)`.
std::string name_of(const Candidate& a, const Candidate& b, const Output& output);

}  // namespace rackproof::compare
