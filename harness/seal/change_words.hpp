#pragma once
/// The words for a change: "the low to mid point rose from 1.6 to 1.9 kHz".
#include <optional>
#include <string>

#include "harness/seal/change.hpp"

namespace rackproof::seal {

std::string words_of(const Change& change, const std::optional<std::string>& was,
                     const std::optional<std::string>& now);

/// A value as a person reads it: "2.638967384 ms" is "2.639 ms".
std::string in_short(const std::string& value);

}  // namespace rackproof::seal
