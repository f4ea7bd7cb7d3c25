#pragma once
/// A way's linear path, part by part, each under the key that a person would change: for the texts of checks that fall.
/// What a rig does is measured; who does it is read from the file.
#include <complex>
#include <string>
#include <vector>

#include "harness/proof/proof.hpp"

namespace rackproof::proof {

struct PathPart {
  std::string key;    ///< `way.high.eq[2]`, `system.gain`, `crossover.points[1]`
  std::string words;  ///< `peaking, +12 dB at 1.6 kHz`
  double gain_db = 0, centre_hz = 0;
  std::vector<dsp::Section> sections = {};
  bool is_eq = false;  ///< a band of an eq; else a gain, a point's side or a high-pass

  std::complex<double> at(double frequency_hz, double sample_rate_hz) const;
  double level_db(double frequency_hz, double sample_rate_hz) const;
  double most_db(double sample_rate_hz) const;  ///< the greatest that it makes of any sine
  double fall_s(double sample_rate_hz) const;   ///< its slowest pole's time for 60 dB; infinite where it never falls
  std::string named() const { return key + " (" + words + ")"; }
};

/// From feed to limiter, in the order in which they run; the venue's parts only where `venue` is given. `feed`: whose
/// part of the venue counts; empty: what all feeds share.
std::vector<PathPart> parts_of_path(const rig::Rig& rig, const rig::Venue* venue, std::size_t way,
                                    const std::string& feed);
/// The parts that take the most at `frequency_hz`, each 3 dB or more: `system.eq[1] (lowpass at 500 Hz) takes 38 dB`;
/// empty where there are none. `most`: how many are named.
std::string what_takes(const std::vector<PathPart>& parts, double frequency_hz, double sample_rate_hz,
                       std::size_t most = 3);
/// The same for what adds.
std::string what_adds(const std::vector<PathPart>& parts, double frequency_hz, double sample_rate_hz,
                      std::size_t most = 3);
/// The eq band or high-pass of its own that adds (`sign` 1) or takes (-1) the most there; null where none does.
const PathPart* strongest_eq(const std::vector<PathPart>& parts, double frequency_hz, double sample_rate_hz,
                             double sign);
/// The parts that boost by 6 dB or more anywhere, as the end of a sentence: `: system.eq[1] (...) adds 12 dB, ...`; or
/// nothing.
std::string boosts_text(const Subject& subject, const OutputPlan& output);
/// The part whose ringing lasts the longest; null of none.
const PathPart* slowest_of(const std::vector<PathPart>& parts, double sample_rate_hz);

}  // namespace rackproof::proof
