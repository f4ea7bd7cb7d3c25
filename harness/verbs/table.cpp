#include "harness/verbs/table.hpp"

#include <sys/ioctl.h>
#include <unistd.h>

#include <algorithm>
#include <cstdlib>
#include <utility>

#include "harness/files/shown.hpp"

namespace rackproof {
namespace {

constexpr std::size_t kGap = 2;

/// "8", "-3.50", "+20.00": what a unit follows.
bool is_number(std::string_view word) {
  return word.find_first_of("0123456789") != word.npos && word.find_first_not_of("0123456789.+-") == word.npos;
}

/// "dB", "% of the time", "x cone12"; not "(amplifier".
bool begins_unit(char letter) {
  return letter == '%' || (letter >= 'a' && letter <= 'z') || (letter >= 'A' && letter <= 'Z');
}

}  // namespace

std::size_t display_width(std::string_view text) {
  std::size_t width = 0;
  for (std::size_t i = 0; i < text.size(); ++i) {
    const auto byte = static_cast<unsigned char>(text[i]);
    if ((byte & 0xC0u) == 0x80u) continue;                                             // goes on with the code point
    const bool may_combine = (byte == 0xCCu || byte == 0xCDu) && i + 1 < text.size();  // U+0300 to U+036F
    const bool combines = may_combine && (byte == 0xCCu || static_cast<unsigned char>(text[i + 1]) < 0xB0u);
    width += combines ? 0 : 1;
  }
  return width;
}

std::size_t text_width() {
  std::size_t width = 100;
  winsize window{};
  if (const char* said = std::getenv("COLUMNS"); said != nullptr && std::atoi(said) > 0) {
    width = static_cast<std::size_t>(std::atoi(said));
  } else if (::ioctl(STDOUT_FILENO, TIOCGWINSZ, &window) == 0 && window.ws_col > 0) {
    width = window.ws_col;
  }
  return std::clamp<std::size_t>(width, 40, 1000);
}

std::string wrapped(std::string_view what, std::size_t width, std::string_view first) {
  const std::string text = files::shown(what);  // a line end in a title is none of ours
  const std::size_t indent = display_width(first);
  std::string out(first);
  std::size_t at = indent;
  bool line_begins = true;
  for (std::size_t from = 0; from < text.size();) {
    std::size_t end = std::min(text.find(' ', from), text.size());
    if (is_number(std::string_view(text).substr(from, end - from)) && end + 1 < text.size() &&
        begins_unit(text[end + 1]))
      end = std::min(text.find(' ', end + 1), text.size());
    const std::string_view word = std::string_view(text).substr(from, end - from);
    from = end + 1;
    if (word.empty()) continue;
    const std::size_t needed = display_width(word) + (line_begins ? 0 : 1);
    if (!line_begins && at + needed > width) {
      out += '\n';
      out.append(indent, ' ');
      at = indent;
      line_begins = true;
    }
    if (!line_begins) {
      out += ' ';
      ++at;
    }
    out += word;
    at += display_width(word);
    line_begins = false;
  }
  return out + "\n";
}

void Table::row(std::vector<std::string> cells) {
  for (std::string& cell : cells) cell = files::shown(cell);
  rows_.push_back(std::move(cells));
}

std::vector<std::pair<std::size_t, std::size_t>> Table::parts(const std::vector<std::size_t>& wide,
                                                              std::size_t width) const {
  const auto parted = [&](std::size_t most) {
    std::vector<std::pair<std::size_t, std::size_t>> found;
    for (std::size_t from = 1; from < columns_.size();) {
      std::size_t to = from, taken = wide[0];
      while (to < columns_.size() && (to == from || taken + kGap + wide[to] <= most)) taken += kGap + wide[to++];
      found.emplace_back(from, to);
      from = to;
    }
    return found;
  };
  std::vector<std::pair<std::size_t, std::size_t>> best = parted(width);
  while (width-- > 0) {
    std::vector<std::pair<std::size_t, std::size_t>> narrower = parted(width);
    if (narrower.size() > best.size()) break;
    best = std::move(narrower);
  }
  return best;
}

std::string Table::text(std::size_t width) const {
  std::vector<std::size_t> wide(columns_.size());
  for (std::size_t c = 0; c < columns_.size(); ++c) {
    wide[c] = display_width(columns_[c].head);
    for (const auto& cells : rows_) wide[c] = std::max(wide[c], display_width(cells[c]));
  }
  std::string out;
  for (const auto& [from, to] : parts(wide, width)) {
    const auto line = [&, from = from, to = to](auto&& cell_of) {
      std::string text;
      const auto put = [&](std::size_t c) {
        const std::string& cell = cell_of(c);
        const std::string pad(wide[c] - display_width(cell), ' ');
        text += columns_[c].align == Align::left ? cell + pad : pad + cell;
      };
      put(0);
      for (std::size_t c = from; c < to; ++c) {
        text += std::string(kGap, ' ');
        put(c);
      }
      out += text.substr(0, text.find_last_not_of(' ') + 1) + "\n";
    };
    if (from > 1) out += "\n";
    line([&](std::size_t c) -> const std::string& { return columns_[c].head; });
    for (const auto& cells : rows_) line([&](std::size_t c) -> const std::string& { return cells[c]; });
  }
  return out;
}

}  // namespace rackproof
