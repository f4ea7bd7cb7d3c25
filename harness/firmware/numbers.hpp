#pragma once
/// Compiled rigs as a C++ header: every number that the core is told, as hexadecimal floats, in constants.
/// Theorem  the header holds exactly the bits of `compiled.settings()`: no decimal rounding, no libm, and a fingerprint
///          that the compiler checks, so that a number changed by hand does not build. Two headers that say anything
///          else have no name in common that the linker sees, whatever they are called.
#include <cstdint>
#include <filesystem>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "harness/calibration/compile.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof::firmware {

inline constexpr const char* kNumbersFile = "chain_numbers.hpp";
/// Beside it: the codes of 24-bit converters; harness/part/converter_codes.hpp.
inline constexpr const char* kCodesFile = "converter_codes.hpp";

/// One chain of an export. `venue` may be null.
struct NamedChain {
  std::string name;  ///< an identifier: what its namespace and its preset are called
  const rig::Rig* rig = nullptr;
  const rig::Venue* venue = nullptr;
  const CompiledRig* compiled = nullptr;
};

/// Throws InputError that says what would be right, where `name` cannot be a namespace's.
void must_be_name(std::string_view name);
/// A rig file's stem made such a name: `two-way-top.toml` is two_way_top.
std::string preset_name(const std::filesystem::path& rig_file);
/// Whether the same is wired to each row of both, at the same volts: feeds and outputs of the same names in the same
/// order, outputs with the same drivers (name, ratings, band and how many), amplifiers (name and ratings) and volts at
/// full scale. Only then a fade, its ceilings and its heat are about one amplifier and one driver. Sample rates may
/// differ.
bool are_wired_alike(const NamedChain& a, const NamedChain& b);
/// Of each chain the number of its group, from 1: chains of one group can be faded into one another. They have one shape
/// (dsp::can_fade) and are wired alike. A row that drives a sub in one and a horn in the other is never faded.
std::vector<std::uint8_t> fade_groups(std::span<const NamedChain> chains);

/// The same rigs, venues, names and program version give the same bytes. `name`: of the namespace that the person
/// asked for, or empty. One chain: its numbers stand there as kChain; several: each has a namespace of its own, and
/// kPresets is the table of all. What is equal stands there once. `by`: the program, with its version, for a comment.
/// Throws InputError for chains of one name.
std::string numbers_header(std::span<const NamedChain> chains, std::string_view name = {},
                           std::string_view by = "rackproof");
std::string numbers_header(const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& compiled);
std::uint64_t fingerprint(const CompiledRig& compiled);
/// What a right build of the core answers to this chain's self-test; see dsp/chain/preset.hpp.
std::uint64_t self_test_answer(const CompiledRig& compiled);
/// Sections that run in one lane: what the ways have in common counts once.
std::size_t sections_in_one_lane(const CompiledRig& compiled);

}  // namespace rackproof::firmware
