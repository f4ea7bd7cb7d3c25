#pragma once
/// What the pages are made of: words and numbers for a person, pieces of HTML, data for the plots, and the page around
/// them.
/// Theorem  whatever text comes in appears as text and nothing else: it opens no element, no attribute and no script.
#include <nlohmann/json_fwd.hpp>
#include <string>
#include <string_view>
#include <vector>

#include "harness/calibration/compile.hpp"
#include "harness/rig/hertz_text.hpp"

namespace rackproof::report {

// ---- numbers and words ----------------------------------------------------------------------------------------------

/// Text as HTML shows it, within elements and quoted attributes.
std::string escaped(std::string_view text);
/// A name from outside, whose direction of writing stays its own. A long one may go on below behind its dots.
std::string bdi(const std::string& text);
/// A sentence; what stands between backquotes is a key or a value of the file.
std::string sentence(const std::string& text);
/// For a person: a true minus, and a dash for what is not a number.
std::string number(double value, int decimals);
/// Three or four digits, without zeros that tell nothing.
std::string figure(double value);
/// ". Made 2026-05-01 12:00 by rackproof 0.1.0.", as far as it is known.
std::string made_by(const std::string& made, const std::string& program);
/// "1 check", "2 checks"
std::string counted(std::size_t count, const char* one, const char* more);

// ---- data for the plots ---------------------------------------------------------------------------------------------

/// Five digits are more than a screen shows, and a third of the bytes. What is not finite is a gap.
nlohmann::ordered_json row(const std::vector<double>& values);

// ---- pieces of a page -----------------------------------------------------------------------------------------------

/// A plot: a frame that the keyboard reaches and that says the cursor's values, its legend, and what it shows in words.
/// `title` is any text, `words` are HTML; `head` is the element of the title.
std::string figure_of(const std::string& plot, const std::string& title, const std::string& words,
                      const char* head = "h3");

struct Column {
  std::string head;
  bool numeric = true;
  std::string group = {};  ///< a head over neighbouring columns that name the same
};
/// Rows of HTML cells; the first of each is the row's head. Where a screen is too narrow for it, it scrolls sideways by
/// itself and says so.
std::string table(const std::string& caption, const std::vector<Column>& columns,
                  const std::vector<std::vector<std::string>>& rows);

/// One word in its colour, with a shape that says the same. `kind` names its class.
std::string mark(const char* kind, const char* shape, const char* word);

/// Warnings under a heading, a line each; nothing where there are none.
std::string list_of(const std::vector<Warning>& warnings, const char* heading);

/// A section, as the page and its index have it. Without a body it is left out.
struct Part {
  std::string id, title, body;
};
/// The first section says what came out of it all, by word, sign, edge and colour.
struct Outline {
  std::string id, title;  ///< as the index names it
  bool good = true;
  const char* seal = "✓";  ///< the sign beside the headline
  std::string headline, body;
};

// ---- the page -------------------------------------------------------------------------------------------------------

struct Sheet {
  std::string name;         ///< of what it is about, as its file has it; any text
  std::string kind, about;  ///< HTML above and below the name
  Outline outline;
  std::vector<Part> parts;
  std::string cautions;  ///< items of a list, HTML
  const nlohmann::ordered_json& data;
  std::string_view script;     ///< draws the data with what plots.js lends it
  std::string_view asks = {};  ///< what a page that is served may ask its own server for, as a Content-Security-Policy
};
std::string page_of(const Sheet& sheet);

}  // namespace rackproof::report
