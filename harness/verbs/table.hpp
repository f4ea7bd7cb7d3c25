#pragma once
/// Text for people: aligned columns and wrapped paragraphs that know how wide UTF-8 is and how wide the terminal is.
#include <string>
#include <string_view>
#include <utility>
#include <vector>

namespace rackproof {

/// Columns that a terminal shows for a text: code points, without those that combine with the one before.
std::size_t display_width(std::string_view text);
/// Of the terminal on standard output (or as COLUMNS says); 100 where there is none. At least 40.
std::size_t text_width();
/// Breaks at spaces so that no line is wider than `width`, but for a single long word; a number stays with a word of
/// letters that follows it, its unit. `first` begins the first line, the others are indented as deep. Ends with a
/// newline. Control characters in the text, line ends too, are shown.
std::string wrapped(std::string_view text, std::size_t width, std::string_view first = {});

enum class Align { left, right };
class Table {
 public:
  struct Column {
    std::string head;
    Align align = Align::right;
  };
  explicit Table(std::vector<Column> columns) : columns_(std::move(columns)) {}
  /// As many cells as there are columns. Control characters in them, line ends too, are shown (files/shown.hpp).
  void row(std::vector<std::string> cells);
  /// Where it is wider than `width`, it goes on below, with the first column repeated: in as few parts as can be, and
  /// these as narrow as can be, so that no column stands below alone for want of a few letters.
  std::string text(std::size_t width) const;

 private:
  /// For each part the columns behind the first, up to but without `second`.
  std::vector<std::pair<std::size_t, std::size_t>> parts(const std::vector<std::size_t>& wide, std::size_t width) const;

  std::vector<Column> columns_;
  std::vector<std::vector<std::string>> rows_;
};

}  // namespace rackproof
