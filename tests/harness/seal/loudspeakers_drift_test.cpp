// Must hold: of a rig of several loudspeakers everything that moved is told with the loudspeaker's name, under its key
// in the file; what comes and goes is told once; the plain form's seals are what they were.
#include <gmock/gmock.h>

#include "harness/seal/drift.hpp"
#include "tests/harness/edited.hpp"
#include "tests/harness/scratch.hpp"

namespace rackproof::seal {
namespace {

using testing::AllOf, testing::Contains, testing::ElementsAre, testing::Field, testing::HasSubstr, testing::IsEmpty;

std::string square_text() { return test::bytes_of(RACKPROOF_SOURCE_DIR "/audio_fixtures/town-square.toml"); }
std::vector<Move> moves_of_square(const std::string& from, const std::string& to) {
  const std::string text = test::edited(square_text(), from, to);
  return moves_between(facts_of(rig::parse_rig(square_text(), "a.toml")), facts_of(rig::parse_rig(text, "a.toml")));
}
Move only(const std::vector<Move>& moves) {
  EXPECT_EQ(moves.size(), 1u);
  for (std::size_t m = 1; m < moves.size(); ++m) ADD_FAILURE() << moves[m].key << ": " << moves[m].text;
  return moves.empty() ? Move{} : moves[0];
}

TEST(LoudspeakersDrift, TellsWhoseNumberMoved) {
  EXPECT_THAT(moves_of_square("# ---- the mains", "# and a remark: the mains"), IsEmpty());
  Move move = only(moves_of_square("gain = \"0.5 dB\"", "gain = \"1.5 dB\""));
  EXPECT_EQ(move.key, "loudspeaker.main.way.low.output.right.gain");
  EXPECT_THAT(move.text, AllOf(HasSubstr("loudspeaker main: low.right's own gain"), HasSubstr("0.5 to 1.5 dB")));
  move = only(moves_of_square("delay = \"28 m\"", "delay = \"29 m\""));
  EXPECT_EQ(move.key, "loudspeaker.delayed.delay");
  EXPECT_THAT(move.text, HasSubstr("loudspeaker delayed: its delay"));
  move = only(moves_of_square("{ left = \"-6 dB\", right = \"-6 dB\" }", "{ left = \"-6 dB\", right = \"-9 dB\" }"));
  EXPECT_EQ(move.key, "loudspeaker.fill.way.box.feeds");
  EXPECT_THAT(move.text, HasSubstr("left at -6 dB with right at -9 dB"));
  move = only(moves_of_square("name = \"fill\"\n", "name = \"fill\"\nmute = true\n"));
  EXPECT_EQ(move.key, "loudspeaker.fill.mute");
  move = only(moves_of_square("{ type = \"highshelf\", at = \"8 kHz\", gain = \"2 dB\", q = 0.7 }", ""));
  EXPECT_EQ(move.key, "loudspeaker.fill.system.eq");
  EXPECT_THAT(move.text, HasSubstr("loudspeaker fill: the system's eq lost its highshelf at 8 kHz"));
}
TEST(LoudspeakersDrift, WhatOneAcceptsIsSealedAsItsOwn) {
  const Move move = only(
      moves_of_square("name = \"fill\"\n", "name = \"fill\"\naccept = { release = \"a growl that is wanted\" }\n"));
  EXPECT_EQ(move.key, "loudspeaker.fill.accept.release");
  EXPECT_EQ(move.text, "loudspeaker fill: a fall of release is accepted now: a growl that is wanted");
}
TEST(LoudspeakersDrift, WhatProtectsIsToldForEachLoudspeakerThatItMoves) {
  const std::vector<Move> moves = moves_of_square("gain = \"28 dB\"", "gain = \"30 dB\"");  // of amplifier small
  EXPECT_THAT(moves, Contains(Field(&Move::key, "amplifier.small.gain")));
  EXPECT_THAT(moves, Contains(Field(&Move::text, HasSubstr("loudspeaker fill: box's threshold"))));
  EXPECT_THAT(moves, Contains(Field(&Move::text, HasSubstr("loudspeaker delayed: box's threshold"))));
  EXPECT_THAT(moves, testing::Not(Contains(Field(&Move::text, HasSubstr("another version")))));
}
TEST(LoudspeakersDrift, OneThatComesOrGoesIsToldOnce) {
  const std::string text = square_text();
  const std::string without = text.substr(0, text.find("# ---- the delayed pair"));
  const Facts all = facts_of(rig::parse_rig(text, "a.toml")), fewer = facts_of(rig::parse_rig(without, "a.toml"));
  // The longest look-ahead is the mains': the latency stays.
  EXPECT_THAT(moves_between(all, fewer), ElementsAre(Field(&Move::text, "the loudspeaker delayed is gone")));
  EXPECT_THAT(moves_between(fewer, all), ElementsAre(Field(&Move::text, "the loudspeaker delayed was added")));
}

}  // namespace
}  // namespace rackproof::seal
