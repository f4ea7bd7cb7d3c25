#pragma once
/// Text from outside (names of files, titles, what stood in a file) as a terminal may be sent it.
/// Claim    what comes out is UTF-8 in which nothing steers a terminal or hides text: control characters (C0, DEL, C1),
///          bytes that are no UTF-8, line and paragraph separators and the marks that turn the direction of writing
///          come as \n, \t, \r, \x1b, \x9b or \u202e. All else comes as it is, a backslash too.
/// JSON and HTML have ways of their own to hold such characters: there the text itself goes in.
#include <concepts>
#include <filesystem>
#include <string>
#include <string_view>

namespace rackproof::files {

std::string shown(std::string_view text);
template <std::same_as<std::filesystem::path> Path>  // no text turns into a path on its way here
std::string shown(const Path& file) {
  return shown(std::string_view(file.native()));
}
/// The same, but a line end stays one: a text of several lines that we laid out ourselves.
std::string shown_lines(std::string_view text);

}  // namespace rackproof::files
