#include "harness/verbs/set_list.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <nlohmann/json.hpp>
#include <optional>
#include <set>

#include "harness/files/entry.hpp"
#include "harness/files/fingerprint.hpp"
#include "harness/files/plain_file.hpp"
#include "harness/files/shown.hpp"
#include "harness/firmware/numbers.hpp"
#include "harness/rig/document.hpp"
#include "harness/rig/json_fields.hpp"
#include "harness/seal/facts.hpp"
#include "harness/seal/seal.hpp"
#include "harness/verbs/json_keys.hpp"

namespace rackproof {
namespace {

namespace fs = std::filesystem;

constexpr std::size_t kMostOfList = std::size_t{4} << 20;

/// The list that stands there; nothing where there is none, or what stands there is none.
std::optional<rig::JsonNode> list_in(const fs::path& file) {
  try {
    return rig::parse_json(files::read_plain_file(file, {kMostOfList}), file, "a list of files");
  } catch (const InputError&) {
    return std::nullopt;
  }
}

bool is_there(const fs::path& file) { return files::entry_at(file) == files::Entry::file; }

/// A name below the folder, and none that leads out of it.
bool is_below(const fs::path& name) {
  return !name.empty() && name.is_relative() &&
         std::ranges::none_of(name, [](const fs::path& part) { return part.empty() || part == "." || part == ".."; });
}

std::set<std::string> names_listed(const rig::JsonNode& list) {
  std::set<std::string> names;
  const auto add = [&](const rig::JsonNode* name) {
    if (name != nullptr && name->kind == rig::JsonNode::Kind::text && is_below(name->text)) names.insert(name->text);
  };
  const auto each = [&](const char* key, const auto& take) {
    if (const rig::JsonNode* found = list.find(key); found != nullptr && found->kind == rig::JsonNode::Kind::list)
      for (const rig::JsonNode& item : found->items) take(item);
  };
  for (const char* key : {"outputs", "files"}) each(key, [&](const rig::JsonNode& item) { add(item.find("file")); });
  each("not_of_this_set", [&](const rig::JsonNode& item) { add(&item); });
  return names;
}

std::vector<std::string> texts_of(const rig::JsonNode* list) {
  std::vector<std::string> texts;
  if (list != nullptr && list->kind == rig::JsonNode::Kind::list)
    for (const rig::JsonNode& item : list->items) texts.push_back(item.text);
  return texts;
}
std::map<std::string, Slots> slots_listed(const rig::JsonNode& list) {
  std::map<std::string, Slots> slots;
  const rig::JsonNode* presets = list.find("presets");
  if (presets == nullptr || presets->kind != rig::JsonNode::Kind::list) return slots;
  for (const rig::JsonNode& preset : presets->items)
    if (const rig::JsonNode* name = preset.find("name"))
      slots[name->text] = {texts_of(preset.find("inputs")), texts_of(preset.find("outputs"))};
  return slots;
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
  Json made{{"format", kJsonFormat},
            {"rackproof", RACKPROOF_VERSION},
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
  if (const std::optional<rig::JsonNode> list = list_in(folder / list_name)) {
    for (const std::string& name : names_listed(*list))
      if (std::ranges::find(names, name) == names.end() && is_there(folder / name)) earlier.others.push_back(name);
    earlier.slots = slots_listed(*list);
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
  std::vector<std::string> others;
  for (const std::string& name : earlier.others) others.push_back(files::shown(name));
  if (!others.empty())
    warnings.push_back({"not-of-this-set",
                        fmt::format("{}: of an earlier run with other outputs, and not of this one: {}. Remove what is "
                                    "not wanted, or write to another folder",
                                    folder.string(), fmt::join(others, ", "))});
  return warnings;
}

}  // namespace rackproof
