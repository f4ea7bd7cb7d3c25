#include "harness/rig/fields.hpp"

#include <fmt/core.h>

#include <algorithm>
#include <charconv>
#include <cmath>
#include <system_error>

#include "harness/rig/meant.hpp"

namespace rackproof::rig {
namespace {

std::string_view kind_name(const Node& node) {
  switch (node.kind) {
    case Node::Kind::text:
      return "a text";
    case Node::Kind::whole:
      return "a whole number";
    case Node::Kind::number:
      return "a number";
    case Node::Kind::boolean:
      return "a truth value";
    case Node::Kind::list:
      return "a list";
    case Node::Kind::table:
      return "a table";
    case Node::Kind::other:
      break;
  }
  return "a date or time";
}
/// As it would stand in the file: a [header] on its own, a value behind its key.
std::string assigned(std::string_view key, std::string_view example) {
  const bool header = example.starts_with('[') && !example.starts_with("[ ");
  return header ? std::string(example) : fmt::format("{} = {}", key, example);
}
/// What the text says where it is a number and nothing else.
std::optional<double> plain_number(std::string_view text) {
  double value = 0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (error != std::errc() || end != text.data() + text.size()) return std::nullopt;
  return value;
}
bool is_number(const Node& node) { return node.kind == Node::Kind::whole || node.kind == Node::Kind::number; }

}  // namespace

bool is_name(std::string_view text) {
  const auto is_letter = [](char c) {
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') || c == '-' || c == '_';
  };
  return !text.empty() && text.size() <= 32 && std::all_of(text.begin(), text.end(), is_letter);
}

std::string Fields::dotted(std::string_view key) const {
  const std::string shown = is_name(key) ? std::string(key) : fmt::format("\"{}\"", excerpt(key));
  return path_.empty() ? shown : path_ + "." + shown;
}

Source Fields::source(std::string_view key) const {
  const Entry* entry = table_.find(key);
  return source_of(entry ? entry->value.place : table_.place, dotted(key));
}

void Fields::fault(std::string_view key, const std::string& right) {
  const Entry* entry = table_.find(key);
  faults_.add(source(key), entry ? entry->value.written : "nothing", right);
}

const Entry* Fields::ask(std::string_view key, std::string_view example, Need need) {
  if (std::find(known_.begin(), known_.end(), key) == known_.end()) known_.emplace_back(key);
  const Entry* entry = table_.find(key);
  if (!entry && need == Need::required) fault(key, "this is required, such as " + assigned(key, example));
  return entry;
}

void Fields::wrong_kind(const Entry& entry, std::string_view wish, std::string_view example) {
  faults_.add(source(entry.key), fmt::format("{}, {}", entry.value.written, kind_name(entry.value)),
              fmt::format("{} is wanted here, such as {}", wish, example));
}

const Entry* Fields::ask(std::string_view key, std::string_view example, Need need, Node::Kind kind,
                         std::string_view wish) {
  const Entry* entry = ask(key, example, need);
  if (!entry || entry->value.kind == kind) return entry;
  wrong_kind(*entry, wish, example);
  return nullptr;
}

std::optional<Measure> Fields::measure(std::string_view key, std::initializer_list<Quantity> wanted,
                                       std::string_view example, Need need) {
  const Entry* entry = ask(key, example, need);
  if (!entry) return std::nullopt;
  if (entry->value.kind == Node::Kind::text) {
    try {
      return read_measure(entry->value.text, wanted, example);
    } catch (const Misread& misread) {
      faults_.add(source(key), misread.read, misread.right);
      return std::nullopt;
    }
  }
  std::string wish;
  for (const Quantity quantity : wanted) wish.append(wish.empty() ? "" : " or ").append(name_of(quantity));
  if (is_number(entry->value))
    faults_.add(
        source(key), fmt::format("{}, a number without a unit", entry->value.written),
        fmt::format("{} is wanted here, such as {}{}", wish, example, factor_hint(wanted, entry->value.number)));
  else
    wrong_kind(*entry, wish, example);
  return std::nullopt;
}

std::optional<double> Fields::quantity(std::string_view key, Quantity wanted, Range range, std::string_view example,
                                       Need need) {
  const std::optional<Measure> read = measure(key, {wanted}, example, need);
  if (!read) return std::nullopt;
  if (read->value >= range.low && read->value <= range.high) return read->value;
  fault(key, fmt::format("{} to {} is allowed here", text_of({wanted, range.low}), text_of({wanted, range.high})));
  return std::nullopt;
}

std::optional<double> Fields::level_db(std::string_view key, Range range, std::string_view example) {
  const Entry* entry = ask(key, example, Need::optional);
  if (!entry) return std::nullopt;
  std::optional<double> bare;
  if (is_number(entry->value)) bare = entry->value.number;
  if (entry->value.kind == Node::Kind::text) bare = plain_number(entry->value.text);
  if (!bare) return quantity(key, Quantity::gain, range, example);
  const bool fits = *bare >= range.low && *bare <= range.high;
  faults_.add(source(key), entry->value.written + ", a number without a unit",
              fits ? fmt::format("write \"{}\"", text_of({Quantity::gain, *bare}))
                   : fmt::format("a level in dB is wanted here, such as {}", example));
  return std::nullopt;
}

std::optional<double> Fields::number(std::string_view key, Range range, std::string_view example) {
  const Entry* entry = ask(key, example, Need::optional);
  if (!entry) return std::nullopt;
  if (!is_number(entry->value)) {
    wrong_kind(*entry, "a plain number", example);
  } else if (entry->value.number >= range.low && entry->value.number <= range.high) {  // false for a NaN
    return entry->value.number;
  } else {
    fault(key, fmt::format("{} to {} is allowed here", range.low, range.high));
  }
  return std::nullopt;
}

std::optional<std::uint32_t> Fields::whole(std::string_view key, std::uint32_t low, std::uint32_t high,
                                           std::string_view example, Need need) {
  const Entry* entry = ask(key, example, need, Node::Kind::whole, "a whole number");
  if (!entry) return std::nullopt;
  if (entry->value.whole >= low && entry->value.whole <= high) return static_cast<std::uint32_t>(entry->value.whole);
  fault(key, fmt::format("{} to {} is allowed here", low, high));
  return std::nullopt;
}

std::optional<bool> Fields::flag(std::string_view key) {
  const Entry* entry = ask(key, "true", Need::optional, Node::Kind::boolean, "true or false, without quotes,");
  if (!entry) return std::nullopt;
  return entry->value.boolean;
}

std::optional<std::string> Fields::text(std::string_view key, std::string_view example, Need need) {
  const Entry* entry = ask(key, example, need, Node::Kind::text, "a text");
  if (!entry) return std::nullopt;
  return entry->value.text;
}

std::optional<std::size_t> Fields::choice(std::string_view key, const std::vector<std::string>& names, Need need,
                                          std::string (*meant)(std::string_view)) {
  const std::optional<std::string> read = text(key, fmt::format("\"{}\"", names[0]), need);
  if (!read) return std::nullopt;
  const auto found = std::find(names.begin(), names.end(), *read);
  if (found != names.end()) return static_cast<std::size_t>(found - names.begin());
  if (const std::string instead = meant ? meant(*read) : std::string(); !instead.empty()) {
    fault(key, instead);
    return std::nullopt;
  }
  const std::optional<std::string> near = nearest(*read, names);
  fault(key,
        fmt::format("{}{} is wanted here", near ? fmt::format("did you mean \"{}\"? ", *near) : "", one_of(names)));
  return std::nullopt;
}

std::optional<Fields> Fields::table(std::string_view key, std::string_view example, Need need) {
  const Entry* entry = ask(key, example, need);
  if (!entry) return std::nullopt;
  if (entry->value.kind == Node::Kind::table) return Fields(entry->value, dotted(key), file_, faults_);
  wrong_kind(*entry, "a table", example);
  return std::nullopt;
}

std::optional<std::vector<Fields>> Fields::tables(std::string_view key, std::string_view example, Need need) {
  const Entry* entry = ask(key, example, need);
  if (!entry) return std::nullopt;
  if (entry->value.kind != Node::Kind::list) {
    wrong_kind(*entry, "a list of tables", example);
    return std::nullopt;
  }
  std::vector<Fields> found;
  for (std::size_t i = 0; i < entry->value.items.size(); ++i) {
    const Node& item = entry->value.items[i];
    const std::string path = fmt::format("{}[{}]", dotted(key), i + 1);
    if (item.kind == Node::Kind::table)
      found.emplace_back(item, path, file_, faults_);
    else
      faults_.add(source_of(item.place, path), fmt::format("{}, {}", item.written, kind_name(item)),
                  fmt::format("a table is wanted here, such as {}", example));
  }
  return found;
}

std::vector<std::pair<std::string, Fields>> Fields::named_tables(std::string_view example) {
  std::vector<std::pair<std::string, Fields>> found;
  for (const Entry& entry : table_.entries) {
    if (!is_name(entry.key))
      faults_.add(source_of_key(entry), fmt::format("\"{}\"", excerpt(entry.key)), std::string(kNameRule));
    if (entry.value.kind == Node::Kind::table)
      found.emplace_back(entry.key, Fields(entry.value, dotted(entry.key), file_, faults_));
    else
      wrong_kind(entry, "a table", example);
  }
  return found;
}

void Fields::close() {
  for (const Entry& entry : table_.entries) {
    if (std::find(known_.begin(), known_.end(), entry.key) != known_.end()) continue;
    const std::string instead = meant_by_key(entry.key, known_);
    faults_.add(source_of_key(entry), "a key that is not known",
                instead.empty() ? suggestion(entry.key, known_) : instead);
  }
}

}  // namespace rackproof::rig
