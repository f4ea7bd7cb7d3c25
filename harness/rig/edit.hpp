#pragma once
/// A value set in a person's TOML file, everything else left as it stands: comments, order, spacing, line ends.
/// Theorem  the new text is the old one with one stretch of bytes put in or replaced, and reads as the old tree with
///          that one value set; where that cannot be had (a table written in an unforeseen way), nothing is changed and
///          the person is told what to write.
#include <filesystem>
#include <optional>
#include <span>
#include <string>
#include <string_view>

#include "harness/files/descriptor.hpp"
#include "harness/files/whole_file.hpp"

namespace rackproof::rig {

/// `table`: the table's dotted path, an item of a list by its number from 0: `system`, `venue.feed.left`, `way[1]`;
/// empty for the file's root. `written`: the value as it is to stand in the file, with its quotes. A key that is not
/// there becomes a line after the table's last one; a table that is not there (and no item of a list) comes at the end
/// under a header of its own. Throws InputError: `text` is not TOML, or it cannot be edited.
std::string with_value(const std::string& text, const std::filesystem::path& file, std::string_view table,
                       std::string_view key, std::string_view written);

/// A person's file while a tool edits it: read when this is made, put back by `replace`.
/// Theorem  no edit is lost. Two tools edit a file one after the other: the second waits, and reads what the first has
///          made of it. A file that a person or another program has changed since it was read is left as it is then,
///          and the person is told. A link stays a link, the mode and, where the system allows it, the owner stay.
/// Method   a lock (flock) on the file itself, kept until this goes; what stands there is compared with what was read
///          ahead of the exchange of old and new, and what came out of it once more behind it (see WholeFile::expect).
class EditedFile {
 public:
  /// The file may be absent; not so where a link leads. Throws InputError: it is no plain file, too large, or
  /// write-protected; MachineError: it cannot be read, or another tool has held it for a minute.
  explicit EditedFile(std::filesystem::path file);

  const std::filesystem::path& file() const { return file_; }
  /// What was read; nothing where there is no file.
  const std::optional<std::string>& text() const { return text_; }

  /// Puts `text` in the file's place when it is whole and on the disk. Throws InputError where the file is no longer as
  /// it was read: then it stays as it is; MachineError. With `keep_as` what was read is put there first, where no file may
  /// stand, with the mode of the file; then `before_it`, files that `text` names, written but not committed. All are in
  /// their places, or nothing has changed.
  void replace(std::string_view text, const std::filesystem::path& keep_as = {},
               std::span<files::WholeFile> before_it = {});

 private:
  std::filesystem::path file_;
  files::Descriptor lock_;
  std::optional<std::string> text_;
};

}  // namespace rackproof::rig
