#include "harness/rig/faults.hpp"

#include <fmt/core.h>
#include <fmt/ranges.h>

#include <algorithm>

#include "harness/files/shown.hpp"

namespace rackproof::rig {
namespace {

constexpr std::size_t kMaxExcerpt = 60;

std::string line_of(const Source& at, const std::string& read, const std::string& right) {
  return files::shown(fmt::format("{}:{}:{}: {}{}read {}; {}", at.file.string(), at.line, at.column, at.key,
                                  at.key.empty() ? "" : ": ", read, right));
}

std::string folded(std::string_view name) {
  std::string small(name);
  for (char& c : small)
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
  return small;
}

/// Optimal string alignment distance: a letter lost, added, changed, or two that changed places, cost one each.
std::size_t edits_between(std::string_view a, std::string_view b) {
  std::vector<std::size_t> before, row(b.size() + 1), next(b.size() + 1);
  for (std::size_t j = 0; j <= b.size(); ++j) row[j] = j;
  for (std::size_t i = 1; i <= a.size(); ++i) {
    next[0] = i;
    for (std::size_t j = 1; j <= b.size(); ++j) {
      next[j] = std::min({row[j] + 1, next[j - 1] + 1, row[j - 1] + (a[i - 1] == b[j - 1] ? 0 : 1)});
      if (i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1])
        next[j] = std::min(next[j], before[j - 2] + 1);
    }
    before = row;
    row.swap(next);
  }
  return row[b.size()];
}

}  // namespace

void refuse(const Source& at, const std::string& read, const std::string& right) {
  throw InputError(line_of(at, read, right));
}

void Faults::add(const Source& at, const std::string& read, const std::string& right) {
  faults_.push_back({at.line, at.column, line_of(at, read, right)});
}

void Faults::raise() {
  if (faults_.empty()) return;
  std::stable_sort(faults_.begin(), faults_.end(), [](const Fault& a, const Fault& b) {
    return std::tie(a.line, a.column) < std::tie(b.line, b.column);
  });
  std::string all;
  for (std::size_t i = 0; i < std::min(faults_.size(), kMaxFaultsShown); ++i)
    all.append(i == 0 ? "" : "\n").append(faults_[i].text);
  if (faults_.size() > kMaxFaultsShown) all += fmt::format("\nand {} more", faults_.size() - kMaxFaultsShown);
  throw InputError(all);
}

std::optional<std::string> nearest(std::string_view name, std::span<const std::string> candidates) {
  constexpr std::size_t kLongest = 64;  // no name or key is as long; the distance of longer ones is not worth its time
  if (name.size() > kLongest) return std::nullopt;
  std::optional<std::string> best;
  std::size_t least = std::min<std::size_t>(2, std::max<std::size_t>(1, name.size() / 3)) + 1;
  for (const std::string& candidate : candidates)
    if (const std::size_t d = edits_between(folded(name), folded(candidate)); d < least) {
      least = d;
      best = candidate;
    }
  if (best || name.size() < 3) return best;
  for (const std::string& candidate : candidates)
    if (folded(candidate).starts_with(folded(name))) {
      if (best) return std::nullopt;  // the beginning of several
      best = candidate;
    }
  return best;
}

std::string suggestion(std::string_view name, std::span<const std::string> candidates) {
  if (const auto near = nearest(name, candidates)) return fmt::format("did you mean \"{}\"?", *near);
  if (candidates.empty()) return "there are none";
  return fmt::format("known here: {}", fmt::join(candidates, ", "));
}

std::string excerpt(std::string_view text) {
  const std::size_t end = std::min(text.find_first_of("\r\n"), text.size());
  bool cut = end < text.size();
  std::string line(text.substr(0, end));
  line.erase(0, std::min(line.find_first_not_of(" \t"), line.size()));
  line.erase(line.find_last_not_of(" \t") + 1);
  if (line.size() > kMaxExcerpt) {
    std::size_t keep = kMaxExcerpt;
    while (keep > 0 && (line[keep] & '\xC0') == '\x80') --keep;  // not within a character
    line.resize(keep);
    cut = true;
  }
  return files::shown(line) + (cut ? "..." : "");
}

std::string one_of(std::span<const std::string> names) {
  std::string list;
  for (std::size_t i = 0; i < names.size(); ++i)
    list.append(i == 0 ? "" : i + 1 < names.size() ? ", " : " or ").append(names[i]);
  return list;
}

}  // namespace rackproof::rig
