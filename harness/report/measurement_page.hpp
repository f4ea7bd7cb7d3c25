#pragma once
/// A measurement as one page of HTML that needs nothing else: no network, no other file.
/// Theorem  a file's name appears as text and nothing else. The same measurement and facts give the same bytes, however
///          long the recordings were; a capture costs the page about 8 kB.
#include <cstdint>
#include <string>

#include "harness/tune/measurement.hpp"

namespace rackproof::report {

/// What the measurement does not know of itself.
struct MeasurementFacts {
  std::string name;       ///< as a person calls it: that of its file
  std::string sent_file;  ///< as a person names it
  std::uint32_t sent_channel = 1, captured_channel = 1;
  std::string made;     ///< when, in words; may be empty
  std::string program;  ///< name and version
};

std::string measurement_page(const tune::Measurement& measurement, const MeasurementFacts& facts);

}  // namespace rackproof::report
