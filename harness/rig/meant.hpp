#pragma once
/// Words of the trade that are no keys here, and what a rig file has in their place. All return an empty text where
/// they know nothing.
#include <span>
#include <string>
#include <string_view>

namespace rackproof::rig {

/// A key that is not known, in a table that knows `known`: `attack` beside look_ahead, `release_ms` beside release.
std::string meant_by_key(std::string_view key, std::span<const std::string> known);
/// "LR24", "BW 18", "linkwitz riley": alignment and slope in one word, or another name for an alignment.
std::string meant_by_alignment(std::string_view text);
/// "bell", "hpf", "shelf": another name for a type of equaliser band.
std::string meant_by_eq_type(std::string_view text);

}  // namespace rackproof::rig
