// Must hold: whatever a person's file holds, an edit is refused in words or reads as the old file with that one value
// set; done once more it changes nothing. The first byte picks table, key and value, the rest is the file.
#include <array>
#include <string_view>

#include "harness/rig/document.hpp"
#include "harness/rig/edit.hpp"
#include "tests/fuzz/refusals.hpp"

namespace {
using namespace rackproof;
using fuzz::must;

constexpr std::array<std::string_view, 7> kTables{"",       "venue",  "venue.feed.left", "system",
                                                  "way[0]", "way[1]", "a.b.c.d"};
constexpr std::array<std::string_view, 3> kKeys{"gain", "eq", "delay"};
constexpr std::array<std::string_view, 4> kValues{"\"-3 dB\"", "[]", "\"1.25 ms\"",
                                                  "[\n  { type = \"peaking\", at = \"90 Hz\", q = 2 },\n]"};

/// The value at the end of a path of keys and numbers of list items.
const rig::Node* at(const rig::Node& root, std::string_view path, std::string_view key) {
  const rig::Node* here = &root;
  while (!path.empty()) {
    std::string_view step = path.substr(0, path.find('.'));
    path.remove_prefix(std::min(path.size(), step.size() + 1));
    const std::size_t bracket = step.find('[');
    const rig::Entry* entry = here->find(step.substr(0, bracket));
    if (entry == nullptr) return nullptr;
    here = &entry->value;
    if (bracket == step.npos) continue;
    const auto item = static_cast<std::size_t>(step[bracket + 1] - '0');
    if (item >= here->items.size()) return nullptr;
    here = &here->items[item];
  }
  const rig::Entry* entry = here->find(key);
  return entry == nullptr ? nullptr : &entry->value;
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  if (size == 0) return 0;
  const std::size_t pick = data[0];
  const std::string_view table = kTables[pick % kTables.size()], key = kKeys[pick / kTables.size() % kKeys.size()],
                         value = kValues[pick / (kTables.size() * kKeys.size()) % kValues.size()];
  const std::string before = fuzz::text_of(data + 1, size - 1);
  fuzz::refused_in_words_or([&] {
    const std::string after = rig::with_value(before, "rig.toml", table, key, value);
    const rig::Node root = rig::parse_document(after, "rig.toml");
    const rig::Node wanted = rig::parse_document("x = " + std::string(value) + "\n", "x.toml");
    const rig::Node* now = at(root, table, key);
    must(now != nullptr && now->kind == wanted.entries[0].value.kind && now->text == wanted.entries[0].value.text &&
         now->items.size() == wanted.entries[0].value.items.size());
    must(rig::with_value(after, "rig.toml", table, key, value) == after);
  });
  return 0;
}
