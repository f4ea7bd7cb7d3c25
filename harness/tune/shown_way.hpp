#pragma once
/// Which way of a rig a measurement shows: wrong files in the right places.
/// Method   the mean level of what follows what was sent (power times coherence) in each way's band, which lies half an
///          octave inside its points. Of the way that was driven alone its own band is the loudest; where a way's filters
///          take more than 20 dB, and the measurement is less than 10 dB down there, more than that way played.
/// Claim    files that are swapped, and the whole box in place of a way, are refused, with the way that the file looks
///          like; a way whose driver differs by 10 dB over its bands is not.
#include <span>
#include <vector>

#include "harness/tune/measurement.hpp"

namespace rackproof::tune {

/// `drive`: of the rig, its ways from low to high; `points_hz`: one fewer. Throws InputError that names the file.
void must_show(const Measurement& measurement, const Drive& drive, const std::vector<double>& points_hz,
               std::size_t way);
inline constexpr double kSilent_db = 20;  ///< a way whose band lies so far below the loudest one's did not play
/// Of each way of what drove it, how far its band lies below the loudest one's, in dB; nothing where the file says no
/// drive, or does not reach a band.
std::vector<double> below_loudest_db(const Measurement& measurement);
/// Of places of one loudspeaker none may be without a way that another shows, as files of single ways are. Only those
/// that say what drove them are judged. Throws InputError that names both files.
void must_be_places(std::span<const Measurement> measured);
/// Throws InputError where both are one measurement.
void must_differ(const Measurement& a, const std::string& way_a, const Measurement& b, const std::string& way_b);

}  // namespace rackproof::tune
