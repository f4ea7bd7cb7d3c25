#pragma once
/// A TOML file as a plain tree, each value with the place it was read from: what errors point at, and what a verb that
/// edits a file in place needs. The parser's own types stay in document.cpp.
#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <string>
#include <string_view>
#include <vector>

namespace rackproof::rig {

/// Line and column from 1, columns in characters.
struct Place {
  std::uint32_t line = 1, column = 1;
  friend auto operator<=>(const Place&, const Place&) = default;
};

struct Entry;
struct Node {
  enum class Kind { text, whole, number, boolean, list, table, other };  ///< other: dates and times
  Kind kind = Kind::table;
  std::string text;
  std::int64_t whole = 0;
  double number = 0;  ///< of a whole number too
  bool boolean = false;
  std::vector<Node> items;     ///< of a list
  std::vector<Entry> entries;  ///< of a table, in the file's order
  Place place;
  std::size_t begin = 0, end = 0;  ///< bytes of the text; of a table under a [header]: the header alone
  std::string written;             ///< what stands there, in one short line, fit for a terminal

  const Entry* find(std::string_view key) const;
};
struct Entry {
  std::string key;
  Place place;
  Node value;
};

/// Limits that no rig comes near and that keep hostile text from costing time or stack.
/// A table deeper than kMaxDepth comes empty.
inline constexpr std::size_t kMaxFileBytes = 1u << 18, kMaxDotsInLine = 128, kMaxDepth = 16;

/// Parses TOML, with or without a byte order mark, any line ends; inline tables may span lines. Throws InputError, one
/// line "FILE:LINE:COLUMN: read WRITTEN; RIGHT", where it is not TOML.
Node parse_document(const std::string& text, const std::filesystem::path& file);

/// The whole file. Throws InputError where there is none, or it is a folder, or larger than kMaxFileBytes; MachineError
/// where it cannot be read.
std::string read_text(const std::filesystem::path& file);

}  // namespace rackproof::rig
