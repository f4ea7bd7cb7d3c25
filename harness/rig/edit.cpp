#include "harness/rig/edit.hpp"

#include <fcntl.h>
#include <fmt/core.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <charconv>
#include <optional>
#include <system_error>
#include <vector>

#include "harness/files/entry.hpp"
#include "harness/files/shown.hpp"
#include "harness/files/whole_file.hpp"
#include "harness/rig/document.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof::rig {
namespace {

struct Step {
  std::string key;
  std::optional<std::size_t> item;
};
std::vector<Step> steps_of(std::string_view path) {
  std::vector<Step> steps;
  while (!path.empty()) {
    const std::string_view part = path.substr(0, path.find('.'));
    path.remove_prefix(std::min(path.size(), part.size() + 1));
    const std::size_t bracket = part.find('[');
    Step& step = steps.emplace_back(Step{std::string(part.substr(0, bracket)), std::nullopt});
    if (bracket == part.npos) continue;
    std::size_t item = 0;
    std::from_chars(part.data() + bracket + 1, part.data() + part.size(), item);
    step.item = item;
  }
  return steps;
}

/// The node at the end of the steps; missing tables are made if `make`. Nothing: not there.
template <class NodeType>
NodeType* walk(NodeType& root, const std::vector<Step>& steps) {
  NodeType* here = &root;
  for (const Step& step : steps) {
    const Entry* entry = here->kind == Node::Kind::table ? here->find(step.key) : nullptr;
    if (entry == nullptr) return nullptr;
    here = const_cast<NodeType*>(&entry->value);  // as const as `root`
    if (!step.item) continue;
    if (here->kind != Node::Kind::list || *step.item >= here->items.size()) return nullptr;
    here = &here->items[*step.item];
  }
  return here->kind == Node::Kind::table ? here : nullptr;
}

/// The same values under the same keys, wherever they stand.
bool same(const Node& a, const Node& b) {
  if (a.kind != b.kind || a.items.size() != b.items.size() || a.entries.size() != b.entries.size()) return false;
  if (a.kind == Node::Kind::table)
    return std::all_of(a.entries.begin(), a.entries.end(), [&](const Entry& entry) {
      const Entry* other = b.find(entry.key);
      return other != nullptr && same(entry.value, other->value);
    });
  if (a.kind == Node::Kind::list)
    return std::equal(a.items.begin(), a.items.end(), b.items.begin(),
                      [](const Node& x, const Node& y) { return same(x, y); });
  if (a.kind == Node::Kind::other) return a.written == b.written;
  return a.text == b.text && a.whole == b.whole && a.number == b.number && a.boolean == b.boolean;
}

/// The old tree with the value set: what the new text has to read as.
Node with_value_set(Node root, const std::vector<Step>& steps, std::string_view key, const Node& value) {
  Node* here = &root;
  const auto child = [](Node& table, std::string_view name) -> Node& {
    const auto found =
        std::find_if(table.entries.begin(), table.entries.end(), [&](const Entry& e) { return e.key == name; });
    return found != table.entries.end() ? found->value
                                        : table.entries.emplace_back(Entry{std::string(name), {}, {}}).value;
  };
  for (const Step& step : steps) {
    here = &child(*here, step.key);
    if (step.item) here = &here->items[*step.item];
  }
  child(*here, key) = value;
  return root;
}

class Text {
 public:
  explicit Text(const std::string& text) : text_(text), line_end_(text.find("\r\n") != text.npos ? "\r\n" : "\n") {}
  const char* line_end() const { return line_end_; }
  /// A value of several lines, with the line ends of the text.
  std::string as_here(std::string_view written) const {
    std::string value;
    for (const char c : written) value += c == '\n' ? std::string(line_end_) : std::string(1, c);
    return value;
  }
  char at(std::size_t i) const { return i < text_.size() ? text_[i] : '\0'; }
  /// The first byte of the next line.
  std::size_t next_line(std::size_t i) const {
    const std::size_t end = text_.find('\n', i);
    return end == text_.npos ? text_.size() : end + 1;
  }
  std::string indent(std::size_t i) const {
    const std::size_t before = i == 0 ? text_.npos : text_.rfind('\n', i - 1),
                      from = before == text_.npos ? 0 : before + 1;
    return text_.substr(from, std::min(text_.find_first_not_of(" \t", from), i) - from);
  }
  std::string replaced(std::size_t begin, std::size_t end, const std::string& with) const {
    return text_.substr(0, begin) + with + text_.substr(end);
  }
  /// A line put in ahead of `at`, where a line begins or the text ends.
  std::string with_lines(std::size_t at, const std::string& lines) const {
    const bool open = at > 0 && text_[at - 1] != '\n';
    return replaced(at, at, (open ? line_end_ : "") + lines + line_end_);
  }
  bool empty() const { return text_.empty(); }
  std::size_t size() const { return text_.size(); }

