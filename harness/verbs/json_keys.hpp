#pragma once
/// Every key of the JSON that the verbs print with `--json`, and of the JSON files that they write beside their outputs:
/// its unit and its meaning. The one place: `help VERB` and the manual page tell it from here, and a test holds it
/// against what the verbs print: no key without a word, no word without a key.
#include <span>
#include <string_view>

namespace rackproof {

/// The number under "format", the first key of every document. It changes only where what was there before is gone or
/// means something else; keys may be added without.
inline constexpr int kJsonFormat = 1;

struct JsonKey {
  /// `outputs[].name`: `name` in each item of the list `outputs`. `*` stands for names that the files give.
  std::string_view path;
  /// Of a number its unit; else "text", "true or false", "table", or what begins with "list". With " or null" where the
  /// value may be null.
  std::string_view unit;
  std::string_view meaning;
};
struct JsonDocument {
  std::string_view verb;
  std::string_view file;  ///< the name of the file that it stands in; empty: what `--json` prints
  std::span<const JsonKey> keys;
};

/// In the order of the program's verbs; of a verb what it prints first.
std::span<const JsonDocument> json_documents();

}  // namespace rackproof
