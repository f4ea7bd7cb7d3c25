#include "harness/rig/json_fields.hpp"

#include <fmt/core.h>

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>
#include <unordered_set>

#include "harness/files/shown.hpp"
#include "harness/rig/faults.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof::rig {
namespace {

using NodeKind = JsonNode::Kind;
using Json = nlohmann::ordered_json;
constexpr int kNumberOverflow = 406;  // the parser's own number for 1e999

/// "magnitude_db", "a.b", "\"odd key\""
std::string dotted(const std::string& path, std::string_view key) {
  const bool plain = !key.empty() && key.size() <= 64 && std::all_of(key.begin(), key.end(), [](char c) {
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') || c == '-' || c == '_';
  });
  const std::string name = plain ? std::string(key) : fmt::format("\"{}\"", excerpt(key));
  return path.empty() ? name : path + "." + name;
}

std::string written(const JsonNode& node) {
  switch (node.kind) {
    case NodeKind::null:
      return "null";
    case NodeKind::boolean:
      return node.boolean ? "true" : "false";
    case NodeKind::number:
      return fmt::format("{:g}", node.number);
    case NodeKind::text:
      return fmt::format("\"{}\"", excerpt(node.text));
    case NodeKind::list:
      return fmt::format("a list of {}", node.items.size());
    case NodeKind::table:
      break;
  }
  return "a table";
}

/// Takes the parser's tokens and builds the tree; throws where a rule of ours is broken.
class Builder {
 public:
  // NOLINTBEGIN(readability-identifier-naming): the library looks for these names
  using number_integer_t = Json::number_integer_t;
  using number_unsigned_t = Json::number_unsigned_t;
  using number_float_t = Json::number_float_t;
  using string_t = Json::string_t;
  using binary_t = Json::binary_t;
  // NOLINTEND(readability-identifier-naming)

  Builder(const std::string& text, const std::filesystem::path& file, std::string_view wanted)
      : text_(text), file_(file), wanted_(wanted) {}

  JsonNode root;

  bool null() { return add({}) != nullptr; }
  bool boolean(bool value) {
    add(of(NodeKind::boolean))->boolean = value;
    return true;
  }
  bool number_integer(number_integer_t value) { return number(static_cast<double>(value)); }
  bool number_unsigned(number_unsigned_t value) { return number(static_cast<double>(value)); }
  bool number_float(number_float_t value, const string_t&) { return number(value); }
  bool string(string_t& value) {
    add(of(NodeKind::text))->text = std::move(value);
    return true;
  }
  bool binary(binary_t&) { return true; }  // no part of JSON
  bool start_object(std::size_t) { return open(NodeKind::table); }
  bool start_array(std::size_t) { return open(NodeKind::list); }
  bool key(string_t& name) {
    if (!open_.back().keys.insert(name).second)
      refuse(dotted(path(), name), "the key twice in one table", "each key once: two readers could differ");
    open_.back().node->keys.push_back(std::move(name));
    return true;
  }
  bool end_object() { return close(); }
  bool end_array() { return close(); }

  [[noreturn]] bool parse_error(std::size_t position, const std::string& token, const Json::exception& error) {
    if (error.id == kNumberOverflow)
      refuse(open_.empty() ? "" : path_of_next(), excerpt(token), "a number that a computer can hold");
    const std::size_t at = std::min(position - std::min<std::size_t>(position, 1), text_.size());
    std::uint32_t line = 1;
    std::size_t from = 0;
    for (std::size_t i = 0; i < at; ++i)
      if (text_[i] == '\n') {
        ++line;
        from = i + 1;
      }
    const std::string_view rest = std::string_view(text_).substr(at);
    const bool ended = rest.find_first_not_of(" \t\r\n") == rest.npos;
    const std::string where = fmt::format("{}:{}:{}", files::shown(file_), line, at - from + 1);
    throw InputError(fmt::format("{}: read {}; this is not whole JSON{}: {} is wanted here", where,
                                 ended ? "the end of the file" : excerpt(rest), hint(rest), wanted_));
  }

 private:
  struct Open {
    JsonNode* node;
    std::unordered_set<std::string> keys;
  };

  static JsonNode of(NodeKind kind) {
    JsonNode node;
    node.kind = kind;
    return node;
  }
  static const char* hint(std::string_view rest) {
    for (const std::string_view word : {"NaN", "Infinity", "-Infinity", "nan", "inf", "-inf"})
      if (rest.starts_with(word)) return " (which has no numbers for what is infinite or undefined)";
    return "";
  }
  bool number(double value) {
    add(of(NodeKind::number))->number = value;
    return true;
  }
  JsonNode* add(JsonNode node) {
    if (++values_ > kMaxJsonValues)
      refuse(path_of_next(), fmt::format("more than {} values", kMaxJsonValues),
             fmt::format("{} has fewer: is this the right file?", wanted_));
    if (open_.empty()) {
      root = std::move(node);
      return &root;
    }
    return &open_.back().node->items.emplace_back(std::move(node));
  }
  bool open(NodeKind kind) {
    if (open_.size() == kMaxJsonDepth)
      refuse(path_of_next(), fmt::format("lists and tables more than {} deep", kMaxJsonDepth),
             fmt::format("{} has fewer: is this the right file?", wanted_));
    open_.push_back({add(of(kind)), {}});
    return true;
  }
  bool close() {
    open_.pop_back();
    return true;
  }
  /// Of the innermost table or list that is open.
  std::string path() const {
    std::string path;
    for (std::size_t i = 0; i + 1 < open_.size(); ++i)
      path = below(path, *open_[i].node, open_[i].node->items.size() - 1);
    return path;
  }
  /// Of the value that comes next.
  std::string path_of_next() const {
    return open_.empty() ? std::string() : below(path(), *open_.back().node, open_.back().node->items.size());
  }
  static std::string below(const std::string& path, const JsonNode& node, std::size_t item) {
    if (node.kind == NodeKind::list) return fmt::format("{}[{}]", path, item);
    return item < node.keys.size() ? dotted(path, node.keys[item]) : path;
  }
  [[noreturn]] void refuse(const std::string& key, const std::string& read, const std::string& right) const {
    throw InputError(
        fmt::format("{}: {}{}read {}; {}", files::shown(file_), key, key.empty() ? "" : ": ", read, right));
  }

