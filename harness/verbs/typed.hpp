#pragma once
/// A quantity that a person types for an option.
#include <string_view>

#include "harness/rig/units.hpp"

namespace rackproof {

/// `text` in the unit of `quantity`. Throws InputError that names the option; `example` as rig::read_value takes it.
double typed_quantity(std::string_view option, std::string_view text, rig::Quantity quantity,
                      std::string_view example = {});
/// The same; a bare number is in that unit already.
double typed_number(std::string_view option, std::string_view text, rig::Quantity quantity,
                    std::string_view example = {});

}  // namespace rackproof
