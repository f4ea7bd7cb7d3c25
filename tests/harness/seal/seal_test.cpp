// Must hold: a seal reads back as it was written; every single byte changed, put in or cut off, is noticed.
#include "harness/seal/seal.hpp"

#include <gtest/gtest.h>
#include <sys/stat.h>

#include "../rig/example_rig.hpp"
#include "tests/harness/scratch.hpp"

namespace rackproof::seal {
namespace {

Facts example() { return facts_of(rig::parse_rig(rig::kExampleRig, "example.toml")); }
State state_of(const std::string& text) { return read_seal(text, "example.seal").state; }

TEST(Seal, ReadsBackAsItWasWritten) {
  const Facts facts = example();
  ASSERT_GT(facts.size(), 100u);
  const Seal seal = read_seal(seal_text(facts), "example.seal");
  ASSERT_EQ(seal.state, State::whole) << seal.why;
  EXPECT_EQ(seal.facts, facts);
  EXPECT_EQ(seal_text(seal.facts), seal_text(facts));
}

TEST(Seal, OfNothingIsWholeToo) { EXPECT_EQ(state_of(seal_text({})), State::whole); }

TEST(Seal, NoticesEveryByte) {
  const std::string text = seal_text({{"system.gain", "-6 dB"}, {"way.low.drivers", "2"}});
  ASSERT_EQ(state_of(text), State::whole);
  for (std::size_t at = 0; at < text.size(); ++at) {
    for (const char flip : {'\x01', '\x20', '\x7f'}) {
      std::string bad = text;
      bad[at] = static_cast<char>(bad[at] ^ flip);
      EXPECT_EQ(state_of(bad), State::damaged) << "byte " << at;
    }
    EXPECT_EQ(state_of(text.substr(0, at)), State::damaged) << "cut at " << at;
    EXPECT_EQ(state_of(text.substr(0, at) + text.substr(at + 1)), State::damaged) << "without byte " << at;
    EXPECT_EQ(state_of(text.substr(0, at) + "x" + text.substr(at)), State::damaged) << "one more at " << at;
  }
  EXPECT_EQ(state_of(text + "\n"), State::damaged);
  EXPECT_EQ(state_of(text + text), State::damaged);
  EXPECT_EQ(state_of(""), State::damaged);
}

TEST(Seal, StandsBesideItsRig) {
  EXPECT_EQ(seal_file_of("shows/harbour.toml"), "shows/harbour.seal");
  EXPECT_EQ(seal_file_of("harbour.v2.toml"), "harbour.v2.seal");
  EXPECT_EQ(seal_file_of("harbour.rig"), "harbour.rig.seal");
}

TEST(Seal, MissingIsNotDamaged) {
  const test::Scratch scratch;
  EXPECT_EQ(load_seal(scratch / "none.seal").state, State::absent);
  test::put(scratch / "some.seal", "seal 1\n");
  EXPECT_EQ(load_seal(scratch / "some.seal").state, State::damaged);
  EXPECT_EQ(load_seal(scratch.folder()).state, State::damaged);  // a folder is no seal
  ASSERT_EQ(::mkfifo((scratch / "pipe.seal").c_str(), 0600), 0);
  EXPECT_EQ(load_seal(scratch / "pipe.seal").state, State::damaged);  // and is not waited for
  test::put(scratch / "good.seal", seal_text(example()));
  EXPECT_EQ(load_seal(scratch / "good.seal").state, State::whole);
}

}  // namespace
}  // namespace rackproof::seal
