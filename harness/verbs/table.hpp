#pragma once
/// Text for people: aligned columns and wrapped paragraphs that know how wide UTF-8 is and how wide the terminal is.
#include <string>
#include <string_view>
#include <vector>

namespace rackproof {

/// Columns that a terminal shows for a text: code points, without those that combine with the one before.
std::size_t display_width(std::string_view text);
/// Of the terminal on standard output (or as COLUMNS says); 100 where there is none. At least 40.
std::size_t text_width();
/// Breaks at spaces so that no line is wider than `width`, but for a single long word. `first` begins the first line,
/// the others are indented as deep. Ends with a newline. Control characters in the text, line ends too, are shown.
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
  /// Where it is wider than `width`, it goes on below, with the first column repeated.
  std::string text(std::size_t width) const;

 private:
  std::vector<Column> columns_;
  std::vector<std::vector<std::string>> rows_;
};

}  // namespace rackproof
