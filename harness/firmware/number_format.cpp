#include "harness/firmware/number_format.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <bit>
#include <charconv>
#include <cmath>
#include <limits>

namespace rackproof::firmware {
namespace {

/// Digits alone, without a sign; at most three of them.
std::optional<int> count_from(std::string_view text) {
  int value = 0;
  const bool digits = std::all_of(text.begin(), text.end(), [](char c) { return c >= '0' && c <= '9'; });
  if (text.empty() || text.size() > 3 || !digits) return std::nullopt;
  std::from_chars(text.data(), text.data() + text.size(), value);
  return value;
}

}  // namespace

std::string NumberFormat::name() const {
  return floating ? fmt::format("float{}", bits()) : fmt::format("q{}.{}", integer_bits, fraction_bits);
}
double NumberFormat::step() const { return std::ldexp(1.0, floating ? -fraction_bits - 1 : -fraction_bits); }
double NumberFormat::greatest() const {
  if (floating)
    return fraction_bits == 23 ? static_cast<double>(std::numeric_limits<float>::max())
                               : std::numeric_limits<double>::max();
  return std::ldexp(1.0, integer_bits - 1) - step();
}
double NumberFormat::least() const { return floating ? -greatest() : -std::ldexp(1.0, integer_bits - 1); }

std::optional<NumberFormat> number_format_from(std::string_view text) {
  std::string small(text);
  std::transform(small.begin(), small.end(), small.begin(),
                 [](char c) { return c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c; });
  if (small == "float32") return NumberFormat{true, 0, 23};
  if (small == "float64") return NumberFormat{true, 0, 52};
  const std::size_t point = small.find('.');
  if (small.empty() || small[0] != 'q' || point == small.npos) return std::nullopt;
  const std::optional<int> integer = count_from(std::string_view(small).substr(1, point - 1));
  const std::optional<int> fraction = count_from(std::string_view(small).substr(point + 1));
  if (!integer || !fraction || *integer < 1 || *fraction < 1) return std::nullopt;
  const NumberFormat format{false, *integer, *fraction};
  if (format.bits() < NumberFormat::kLeastBits || format.bits() > NumberFormat::kMostBits) return std::nullopt;
  return format;
}

std::optional<Held> held(double x, const NumberFormat& format) {
  if (format.floating && format.fraction_bits == 52) return Held{x, std::bit_cast<std::uint64_t>(x)};
  if (format.floating) {
    if (!(std::abs(x) <= format.greatest())) return std::nullopt;
    const auto single = static_cast<float>(x);
    return Held{static_cast<double>(single), std::bit_cast<std::uint32_t>(single)};
  }
  // A double has 53 bits: what is scaled is exact, and from 2^52 on it is an integer already.
  const double scaled = std::round(std::ldexp(x, format.fraction_bits));
  const double end = std::ldexp(1.0, format.bits() - 1);
  if (!(scaled >= -end && scaled < end)) return std::nullopt;
  const auto code = static_cast<std::int64_t>(scaled);
  const std::uint64_t mask = format.bits() == 64 ? ~std::uint64_t{0} : (std::uint64_t{1} << format.bits()) - 1;
  return Held{std::ldexp(static_cast<double>(code), -format.fraction_bits), static_cast<std::uint64_t>(code) & mask};
}

std::string hex_of(const Held& held, const NumberFormat& format) {
  return fmt::format("{:#0{}x}", held.code, 2 + (format.bits() + 3) / 4);
}
std::string decimal_of(const Held& held, const NumberFormat& format) {
  if (format.floating && format.fraction_bits == 23) return fmt::format("{}", static_cast<float>(held.value));
  if (format.floating) return fmt::format("{}", held.value);
  return fmt::format("{}", static_cast<std::int64_t>(std::ldexp(held.value, format.fraction_bits)));
}

std::optional<NumberFormat> widened(const NumberFormat& format, double least, double greatest) {
  if (format.floating) return format;
  for (NumberFormat wider{false, 1, format.bits() - 1}; wider.fraction_bits >= 1;
       ++wider.integer_bits, --wider.fraction_bits)
    if (held(least, wider) && held(greatest, wider)) return wider;
  return std::nullopt;
}

}  // namespace rackproof::firmware
