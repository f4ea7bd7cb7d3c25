#pragma once
/// `--report FILE.html`: what the verbs that write a page share.
#include <filesystem>
#include <string>
#include <string_view>
#include <vector>

#include "harness/files/whole_file.hpp"

namespace CLI {  // NOLINT(readability-identifier-naming): the library names it so
class App;
}

namespace rackproof {

struct ReportOption {
  std::filesystem::path place;  ///< empty: none is asked for
  void add_to(CLI::App& verb);
  explicit operator bool() const { return !place.empty(); }
  /// What can be known of the place before a long run is known then. Throws where there is no folder, where it cannot
  /// be written to, where something else than a page stands there, or where the page would replace a file of this very
  /// run: one of those `read`, or what else is `written`.
  void require_place(const std::vector<std::filesystem::path>& read, const std::filesystem::path& written = {}) const;
  void write(std::string_view html) const;
  /// The page beside its place, for `commit_all` with what else is written. A page must have been asked for.
  files::WholeFile written(std::string_view html) const;
  std::string line() const;  ///< where it is, for a person; nothing where none is asked for
};

/// The local time, for the head of a page.
std::string now_in_words();

}  // namespace rackproof
