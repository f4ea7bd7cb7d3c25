#pragma once
/// One table of a file while it is read: every key that is asked for is known, every other one is a fault. What cannot
/// be used is put among the faults, with its place, and comes back as nothing, so that reading goes on.
#include <initializer_list>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "harness/rig/document.hpp"
#include "harness/rig/faults.hpp"
#include "harness/rig/units.hpp"

namespace rackproof::rig {

enum class Need { optional, required };
/// Both ends are in.
struct Range {
  double low, high;
};

class Fields {
 public:
  /// `path`: the dotted key of the table, empty for the file's root. Node, file and faults outlive it.
  Fields(const Node& table, std::string path, const std::filesystem::path& file, Faults& faults)
      : table_(table), path_(std::move(path)), file_(file), faults_(faults) {}

  // Each asks for one key. `example` is a right value as it stands in a file.
  std::optional<Measure> measure(std::string_view key, std::initializer_list<Quantity> wanted, std::string_view example,
                                 Need need = Need::optional);
  std::optional<double> quantity(std::string_view key, Quantity wanted, Range range, std::string_view example,
                                 Need need = Need::optional);
  std::optional<double> number(std::string_view key, Range range, std::string_view example);
  std::optional<std::uint32_t> whole(std::string_view key, std::uint32_t low, std::uint32_t high,
                                     std::string_view example, Need need = Need::optional);
  std::optional<bool> flag(std::string_view key);
  std::optional<std::string> text(std::string_view key, std::string_view example, Need need = Need::optional);
  /// Which of `names`, by index. `meant` knows what another word stands for, or gives an empty text.
  std::optional<std::size_t> choice(std::string_view key, const std::vector<std::string>& names,
                                    Need need = Need::optional, std::string (*meant)(std::string_view) = nullptr);
  std::optional<Fields> table(std::string_view key, std::string_view example, Need need = Need::optional);
  /// The items of a list of tables; those that are none are faults. Nothing: no such key, or no list.
  std::optional<std::vector<Fields>> tables(std::string_view key, std::string_view example, Need need = Need::optional);

  /// Every entry, where the keys are names that the person chose.
  std::vector<std::pair<std::string, Fields>> named_tables(std::string_view example);
  /// Makes a key known that is not read.
  void allow(std::string_view key) { ask(key, {}, Need::optional); }
  /// Is the key there? Does not make it known.
  bool has(std::string_view key) const { return table_.find(key) != nullptr; }
  const Node& node() const { return table_; }

  /// Of the table itself, or of one of its keys: of the table where the key is not there.
  Source source() const { return source_of(table_.place, path_); }
  Source source(std::string_view key) const;
  Source source_of_key(const Entry& entry) const {
    return source_of(entry.place, dotted(entry.key));
  }  ///< not its value
  /// A level in dB, which no factor can be meant by: a bare number is told as it would be with its unit.
  std::optional<double> level_db(std::string_view key, Range range, std::string_view example);
  void fault(std::string_view key, const std::string& right);  ///< with what was read there
  void fault(const Source& at, const std::string& read, const std::string& right) { faults_.add(at, read, right); }
  /// Faults for all keys that were not asked for.
  void close();

 private:
  const Entry* ask(std::string_view key, std::string_view example, Need need);
  const Entry* ask(std::string_view key, std::string_view example, Need need, Node::Kind kind, std::string_view wish);
  void wrong_kind(const Entry& entry, std::string_view wish, std::string_view example);
  std::string dotted(std::string_view key) const;
  Source source_of(Place place, std::string key) const { return {file_, place.line, place.column, std::move(key)}; }

  const Node& table_;
  std::string path_;
  const std::filesystem::path& file_;
  Faults& faults_;
  std::vector<std::string> known_;
};

/// Letters, digits, `-` and `_`, 1 to 32 of them.
bool is_name(std::string_view text);
inline constexpr std::string_view kNameRule =
    "a name is 1 to 32 letters (a to z, no accents), digits, - or _, no blanks";

}  // namespace rackproof::rig
