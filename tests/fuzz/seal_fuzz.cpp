// Must hold: any bytes are a whole seal or a damaged one, with words; whatever facts stand under a hash that fits, they
// read back as themselves, and what moved between them and a rig is told in words.
#include "harness/seal/drift.hpp"
#include "harness/seal/seal.hpp"
#include "tests/fuzz/refusals.hpp"

namespace {
using namespace rackproof;
using namespace rackproof::seal;
using fuzz::must;

void check(const Facts& sealed) {
  static const Facts now = facts_of(fuzz::some_rig());
  for (const auto& [was, is] : {std::pair(&sealed, &now), std::pair(&now, &sealed)})
    for (const Move& move : moves_between(*was, *is)) must(!move.text.empty());
  must(moves_between(sealed, sealed).empty());
}
/// "key = value" in each line.
Facts facts_in(const std::string& text) {
  Facts facts;
  for (std::size_t at = 0; at < text.size();) {
    const std::size_t end = std::min(text.find('\n', at), text.size()), split = text.find(" = ", at);
    if (split < end) facts.push_back({text.substr(at, split - at), text.substr(split + 3, end - split - 3)});
    at = end + 1;
  }
  return facts;
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const std::string text = fuzz::text_of(data, size);
  const Seal read = read_seal(text, "rig.seal");
  must(read.state == State::whole || (read.state == State::damaged && !read.why.empty() && read.facts.empty()));
  if (read.state == State::whole) check(read.facts);

  const Facts facts = facts_in(text);
  const Seal back = read_seal(seal_text(facts), "rig.seal");
  if (back.state != State::whole) return 0;  // a key twice
  must(back.facts == facts);
  check(facts);
  return 0;
}
