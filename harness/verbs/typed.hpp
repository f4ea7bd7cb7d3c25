#pragma once
/// What a person types for an option: a quantity, or one of a few words.
#include <CLI/CLI.hpp>
#include <string>
#include <string_view>
#include <vector>

#include "harness/rig/units.hpp"

namespace rackproof {

/// `text` in the unit of `quantity`. Throws InputError that names the option; `example` as rig::read_value takes it.
double typed_quantity(std::string_view option, std::string_view text, rig::Quantity quantity,
                      std::string_view example = {});
/// The same; a bare number is in that unit already.
double typed_number(std::string_view option, std::string_view text, rig::Quantity quantity,
                    std::string_view example = {});

/// Of these words alone the option takes one. Help and completion show them.
void only_one_of(CLI::Option* option, const std::vector<std::string>& words);

}  // namespace rackproof
