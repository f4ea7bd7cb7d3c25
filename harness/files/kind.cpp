#include "harness/files/kind.hpp"

#include <fmt/core.h>

#include <algorithm>
#include <array>
#include <cstddef>
#include <optional>
#include <string>

#include "harness/errors.hpp"
#include "harness/files/plain_file.hpp"
#include "harness/files/shown.hpp"

namespace rackproof::files {
namespace {

constexpr std::size_t kLookedAt = std::size_t{1} << 16;
constexpr std::string_view kByteOrderMark = "\xEF\xBB\xBF", kBlanks = " \t\r\n";

/// From the first letter on.
std::string_view text_in(std::string_view bytes) {
  if (bytes.starts_with(kByteOrderMark)) bytes.remove_prefix(kByteOrderMark.size());
  bytes.remove_prefix(std::min(bytes.find_first_not_of(kBlanks), bytes.size()));
  return bytes;
}
bool begins(std::string_view bytes, std::string_view small_letters) {
  return bytes.size() >= small_letters.size() &&
         std::equal(small_letters.begin(), small_letters.end(), bytes.begin(), [](char small, char c) {
           return small == (c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c);
         });
}

/// Behind the brace of a JSON table and, where it begins with one, behind its `"format": 1,`.
std::string_view keys_in(std::string_view table) {
  const std::string_view keys = text_in(table.substr(1));
  return keys.starts_with("\"format\"") ? text_in(keys.substr(std::min(keys.find(','), keys.size() - 1) + 1)) : keys;
}

bool is_wav(std::string_view bytes) {
  return (bytes.starts_with("RIFF") || bytes.starts_with("RF64")) && bytes.substr(0, 12).ends_with("WAVE");
}
bool is_measurement_json(std::string_view bytes) {
  const std::string_view text = text_in(bytes);
  if (!text.starts_with('{')) return false;
  return keys_in(text).starts_with("\"sample_rate_hz\"") || text.find("\"magnitude_db\"") != text.npos;
}
bool is_set_list(std::string_view bytes) {
  const std::string_view text = text_in(bytes);
  return text.starts_with('{') && keys_in(text).starts_with("\"rackproof\"");
}
bool is_measurement_csv(std::string_view bytes) { return text_in(bytes).starts_with("frequency_hz,magnitude_db"); }
bool is_page(std::string_view bytes) {
  return begins(text_in(bytes), "<!doctype html") || begins(text_in(bytes), "<html");
}
bool is_seal(std::string_view bytes) {
  return bytes.starts_with("# The numbers of a rig as they were when it was sealed");
}
bool is_biquads_text(std::string_view bytes) { return bytes.starts_with("# Biquads of a rig"); }
bool is_biquads_json(std::string_view bytes) {
  const std::string_view text = text_in(bytes);
  return text.starts_with('{') && keys_in(text).starts_with("\"number_format\"");
}
bool is_source(std::string_view bytes) {
  const std::string_view text = text_in(bytes);
  return std::ranges::any_of(std::array{"//", "/*", "#pragma", "#include", "#if", "#define"},
                             [&](std::string_view sign) { return text.starts_with(sign); });
}

struct Look {
  Kind kind;
  bool (*is)(std::string_view);
  std::string_view name;
};
constexpr std::array kLooks{
    Look{Kind::wav, is_wav, "a WAV file"},
    Look{Kind::measurement_json, is_measurement_json, "a measurement"},
    Look{Kind::measurement_csv, is_measurement_csv, "a measurement's table"},
    Look{Kind::page, is_page, "a page of HTML"},
    Look{Kind::seal, is_seal, "a seal"},
    Look{Kind::source, is_source, "a C++ source"},
    Look{Kind::set_list, is_set_list, "a list of a set of files"},
    Look{Kind::biquads_text, is_biquads_text, "a list of biquads"},
    Look{Kind::biquads_json, is_biquads_json, "a list of biquads in JSON"},
};

/// `a text that begins with "format = 1"`
std::string what_it_is(std::string_view bytes) {
  for (const Look& look : kLooks)
    if (look.is(bytes)) return std::string(look.name);
  constexpr std::size_t kMost = 40;
  const std::string_view text = text_in(bytes), line = text.substr(0, text.find_first_of("\r\n"));
  const bool is_text =
      std::ranges::none_of(line, [](char c) { return static_cast<unsigned char>(c) < 0x20 && c != '\t'; });
  if (line.empty() || !is_text) return fmt::format("{} bytes or more of something else", bytes.size());
  std::size_t end = std::min(kMost, line.size());
  while (end > 0 && end < line.size() && (line[end] & '\xC0') == '\x80') --end;  // not within a character
  return fmt::format("a text that begins with \"{}\"", shown(line.substr(0, end)));
}

}  // namespace

void must_be_replaceable(const std::filesystem::path& place, Kind kind) {
  const std::optional<std::string> bytes = beginning_of(place, kLookedAt);
  if (!bytes || bytes->empty()) return;
  const auto look = std::ranges::find(kLooks, kind, &Look::kind);
  if (look->is(*bytes)) return;
  throw InputError(
      fmt::format("{}: read {}; {} is to be written, and replaces nothing else: give another name, or "
                  "move that file away",
                  shown(place), what_it_is(*bytes), look->name));
}

}  // namespace rackproof::files
