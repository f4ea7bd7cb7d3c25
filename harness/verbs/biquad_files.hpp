#pragma once
/// `export --biquads`: a rig's filters for a processor that takes biquads alone, as a text for a person who types them
/// in and as JSON for a program. Both say the same: each output's sections in the order of the signal, what the
/// processor's numbers make of each, and what a list of biquads does not carry (gains, delays, limiters), with its
/// figures. Thresholds in the text are rounded down.
#include <cstddef>
#include <string>
#include <vector>

#include "harness/calibration/compile.hpp"
#include "harness/firmware/number_format.hpp"
#include "harness/verbs/verb.hpp"

namespace rackproof {

struct BiquadFiles {
  std::string text, json;                      ///< of the two files, whole
  std::vector<Warning> warnings;               ///< `biquad-rounding`
  std::string number_format;                   ///< its name, as in `q2.30`
  std::size_t sections = 0, sections_off = 0;  ///< off: by more than kMostSectionErrorDb
  double worst_error_db = 0;                   ///< of all sections, without its sign
};
inline constexpr const char* kBiquadsText = "biquads.txt";
inline constexpr const char* kBiquadsJson = "biquads.json";
/// Of one section. Our choice: ten sections in a row then stay within 1 dB.
inline constexpr double kMostSectionErrorDb = 0.1;

/// `q2.30`, `float32`. Throws InputError.
firmware::NumberFormat typed_number_format(std::string_view text);

/// Throws InputError where a coefficient is beyond the format, or a section is unstable or silent in it; it names the
/// section, its key, the coefficient, and a format that would do.
BiquadFiles biquad_files(const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& compiled,
                         const firmware::NumberFormat& format);

}  // namespace rackproof
