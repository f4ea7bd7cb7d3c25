#pragma once
/// A compiled rig as a C++ header: every number that the core is told, as hexadecimal floats, in constants.
/// Theorem  the header holds exactly the bits of `compiled.settings()`: no decimal rounding, no libm, and a fingerprint
///          that the compiler checks, so that a number changed by hand does not build.
#include <cstdint>
#include <string>

#include "harness/calibration/compile.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof::firmware {

inline constexpr const char* kNumbersFile = "chain_numbers.hpp";
/// The same rig, venue and program version give the same bytes.
std::string numbers_header(const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& compiled);
std::uint64_t fingerprint(const CompiledRig& compiled);
/// Sections that run in one lane: what the ways have in common counts once.
std::size_t sections_in_one_lane(const CompiledRig& compiled);

}  // namespace rackproof::firmware