 private:
  const std::string& text_;
  const char* line_end_;
};

/// Under a header of its own, so that its keys stand in lines of their own.
bool has_header(const Node& node, const Text& text) {
  return node.kind == Node::Kind::table && text.at(node.begin) == '[';
}
/// Where what `node` says directly under its header ends; nothing: elsewhere, under headers of its own.
std::optional<std::size_t> end_of(const Node& node, const Text& text) {
  if (node.kind == Node::Kind::list && !node.items.empty() && has_header(node.items.front(), text)) return std::nullopt;
  if (node.kind != Node::Kind::table || text.at(node.begin) == '{') return node.end;
  if (has_header(node, text)) return std::nullopt;
  std::optional<std::size_t> end;  // dotted keys
  for (const Entry& entry : node.entries)
    if (const auto one = end_of(entry.value, text)) end = std::max(end.value_or(0), *one);
  return end;
}

std::string under_a_new_header(const Text& text, std::string_view path, const std::string& assignment) {
  const char* const gap = text.empty() ? "" : text.line_end();
  return text.with_lines(text.size(), fmt::format("{}[{}]{}{}", gap, path, text.line_end(), assignment));
}

std::string edited(const Node& root, const Text& text, const std::vector<Step>& steps, std::string_view path,
                   std::string_view key, std::string_view written) {
  const std::string assignment = fmt::format("{} = {}", key, written);
  const Node* table = walk(root, steps);
  if (table == nullptr) return under_a_new_header(text, path, assignment);
  if (const Entry* entry = table->find(key))
    return text.replaced(entry->value.begin, entry->value.end, std::string(written));
  if (text.at(table->begin) == '{' && table != &root) {
    std::size_t close = table->end - 1;  // at the bracket
    while (close > 0 && (text.at(close - 1) == ' ' || text.at(close - 1) == '\t')) --close;
    return text.replaced(
        close, close,
        fmt::format("{}{}{}", table->entries.empty() ? "" : ", ", assignment, text.at(close) == '}' ? " " : ""));
  }
  std::optional<std::size_t> last;
  for (const Entry& entry : table->entries)
    if (const auto end = end_of(entry.value, text)) last = std::max(last.value_or(0), *end);
  if (last) {
    std::size_t line = 0;
    for (const Entry& entry : table->entries)
      if (end_of(entry.value, text) == last) line = entry.value.begin;
    return text.with_lines(text.next_line(*last), text.indent(line) + assignment);
  }
  if (table == &root) return text.replaced(0, 0, assignment + text.line_end());
  return text.with_lines(text.next_line(table->end), text.indent(table->begin) + assignment);
}

}  // namespace

std::string with_value(const std::string& text, const std::filesystem::path& file, std::string_view table,
                       std::string_view key, std::string_view written) {
  const Node root = parse_document(text, file);
  const Text whole(text);
  const std::string value_here = whole.as_here(written);
  const std::vector<Step> steps = steps_of(table);
  const Node value = parse_document(fmt::format("x = {}\n", value_here), file).find("x")->value;
  const auto cannot = [&] {
    const Node* at = walk(root, steps);
    refuse({file, at != nullptr ? at->place.line : 1, at != nullptr ? at->place.column : 1, std::string(table)},
           "a table in a form that is not edited here", fmt::format("write into it by hand: {} = {}", key, written));
  };
  const bool in_a_list = std::ranges::any_of(steps, [](const Step& step) { return step.item.has_value(); });
  if (walk(root, steps) == nullptr && in_a_list) cannot();
  const auto holds = [&](const std::string& result) {
    try {
      return same(parse_document(result, file), with_value_set(root, steps, key, value));
    } catch (const InputError&) {  // what came out is not even TOML
      return false;
    }
  };
  if (std::string result = edited(root, whole, steps, table, key, value_here); holds(result)) return result;
  if (!in_a_list && !steps.empty()) {  // the headers of its own tables may be all that names it
    const std::string assignment = fmt::format("{} = {}", key, value_here);
    if (std::string result = under_a_new_header(whole, table, assignment); holds(result)) return result;
  }
  cannot();
  return text;
}

EditedFile::EditedFile(std::filesystem::path file) : file_(std::move(file)) {
  std::error_code ignored;
  const bool is_there = files::entry_at(file_) != files::Entry::nothing,
             leads_nowhere = !is_there && std::filesystem::is_symlink(std::filesystem::symlink_status(file_, ignored));
  if (leads_nowhere)
    throw InputError(fmt::format("{}: this is a link to {}, which is not there; give the name of the file itself",
                                 files::shown(file_), files::shown(std::filesystem::read_symlink(file_, ignored))));
  files::must_be_writable(file_);
  files::remove_leftovers(file_.has_parent_path() ? file_.parent_path() : std::filesystem::path("."));
  lock_ = files::locked_file(file_);
  if (!lock_ && files::entry_at(file_) == files::Entry::nothing) return;
  text_ = read_text(file_);
}

void EditedFile::replace(std::string_view text, const std::filesystem::path& keep_as,
                         std::span<files::WholeFile> before_it) {
  files::WholeFile whole(file_);
  whole.expect(text_);
  whole.write(text);
  std::vector<files::WholeFile*> all;
  std::optional<files::WholeFile> kept;
  if (!keep_as.empty() && text_) {
    kept.emplace(keep_as);
    kept->expect(std::nullopt);
    kept->write(*text_);
    struct stat facts {};
    if (::stat(file_.c_str(), &facts) != 0 || ::fchmod(kept->descriptor(), facts.st_mode & 0777) != 0)
      throw MachineError(fmt::format("{}: cannot be given the mode of {}: {}", files::shown(keep_as),
                                     files::shown(file_), files::reason(errno)));
    all.push_back(&*kept);
  }
  for (files::WholeFile& file : before_it) all.push_back(&file);
  all.push_back(&whole);
  files::commit_all(all);
  text_ = std::string(text);
  lock_ = files::Descriptor();
}

}  // namespace rackproof::rig