  const std::string& text_;
  const std::filesystem::path& file_;
  std::string_view wanted_;
  std::vector<Open> open_;
  std::size_t values_ = 0;
};

}  // namespace

const JsonNode* JsonNode::find(std::string_view key) const {
  const auto found = std::find(keys.begin(), keys.end(), key);
  return found == keys.end() ? nullptr : &items[static_cast<std::size_t>(found - keys.begin())];
}

JsonNode parse_json(const std::string& text, const std::filesystem::path& file, std::string_view wanted) {
  // A NUL would be the end of the text for the parser, whatever stands behind it.
  if (text.find('\0') != text.npos)
    throw InputError(
        fmt::format("{}: read bytes that are not text; {} is wanted here, saved as UTF-8", files::shown(file), wanted));
  Builder builder(text, file, wanted);
  Json::sax_parse(text, &builder);
  if (builder.root.kind != NodeKind::table)
    throw InputError(fmt::format("{}: read {}; {} is wanted here", files::shown(file), written(builder.root), wanted));
  return std::move(builder.root);
}

bool JsonFields::has(std::string_view key) const {
  const JsonNode* node = table_.find(key);
  return node != nullptr && node->kind != NodeKind::null;
}

void JsonFields::refuse(std::string_view key, const std::string& read, const std::string& right) const {
  throw InputError(fmt::format("{}: {}: read {}; {}", files::shown(file_),
                               path_.empty() ? key : path_ + "." + std::string(key), read, right));
}
void JsonFields::missing(std::string_view key, const std::string& right) const { refuse(key, "no such key", right); }

const JsonNode* JsonFields::ask(std::string_view key, NodeKind kind, std::string_view wish) const {
  const JsonNode* node = table_.find(key);
  if (node == nullptr || node->kind == NodeKind::null) return nullptr;
  if (node->kind != kind) refuse(key, written(*node), fmt::format("{} is wanted here", wish));
  return node;
}

void JsonFields::must_be_in(std::string_view key, double value, JsonRange range) const {
  if (value >= range.low && value <= range.high) return;
  const std::string unit = *range.unit == '\0' ? "" : fmt::format(" {}", range.unit);
  refuse(key, fmt::format("{:g}", value), fmt::format("{:g} to {:g}{} is allowed here", range.low, range.high, unit));
}

std::optional<double> JsonFields::number(std::string_view key, JsonRange range) const {
  const JsonNode* node = ask(key, NodeKind::number, "a number");
  if (node == nullptr) return std::nullopt;
  must_be_in(key, node->number, range);
  return node->number;
}

std::optional<std::int64_t> JsonFields::whole(std::string_view key, std::int64_t low, std::int64_t high) const {
  constexpr std::int64_t kExact = std::int64_t{1} << 53;  // beyond it a double is not any one whole number
  const std::optional<double> value =
      number(key, {static_cast<double>(std::max(low, -kExact)), static_cast<double>(std::min(high, kExact))});
  if (!value) return std::nullopt;
  if (*value != std::floor(*value)) refuse(key, fmt::format("{:g}", *value), "a whole number is wanted here");
  return static_cast<std::int64_t>(*value);
}

std::optional<bool> JsonFields::flag(std::string_view key) const {
  const JsonNode* node = ask(key, NodeKind::boolean, "true or false");
  if (node == nullptr) return std::nullopt;
  return node->boolean;
}

std::optional<std::string> JsonFields::text(std::string_view key, std::size_t most_bytes) const {
  const JsonNode* node = ask(key, NodeKind::text, "a text");
  if (node == nullptr) return std::nullopt;
  if (node->text.size() > most_bytes)
    refuse(key, fmt::format("a text of {} bytes", node->text.size()), fmt::format("at most {} are wanted", most_bytes));
  return node->text;
}

std::optional<std::vector<double>> JsonFields::numbers(std::string_view key, JsonRange range) const {
  const JsonNode* node = ask(key, NodeKind::list, "a list of numbers");
  if (node == nullptr) return std::nullopt;
  std::vector<double> values;
  values.reserve(node->items.size());
  for (const JsonNode& item : node->items) {
    const std::string at = fmt::format("{}[{}]", key, values.size());
    if (item.kind != NodeKind::number) refuse(at, written(item), "a number is wanted here");
    must_be_in(at, item.number, range);
    values.push_back(item.number);
  }
  return values;
}

std::optional<JsonFields> JsonFields::table(std::string_view key) const {
  const JsonNode* node = ask(key, NodeKind::table, "a table");
  if (node == nullptr) return std::nullopt;
  return JsonFields(*node, file_, dotted(path_, key));
}

std::vector<JsonFields> JsonFields::tables(std::string_view key) const {
  std::vector<JsonFields> found;
  const JsonNode* node = ask(key, NodeKind::list, "a list of tables");
  if (node == nullptr) return found;
  for (const JsonNode& item : node->items) {
    const std::string at = fmt::format("{}[{}]", key, found.size());
    if (item.kind != NodeKind::table) refuse(at, written(item), "a table is wanted here");
    found.emplace_back(item, file_, path_.empty() ? at : path_ + "." + at);
  }
  return found;
}

}  // namespace rackproof::rig
