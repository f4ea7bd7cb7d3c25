#pragma once
/// Delays and polarities that put ways in phase where they meet.
/// Method   at each point the ways' whole responses (arrival put back) over an octave around it: of all relative
///          delays, with the upper way as it is or inverted, the one that makes  sum w cos(phase difference)  the
///          greatest, w the product of both levels and coherences. An octave tells a delay from one that is a period
///          off. Both polarities within 3 % of each other: the one that stands stays.
/// Claim    ways that an exact crossover parts, each with any delay and polarity of its own, come back to a sum that
///          loses nothing.
#include <cstdint>
#include <string>
#include <vector>

#include "harness/tune/measurement.hpp"

namespace rackproof::tune {

/// Ways of one box are not 3.4 m apart.
inline constexpr double kFar_ms = 10;

struct MeasuredWay {
  std::string name;
  Measurement measured;  ///< as the rig now drives it
  double delay_s = 0;    ///< that the rig now holds
  int polarity = 1;
  /// To where it was measured first, then to other places, in metres; may be empty. Same count for all ways.
  std::vector<double> distance_m;
};
/// What drove each way when it was measured, and what is to be said of that.
struct Start {
  std::vector<DrivenWay> driven;
  std::vector<Warning> warnings;
};
/// Brings `ways` to what drove them: as their measurements say (delay and polarity from there, the level by the gain that
/// was turned since), or, where they say nothing, as the rig stands, with the warning `rig-unknown`. `now`: of the rig.
/// Throws InputError where the filters are no longer the rig's, and where a file does not show its way (shown_way.hpp).
Start start_from(const Drive& now, const std::vector<double>& points_hz, std::vector<MeasuredWay>& ways);

struct AlignedWay {
  std::string name;
  double arrival_ms = 0;
  double delay_s = 0;  ///< to be held; the least of all is 0
  int polarity = 1;
};
struct AlignedPoint {
  double at_hz = 0;
  double sum_loss_db = 0;         ///< 0 or more: both ways in phase over their sum, the worst within the octave
  double sum_loss_before_db = 0;  ///< as the rig stands
  double agreement = 0;           ///< 1: in phase all over the octave; of the other polarity at its best:
  double agreement_other = 0;
  std::vector<double> loss_at_places_db;        ///< of the distances after the first
  std::vector<double> loss_at_temperatures_db;  ///< at the first place, as many as were asked for
};
struct Alignment {
  std::vector<AlignedWay> ways;
  std::vector<AlignedPoint> points;
  double common_delay_s = 0;  ///< that all ways held before, and hold no longer
  std::vector<Warning> warnings;
};
struct AlignOptions {
  double most_delay_s = 0.05;  ///< relative, either way
  double temperature_degc = 20;
  bool far = false;                       ///< arrivals further apart than kFar_ms are meant
  std::vector<double> temperatures_degc;  ///< to tell the spread for; needs distances
};

/// Whether one clock ties the ways together: either a reference channel recorded beside every capture, or one recording
/// of all of them. Else their arrivals hang on when each recording was started.
bool share_a_clock(const std::vector<MeasuredWay>& ways);

/// Ways from low to high; `points_hz` one fewer. Throws InputError where a measurement has no phase, does not reach
/// around its point, or is too incoherent there; where ways arrive further apart than kFar_ms and that is not meant.
Alignment align(const std::vector<MeasuredWay>& ways, const std::vector<double>& points_hz,
                const AlignOptions& options = {});

}  // namespace rackproof::tune
