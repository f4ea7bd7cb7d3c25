#pragma once
/// JSON that comes in (RFC 8259), read once for everybody: whatever bytes stand there, what comes out is a small tree of
/// finite numbers and whole texts, or an InputError with the file, the key, what was read and what would be right.
/// Claim    time and memory grow with the file's bytes alone: nesting ends at kMaxJsonDepth, values at kMaxJsonValues.
///          Nothing is taken that two readers could read differently: keys that stand twice, numbers beyond a double's
///          range, bytes after the end, NULs.
/// Method   nlohmann's parser calls back for each token; its own tree is never made.
#include <cstdint>
#include <filesystem>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

namespace rackproof::rig {

inline constexpr std::size_t kMaxJsonDepth = 16, kMaxJsonValues = std::size_t{1} << 19;

struct JsonNode {
  enum class Kind : std::uint8_t { null, boolean, number, text, list, table };
  Kind kind = Kind::null;
  bool boolean = false;
  double number = 0;  ///< finite
  std::string text;
  std::vector<JsonNode> items;    ///< of a list; of a table its values
  std::vector<std::string> keys;  ///< of a table: a key an item, each once

  const JsonNode* find(std::string_view key) const;
};

/// The whole text, with or without a byte order mark, must be one JSON table. `wanted`: what is expected, with the way
/// to get it: "a measurement, as 'rackproof measure -o FILE.json' writes it,". Throws InputError.
JsonNode parse_json(const std::string& text, const std::filesystem::path& file, std::string_view wanted);

/// Both ends are in.
struct JsonRange {
  double low, high;
  const char* unit = "";  ///< "Hz"
};

/// One table while it is read: a key that is asked for and wrong throws InputError. Keys that nobody asks for are left
/// for later versions to know. null stands for a key that is not there.
class JsonFields {
 public:
  /// `path`: the dotted key of the table, empty for the file's root. Node and file outlive it.
  JsonFields(const JsonNode& table, const std::filesystem::path& file, std::string path = {})
      : table_(table), file_(file), path_(std::move(path)) {}

  bool has(std::string_view key) const;
  std::optional<double> number(std::string_view key, JsonRange range) const;
  std::optional<std::int64_t> whole(std::string_view key, std::int64_t low, std::int64_t high) const;
  std::optional<bool> flag(std::string_view key) const;
  /// Of at most `most_bytes` bytes.
  std::optional<std::string> text(std::string_view key, std::size_t most_bytes = 4096) const;
  /// A list of numbers, all in range. Nothing: no such key.
  std::optional<std::vector<double>> numbers(std::string_view key, JsonRange range) const;
  std::optional<JsonFields> table(std::string_view key) const;
  /// The items of a list of tables; none: no such key.
  std::vector<JsonFields> tables(std::string_view key) const;

  /// "FILE: PATH.KEY: read READ; RIGHT"
  [[noreturn]] void refuse(std::string_view key, const std::string& read, const std::string& right) const;
  /// A key without which nothing goes.
  [[noreturn]] void missing(std::string_view key, const std::string& right) const;
  const JsonNode& node() const { return table_; }

 private:
  const JsonNode* ask(std::string_view key, JsonNode::Kind kind, std::string_view wish) const;
  void must_be_in(std::string_view key, double value, JsonRange range) const;

  const JsonNode& table_;
  const std::filesystem::path& file_;
  std::string path_;
};

}  // namespace rackproof::rig
