#pragma once
/// A value set in a person's TOML file, everything else left as it stands: comments, order, spacing, line ends.
/// Theorem  the new text is the old one with one stretch of bytes put in or replaced, and reads as the old tree with
///          that one value set; where that cannot be had (a table written in an unforeseen way), nothing is changed and
///          the person is told what to write.
#include <filesystem>
#include <string>
#include <string_view>

namespace rackproof::rig {

/// `table`: the table's dotted path, an item of a list by its number from 0: `system`, `venue.feed.left`, `way[1]`;
/// empty for the file's root. `written`: the value as it is to stand in the file, with its quotes. A key that is not
/// there becomes a line after the table's last one; a table that is not there (and no item of a list) comes at the end
/// under a header of its own. Throws InputError: `text` is not TOML, or it cannot be edited.
std::string with_value(const std::string& text, const std::filesystem::path& file, std::string_view table,
                       std::string_view key, std::string_view written);

/// Puts `text` in the file's place when it is whole: written beside it, to the disk, and renamed; a link stays a link,
/// the permissions stay. The file may be absent. Throws MachineError.
void replace_text(const std::filesystem::path& file, std::string_view text);

}  // namespace rackproof::rig
