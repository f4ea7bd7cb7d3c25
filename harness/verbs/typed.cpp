#include "harness/verbs/typed.hpp"

#include <fmt/format.h>

#include <charconv>
#include <cmath>

namespace rackproof {

double typed_quantity(std::string_view option, std::string_view text, rig::Quantity quantity,
                      std::string_view example) {
  try {
    return rig::read_value(text, quantity, example);
  } catch (const rig::Misread& misread) {
    throw InputError(fmt::format("{}: {}", option, misread.what()));
  }
}

double typed_number(std::string_view option, std::string_view text, rig::Quantity quantity, std::string_view example) {
  const char *const begin = text.data() + (text.starts_with('+') ? 1 : 0), *const end = text.data() + text.size();
  double bare = 0;
  const auto [stopped, error] = std::from_chars(begin, end, bare);
  if (error == std::errc() && stopped == end && std::isfinite(bare)) return bare;
  return typed_quantity(option, text, quantity, example);
}

}  // namespace rackproof
