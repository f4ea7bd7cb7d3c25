#include "harness/verbs/report_option.hpp"

#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <cstring>
#include <ctime>

#include "harness/files/entry.hpp"
#include "harness/files/kind.hpp"
#include "harness/verbs/verb.hpp"

namespace rackproof {
namespace fs = std::filesystem;

void ReportOption::add_to(CLI::App& verb) {
  add_option(verb, "--report", place, "A page with plots, for a browser or for paper; needs no network")
      .type_name("FILE.html");
}

void ReportOption::require_place(const std::vector<fs::path>& read, const fs::path& written) const {
  if (place.empty()) return;
  const auto refuse = [&](const std::string& why) {
    throw InputError(fmt::format("--report: read {}; {}", place.string(), why));
  };
  if (files::entry_at(place) == files::Entry::folder)
    refuse("that is a folder; right would be a file, as in report.html");
  const fs::path folder = place.parent_path().empty() ? fs::path(".") : place.parent_path();
  if (files::entry_at(folder) != files::Entry::folder) refuse("there is no folder " + folder.string());
  if (std::any_of(read.begin(), read.end(), [&](const fs::path& file) { return files::are_one(file, place); }))
    refuse("that file is read by this very run; right would be another name");
  if (!written.empty() && fs::weakly_canonical(fs::absolute(written)) == fs::weakly_canonical(fs::absolute(place)))
    refuse("that file is written by this very run; right would be another name");
  files::must_be_writable(place);
  files::must_be_replaceable(place, files::Kind::page);
  if (::access(folder.c_str(), W_OK) != 0)
    throw MachineError(fmt::format("{}: cannot be written to: {}", folder.string(), std::strerror(errno)));
}

void ReportOption::write(std::string_view html) const {
  if (!place.empty()) written(html).commit();
}
files::WholeFile ReportOption::written(std::string_view html) const {
  files::WholeFile file(place);
  file.write(html);
  return file;
}

std::string ReportOption::line() const { return place.empty() ? "" : "Report: " + place.string() + "\n"; }

std::string now_in_words() {
  const std::time_t now = std::time(nullptr);
  std::tm local{};
  std::array<char, 32> text{};
  if (::localtime_r(&now, &local) == nullptr) return {};
  return {text.data(), std::strftime(text.data(), text.size(), "%Y-%m-%d %H:%M", &local)};
}

}  // namespace rackproof
