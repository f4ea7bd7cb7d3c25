#include "harness/rig/number_table.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <charconv>
#include <cmath>
#include <optional>
#include <system_error>

#include "harness/files/shown.hpp"
#include "harness/rig/faults.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof::rig {
namespace {

constexpr std::string_view kTableByteOrderMark = "\xEF\xBB\xBF";
constexpr std::string_view kBlanks = " \t";

std::string_view trimmed(std::string_view text) {
  const std::size_t first = text.find_first_not_of(kBlanks);
  if (first == text.npos) return {};
  return text.substr(first, text.find_last_not_of(kBlanks) - first + 1);
}

std::string_view unquoted(std::string_view cell) {
  if (cell.size() < 2 || cell.front() != cell.back() || (cell.front() != '"' && cell.front() != '\'')) return cell;
  return trimmed(cell.substr(1, cell.size() - 2));
}

/// What parts the cells of the line.
char separator_of(std::string_view line) {
  for (const char separator : {';', '\t', ','})
    if (line.find(separator) != line.npos) return separator;
  return ' ';
}
std::vector<std::string_view> cells_of(std::string_view line, char separator) {
  const bool runs = separator == ' ' || separator == '\t';  // several blanks or tabs part as one does
  std::vector<std::string_view> cells;
  for (std::size_t from = 0; from <= line.size();) {
    const std::size_t to = std::min(line.find(separator, from), line.size());
    const std::string_view cell = trimmed(line.substr(from, to - from));
    if (!runs || !cell.empty()) cells.push_back(unquoted(cell));
    from = to + 1;
  }
  return cells;
}

std::optional<double> number_in(std::string_view cell) {
  if (cell.starts_with('+')) cell.remove_prefix(1);
  if (cell.starts_with('+')) return std::nullopt;
  double value = 0;
  const auto [end, error] = std::from_chars(cell.data(), cell.data() + cell.size(), value);
  if (error != std::errc() || end != cell.data() + cell.size() || !std::isfinite(value)) return std::nullopt;
  return value;
}

/// `least` to `most` digits and nothing else.
bool is_digits(std::string_view text, std::size_t least, std::size_t most) {
  return text.size() >= least && text.size() <= most &&
         std::ranges::all_of(text, [](char c) { return c >= '0' && c <= '9'; });
}
/// Cells between tabs, those that hold several numbers with blanks between them taken apart: "3.0 0". Left whole, and
/// so refused, is what may be one number with its thousands set apart: "1 000".
std::vector<std::string_view> apart_at_blanks(const std::vector<std::string_view>& cells) {
  std::vector<std::string_view> apart;
  for (const std::string_view cell : cells) {
    const std::vector<std::string_view> pieces = cells_of(cell, ' ');
    const bool numbers =
        std::ranges::all_of(pieces, [](std::string_view piece) { return number_in(piece).has_value(); });
    const bool thousands = pieces.size() > 1 && is_digits(pieces[0], 1, 3) && is_digits(pieces[1], 3, 3);
    if (pieces.size() > 1 && numbers && !thousands)
      apart.insert(apart.end(), pieces.begin(), pieces.end());
    else
      apart.push_back(cell);
  }
  return apart;
}

bool is_remark(std::string_view line) {
  for (const std::string_view mark : {"#", "*", ";", "%", "//"})
    if (line.starts_with(mark)) return true;
  return false;
}

class TableReader {
 public:
  TableReader(const std::filesystem::path& file, std::span<const NumberColumn> columns, TableHead head)
      : file_(file), columns_(columns), head_(head) {
    table_.columns.resize(columns.size());
  }

  NumberTable read(std::string_view text, std::size_t least_rows) {
    if (text.starts_with(kTableByteOrderMark)) text.remove_prefix(kTableByteOrderMark.size());
    if (text.find('\0') != text.npos) refuse("", "bytes that are not text", "a table of numbers, saved as UTF-8");
    while (!text.empty()) {
      const std::size_t end = std::min(text.find_first_of("\r\n"), text.size());
      ++line_;
      take(text.substr(0, end));
      text.remove_prefix(end);
      text.remove_prefix(text.starts_with("\r\n") ? 2 : text.empty() ? 0 : 1);
    }
    if (places_.empty() && head_ == TableHead::required)
      refuse("", "no line that names the columns", fmt::format("a first line {}", names()));
    if (table_.rows() < least_rows)
      throw InputError(fmt::format("{}: read {} line{} of numbers; right would be {} or more, with {}",
                                   files::shown(file_), table_.rows(), table_.rows() == 1 ? "" : "s", least_rows,
                                   names()));
    return std::move(table_);
  }

