#include "harness/verbs/set_list.hpp"

#include <fcntl.h>
#include <fmt/format.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <nlohmann/json.hpp>
#include <set>

#include "harness/files/descriptor.hpp"
#include "harness/files/fingerprint.hpp"
#include "harness/firmware/numbers.hpp"
#include "harness/rig/document.hpp"
#include "harness/seal/facts.hpp"
#include "harness/seal/seal.hpp"

namespace rackproof {
namespace {

namespace fs = std::filesystem;

constexpr std::size_t kMostOfList = std::size_t{4} << 20;
constexpr int kDeepest = 8;

/// What can be read of a plain file that is not too large; empty where it cannot.
std::string text_of(const fs::path& file) {
  const files::Descriptor opened(::open(file.c_str(), O_RDONLY | O_NONBLOCK | O_CLOEXEC));
  struct stat facts {};
  if (!opened || ::fstat(opened.get(), &facts) != 0 || !S_ISREG(facts.st_mode)) return {};
  if (static_cast<std::size_t>(facts.st_size) > kMostOfList) return {};
  std::string text(static_cast<std::size_t>(facts.st_size), '\0');
  const ssize_t got = files::read_at(opened.get(), text, 0);
  text.resize(got > 0 ? static_cast<std::size_t>(got) : 0);
  return text;
}

bool is_there(const fs::path& file) {
  std::error_code ignored;
  return fs::is_regular_file(fs::symlink_status(file, ignored));
}

/// A name below the folder, and none that leads out of it.
bool is_below(const fs::path& name) {
  return !name.empty() && name.is_relative() &&
         std::ranges::none_of(name, [](const fs::path& part) { return part.empty() || part == "." || part == ".."; });
}

std::set<std::string> names_listed(const Json& list) {
  std::set<std::string> names;
  const auto add = [&](const Json& name) {
    if (name.is_string() && is_below(name.get<std::string>())) names.insert(name.get<std::string>());
  };
  const auto each = [&](const char* key, const auto& take) {
    if (const auto found = list.find(key); found != list.end() && found->is_array())
      for (const Json& item : *found) take(item);
  };
  for (const char* key : {"outputs", "files"})
    each(key, [&](const Json& item) {
      if (item.is_object() && item.contains("file")) add(item["file"]);
    });
  each("not_of_this_set", add);
  return names;
}

/// The line of a seal that holds its hash.
std::string hash_in(const std::string& seal) {
  const std::size_t from = seal.rfind(' ') + 1;
  return seal.substr(from, seal.find('\n', from) - from);
}

}  // namespace

Json made_from(const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& compiled) {
  const seal::Facts facts = seal::facts_of(rig);
  Json numbers = Json::object();
  for (const seal::Fact& fact : facts) numbers[fact.key] = fact.value;
  Json made{{"rackproof", RACKPROOF_VERSION},
            {"rig", {{"file", rig.file.filename().string()}, {"blake2b", hash_in(seal::seal_text(facts))}}},
            {"venue", nullptr},
            {"chain", fmt::format("{:#018x}", firmware::fingerprint(compiled))}};
  made["rig"]["numbers"] = std::move(numbers);
  if (venue != nullptr)
    made["venue"] = {{"file", venue->file.filename().string()},
                     {"xxh128", files::fingerprint_of(rig::read_text(venue->file))}};
  return made;
}

Json json_of(const ListedFile& file) { return {{"file", file.name}, {"bytes", file.bytes}, {"xxh128", file.xxh128}}; }

EarlierSet earlier_set(const fs::path& folder, std::string_view list_name, const std::vector<std::string>& names,
                       std::size_t left) {
  EarlierSet earlier;
  const std::string text = text_of(folder / list_name);
  const Json list = Json::parse(
      text, [](int depth, Json::parse_event_t, Json&) { return depth <= kDeepest; }, false);
  if (list.is_object()) {
    for (const std::string& name : names_listed(list))
      if (std::ranges::find(names, name) == names.end() && is_there(folder / name)) earlier.others.push_back(name);
    return earlier;
  }
  earlier.whole = left == 0 && std::ranges::none_of(names, [&](const auto& name) { return is_there(folder / name); });
  return earlier;
}

std::vector<Warning> warnings_of(const EarlierSet& earlier, const fs::path& folder, std::string_view list_name) {
  std::vector<Warning> warnings;
  if (!earlier.whole)
    warnings.push_back(
        {"earlier-set-not-whole",
         fmt::format("{}: what stood there had no {}: an earlier run did not end, or something else made "
                     "it. What this run puts there is whole; look at what else is there",
                     folder.string(), list_name)});
  if (!earlier.others.empty())
    warnings.push_back({"not-of-this-set",
                        fmt::format("{}: of an earlier run with other outputs, and not of this one: {}. Remove what is "
                                    "not wanted, or write to another folder",
                                    folder.string(), fmt::join(earlier.others, ", "))});
  return warnings;
}

}  // namespace rackproof
