#pragma once
/// What a running `live` is told, one line each: on standard input, and on a socket for scripts and buttons.
#include <optional>
#include <string>
#include <string_view>

namespace rackproof::live {

enum class Word { mute, unmute, venue, bypass, reload, state, quit };
struct Command {
  Word word = Word::state;
  std::string of;  ///< an output, a file, or what to bypass; empty: all, or none
};
/// Throws InputError, with what is known. Blanks around words do not count; a file's name may have blanks inside.
Command command_of(std::string_view line);

inline constexpr const char* kCommandsAre =
    "mute [OUTPUT], unmute [OUTPUT], venue FILE, venue none, bypass none|venue|system|limits|all, reload, state, quit";

}  // namespace rackproof::live
