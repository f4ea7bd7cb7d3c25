#pragma once
/// From measurements at several places to equaliser sections that hold at places where nothing was measured.
/// Claim    what cannot or must not be mended by an equaliser is left alone, and said: where noise or echoes outweigh
///          the signal (coherence), where waves cancel (no boost fills that; a step aside it is elsewhere), and where
///          the loudspeaker falls off (boost there is heat and excursion, not sound).
/// Claim    no frequency is boosted by more than 6 dB, nor lifted by more than that over most of the band, beyond what the
///          target asks for, by cutting all else: turned up again to the level of before, it would be a boost.
/// Claim    below the corner all sections together boost by kBelowCornerBoostDb at most, and none stands there. The
///          corner is the rig's own, where the rig is given (the high-pass of its lowest way, or the lowest frequency
///          that its driver may be used at), or where the measured response, third-octave smoothed, has fallen 10 dB
///          below its level for good, whichever is higher.
/// Method   each place at the same level, averaged by power under its coherence (a vector average would cancel with the
///          phase that a position adds); third-octave smoothing; `fit` within what is left. What this is worth is
///          judged on places that the fit has not seen.
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "harness/rig/rig.hpp"
#include "harness/tune/fit.hpp"
#include "harness/tune/measurement.hpp"
#include "harness/tune/target.hpp"

namespace rackproof::tune {

/// What a section that stands above the corner may still do below it: it runs out there.
inline constexpr double kBelowCornerBoostDb = 0.5;

/// The band that a rig plays, as its file has it. 0: the file does not say.
struct RigBand {
  double from_hz = 0, to_hz = 0;
  std::string from_why, to_why;  ///< for a person: "the high-pass of way low stands at 50 Hz"
};
RigBand band_of(const rig::Rig& rig);

struct FlattenSettings {
  double sample_rate_hz = 48000;                   ///< of the controller that will run the sections
  std::optional<double> from_hz = {}, to_hz = {};  ///< without: the rig's band, and in it the loudspeaker's range
  std::optional<RigBand> rig = {};                 ///< of the rig that played
  int points = 6;                                  ///< sections, at most
  Target target = {};
};

struct LeftAlone {
  double from_hz = 0, to_hz = 0;
  std::string code;  ///< `low-coherence`, `notch`, `positions-differ`, `outside-range`, `outside-rig`, `outside-asked`
  std::string why;   ///< for a person
};

/// Before and after, smoothed over a third of an octave, level taken out.
struct Residual {
  Deviation before, after;
};

struct Flattened {
  std::vector<dsp::EqSettings> eq;
  double gain_db = 0;             ///< at or below 0: what keeps every frequency from being louder than without the eq
  double from_hz = 0, to_hz = 0;  ///< what was judged
  std::string from_why, to_why;   ///< who says so, for a person
  double range_from_hz = 0, range_to_hz = 0;  ///< what the loudspeaker does, as far as it was measured
  Residual all;                               ///< from `from_hz` to `to_hz`, what was left alone included
  Residual fitted;                            ///< what was not left alone
  /// On places that were not fitted, what is left alone left out: each in turn left out of three or more, or `unseen`.
  std::optional<Residual> elsewhere;
  std::size_t elsewhere_places = 0;
  std::vector<LeftAlone> left_alone;
  // What a plot needs: third-octave smoothed, level taken out.
  std::vector<double> frequency_hz, before_db, after_db, target_db, eq_db;
};

/// `unseen`: measurements that are not fitted, but judged; without, each of three or more is in turn. Throws InputError
/// where measurements hold no common octave, or nothing is left to be fitted.
Flattened flatten(std::span<const Measurement> measurements, const FlattenSettings& settings,
                  std::span<const Measurement> unseen = {});

}  // namespace rackproof::tune
