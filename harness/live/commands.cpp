#include "harness/live/commands.hpp"

#include <fmt/format.h>

#include <utility>

#include "harness/errors.hpp"
#include "harness/files/shown.hpp"

namespace rackproof::live {
namespace {

std::string_view without_blanks(std::string_view text) {
  constexpr std::string_view kBlanks = " \t\r\n";
  const std::size_t first = text.find_first_not_of(kBlanks);
  if (first == text.npos) return {};
  return text.substr(first, text.find_last_not_of(kBlanks) - first + 1);
}

enum class Takes { nothing, maybe, one };
struct Known {
  std::string_view name;
  Word word;
  Takes takes;
};
constexpr Known kKnown[] = {{"mute", Word::mute, Takes::maybe},       {"unmute", Word::unmute, Takes::maybe},
                            {"venue", Word::venue, Takes::one},       {"bypass", Word::bypass, Takes::one},
                            {"reload", Word::reload, Takes::nothing}, {"state", Word::state, Takes::nothing},
                            {"quit", Word::quit, Takes::nothing}};

}  // namespace

Command command_of(std::string_view line) {
  line = without_blanks(line);
  const std::size_t end = line.find_first_of(" \t");
  const std::string_view name = line.substr(0, end);
  const std::string_view of = end == line.npos ? std::string_view() : without_blanks(line.substr(end));
  for (const Known& known : kKnown) {
    if (known.name != name) continue;
    if (of.empty() ? known.takes == Takes::one : known.takes == Takes::nothing) break;
    return {known.word, std::string(of)};
  }
  throw InputError(fmt::format("read {}; right would be one of: {}", files::shown(line), kCommandsAre));
}

}  // namespace rackproof::live
