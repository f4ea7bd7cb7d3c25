#pragma once
/// Where waves cancel. A dip of that kind takes any boost and gives nothing back.
#include <span>
#include <string>
#include <vector>

namespace rackproof::tune {

struct Notch {
  std::size_t first = 0, last = 0;  ///< of the grid: where the dip is half as deep, and its flanks
  /// Under its lower shoulder, or the mean power of the octave around if that is lower and its third harmonic tells
  /// nothing.
  double depth_db = 0;
  bool positions_differ = false;
};

/// `average_db` and each of `places_db`: levels on a grid of `per_octave`, smoothed lightly (1/12 octave), in the same
/// order of levels. Common practice, no source: a dip is left alone where it is deeper than 10 dB, or deeper than 6 dB
/// and narrower than a third of an octave, or 4 dB under its shoulders and the places differ by 4 dB or more (standard
/// deviation) at its bottom. Dips wider than an octave at half their depth are the loudspeaker's.
/// A delayed copy cancels at f, 3f, 5f, alike in Hz: in octaves the first is the widest, and the octave around it is
/// half its own. So a dip 4 dB under its shoulders, of which 3f is a notch by the rules above, is one too.
/// Where waves cancel the flanks go with it, until the curve is 1 dB under its lower shoulder, or under the median from a
/// half to three halves of an octave away, on the side where it is lower, if that is lower: a shoulder may be a
/// resonance. An octave from its bottom at most.
std::vector<Notch> find_notches(std::span<const double> average_db, std::span<const std::vector<double>> places_db,
                                double per_octave);

}  // namespace rackproof::tune
