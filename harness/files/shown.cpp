#include "harness/files/shown.hpp"

#include <fmt/core.h>

#include <cstddef>
#include <cstdint>

namespace rackproof::files {
namespace {

struct Character {
  std::uint32_t code = 0;
  std::size_t bytes = 0;  ///< 0: no UTF-8
};
/// The character at the beginning of `text` (RFC 3629: the shortest form alone, no surrogates, at most U+10FFFF).
Character first_of(std::string_view text) {
  const auto byte = [&](std::size_t i) { return static_cast<std::uint32_t>(static_cast<unsigned char>(text[i])); };
  const std::uint32_t lead = byte(0);
  if (lead < 0x80) return {lead, 1};
  const std::size_t bytes = lead >= 0xF0 ? 4 : lead >= 0xE0 ? 3 : 2;
  if (lead < 0xC2 || lead > 0xF4 || text.size() < bytes) return {};
  std::uint32_t code = lead & (0x7Fu >> bytes);
  for (std::size_t i = 1; i < bytes; ++i) {
    if ((byte(i) & 0xC0u) != 0x80u) return {};
    code = code << 6 | (byte(i) & 0x3Fu);
  }
  constexpr std::uint32_t kLeast[] = {0, 0, 0x80, 0x800, 0x10000};
  if (code < kLeast[bytes] || code > 0x10FFFF || (code >= 0xD800 && code <= 0xDFFF)) return {};
  return {code, bytes};
}

bool steers(std::uint32_t code) {
  return code < 0x20 || (code >= 0x7F && code <= 0x9F) || (code >= 0x2028 && code <= 0x202E) ||
         (code >= 0x2066 && code <= 0x2069);
}

std::string without_steering(std::string_view text, bool keep_line_ends) {
  std::string out;
  out.reserve(text.size());
  while (!text.empty()) {
    const Character one = first_of(text);
    if (one.bytes == 0) {
      out += fmt::format("\\x{:02x}", static_cast<unsigned char>(text.front()));
      text.remove_prefix(1);
      continue;
    }
    if (one.code == '\n' && keep_line_ends)
      out += '\n';
    else if (one.code == '\n')
      out += "\\n";
    else if (one.code == '\r')
      out += "\\r";
    else if (one.code == '\t')
      out += "\\t";
    else if (!steers(one.code))
      out += text.substr(0, one.bytes);
    else
      out += one.code < 0x100 ? fmt::format("\\x{:02x}", one.code) : fmt::format("\\u{:04x}", one.code);
    text.remove_prefix(one.bytes);
  }
  return out;
}

}  // namespace

std::string shown(std::string_view text) { return without_steering(text, false); }
std::string shown_lines(std::string_view text) { return without_steering(text, true); }

}  // namespace rackproof::files