 private:
  void take(std::string_view line) {
    line = trimmed(line);
    if (line.empty() || is_remark(line)) return;
    line = trimmed(line.substr(0, line.find('#')));
    const char separator = separator_of(line);
    std::vector<std::string_view> cells = cells_of(line, separator);
    if (places_.empty() && is_head(cells, line)) {
      head_cells_ = cells.size();
      return;
    }
    if (separator == '\t' && cells.size() != head_cells_) cells = apart_at_blanks(cells);
    row(cells, line);
  }

  /// Finds out where the columns stand. True where the line holds no numbers: names, or other words at the top.
  bool is_head(const std::vector<std::string_view>& cells, std::string_view line) {
    std::vector<std::size_t> places;
    for (const NumberColumn& column : columns_) {
      const auto found = std::ranges::find(cells, column.name);
      if (found != cells.end()) places.push_back(static_cast<std::size_t>(found - cells.begin()));
    }
    if (places.size() == columns_.size()) {
      places_ = std::move(places);
      return true;
    }
    const bool quoted = line.front() == '"' || line.front() == '\'';
    if (head_ == TableHead::required) {
      if (quoted && places.empty()) return true;  // a remark
      const auto missing = std::ranges::find_if(
          columns_, [&](const NumberColumn& column) { return std::ranges::find(cells, column.name) == cells.end(); });
      refuse(missing->name, fmt::format("a first line without {}", missing->name),
             fmt::format("the first line names the columns: {}", names()));
    }
    if (!quoted && may_be_number(cells.front())) {
      places_.resize(columns_.size());
      for (std::size_t c = 0; c < places_.size(); ++c) places_[c] = c;
      return false;
    }
    return true;
  }
  /// Words at the top are passed over; a number with a slip in it ("1O0") is no word, nor is "nan".
  static bool may_be_number(std::string_view cell) {
    double value = 0;
    return cell.empty() || std::string_view("0123456789+-.").find(cell.front()) != std::string_view::npos ||
           std::from_chars(cell.data(), cell.data() + cell.size(), value).ec == std::errc();
  }

  void row(const std::vector<std::string_view>& cells, std::string_view line) {
    for (std::size_t c = 0; c < columns_.size(); ++c) {
      const NumberColumn& column = columns_[c];
      if (places_[c] >= cells.size())
        refuse(column.name, excerpt(line), fmt::format("{} in column {} of the line", column.right, places_[c] + 1));
      const std::string_view cell = cells[places_[c]];
      const std::optional<double> value = number_in(cell);
      if (!value)
        refuse(column.name, fmt::format("\"{}\"", excerpt(cell)),
               fmt::format("{}, a point as the decimal mark", column.right));
      if (*value < column.low || *value > column.high)
        refuse(column.name, fmt::format("{:g}", *value), std::string(column.right));
      std::vector<double>& values = table_.columns[c];
      if (column.ascends && !values.empty() && !(*value > values.back()))
        refuse(column.name, fmt::format("{:g} after {:g}", *value, values.back()),
               fmt::format("{}, each above the one before", column.right));
      values.push_back(*value);
    }
    table_.lines.push_back(line_);
  }

  std::string names() const {
    std::string list;
    for (const NumberColumn& column : columns_) list.append(list.empty() ? "" : ",").append(column.name);
    return list;
  }
  [[noreturn]] void refuse(std::string_view column, const std::string& read, const std::string& right) const {
    throw InputError(fmt::format("{}:{}: {}{}read {}; {}", files::shown(file_), std::max(line_, 1u), column,
                                 column.empty() ? "" : ": ", read, right));
  }

  const std::filesystem::path& file_;
  std::span<const NumberColumn> columns_;
  TableHead head_;
  std::uint32_t line_ = 0;
  std::size_t head_cells_ = 0;       ///< of the last line that holds no numbers
  std::vector<std::size_t> places_;  ///< of the columns asked for, in the file's; empty: not known yet
  NumberTable table_;
};

}  // namespace

NumberTable parse_number_table(std::string_view text, const std::filesystem::path& file,
                               std::span<const NumberColumn> columns, TableHead head, std::size_t least_rows) {
  return TableReader(file, columns, head).read(text, least_rows);
}

}  // namespace rackproof::rig
