// Must hold: outputs that differ and loudspeakers that differ are read as they are written, each with its place; what
// is in neither form of rig, or in both, becomes words.
#include <fmt/format.h>
#include <gmock/gmock.h>

#include <cmath>
#include <string>

#include "harness/rig/rig.hpp"
#include "tests/harness/edited.hpp"
#include "tests/harness/refusal.hpp"

namespace rackproof::rig {
namespace {

using testing::AllOf, testing::HasSubstr;

const std::string kHead = R"(format = 1
controller = { sample_rate = "48 kHz", output_full_scale = "+18 dBu", temperature = "20 degC" }
feeds = { left = 1, right = 2, aux = 3 }
[amplifier.a]
ratings = [ { power = "700 W", load = "8 ohm" } ]
gain = "32 dB"
[amplifier.b]
ratings = [ { power = "700 W", load = "8 ohm" } ]
gain = "32 dB"
[driver.d]
impedance = "8 ohm"
continuous_power = "300 W"
)";
const std::string kWay = "name = \"low\"\namplifier = \"a\"\ndriver = \"d\"\n";
std::string plain_with(const std::string& way) { return kHead + "[[way]]\n" + kWay + way; }
const std::string kSeveral = kHead + R"([[loudspeaker]]
name = "main"
feeds = [ "left", "right" ]
system = { gain = "-3 dB", eq = [ { type = "peaking", at = "240 Hz", gain = "-3.5 dB", q = 1.4 } ] }
crossover = { points = [ { at = "1.6 kHz", alignment = "linkwitz-riley", slope = "24 dB/oct" } ], phase_matched = false }
  [[loudspeaker.way]]
  name = "low"
  amplifier = "a"
  driver = "d"
  [loudspeaker.way.output.right]
  gain = "-1 dB"
  delay = "0.3433 m"
  polarity = "inverted"
  mute = true
  eq = [ { type = "peaking", at = "1 kHz", gain = "2 dB", q = 1 } ]
  [[loudspeaker.way]]
  name = "high"
  feeds = "sum"
  amplifier = "a"
  driver = "d"
[[loudspeaker]]
name = "fill"
delay = "34.33 m"
mute = true
  [[loudspeaker.way]]
  name = "box"
  feeds = { left = "0 dB", aux = "-6 dB" }
  amplifier = "b"
  driver = "d"
  mute = true
)";
std::string said_of(const std::string& text) {
  return test::refusal_of([&] { parse_rig(text, "rig.toml"); });
}

TEST(WayFeeds, AreEachSumAListOrAMix) {
  const auto way_of_text = [](const std::string& text) { return parse_rig(plain_with(text), "rig.toml").ways.at(0); };
  EXPECT_EQ(way_of_text("").outputs(3), 3u);
  EXPECT_EQ(way_of_text("feeds = \"each\"").outputs(3), 3u);
  EXPECT_TRUE(way_of_text("feeds = \"sum\"").sum_of_feeds);
  EXPECT_EQ(way_of_text("feeds = \"sum\"").outputs(3), 1u);
  const Way listed = way_of_text("feeds = [ \"aux\", \"left\" ]");
  EXPECT_EQ(listed.only, (std::vector<std::size_t>{2, 0}));
  EXPECT_EQ(listed.outputs(3), 2u);
  const Way mixed = way_of_text("feeds = { left = \"0 dB\", aux = \"-6 dB\" }");
  ASSERT_EQ(mixed.mix.size(), 2u);
  EXPECT_EQ(mixed.mix[0].feed, 0u);
  EXPECT_EQ(mixed.mix[1].feed, 2u);
  EXPECT_EQ(mixed.mix[1].gain_db, -6);
  EXPECT_EQ(mixed.outputs(3), 1u);
}
TEST(WayFeeds, OtherFormsAreTold) {
  EXPECT_THAT(said_of(plain_with("feeds = \"left\"")), AllOf(HasSubstr("way.low.feeds"), HasSubstr("[ \"left\" ]")));
  EXPECT_THAT(said_of(plain_with("feeds = \"both\"")), HasSubstr("each or sum"));
  EXPECT_THAT(said_of(plain_with("feeds = [ \"lfet\" ]")), HasSubstr("did you mean \"left\""));
  EXPECT_THAT(said_of(plain_with("feeds = [ \"left\", \"left\" ]")), HasSubstr("twice"));
  EXPECT_THAT(said_of(plain_with("feeds = []")), HasSubstr("at least one"));
  EXPECT_THAT(said_of(plain_with("feeds = {}")), HasSubstr("at least one"));
  EXPECT_THAT(said_of(plain_with("feeds = { front = \"0 dB\" }")), HasSubstr("way.low.feeds.front"));
  EXPECT_THAT(said_of(plain_with("feeds = { left = \"0\" }")), HasSubstr("way.low.feeds.left"));
  EXPECT_THAT(said_of(plain_with("feeds = { left = \"60 dB\" }")), HasSubstr("-40 dB to 40 dB"));
  EXPECT_THAT(said_of(plain_with("feeds = 2")), HasSubstr("\"each\", \"sum\", [ \"left\" ]"));
}
TEST(WayOutput, IsOfAFeedThatTheWayTakesAndOfNoSum) {
  const Rig rig = parse_rig(plain_with("[way.output.aux]\nmute = true\ngain = \"-2 dB\"\n"), "rig.toml");
  ASSERT_EQ(rig.ways[0].output.size(), 1u);
  EXPECT_TRUE(rig.ways[0].output.at("aux").muted);
  EXPECT_EQ(rig.ways[0].output.at("aux").gain_db, -2);
  EXPECT_EQ(rig.ways[0].output.at("aux").source.key, "way.low.output.aux");
  EXPECT_THAT(said_of(plain_with("feeds = [ \"left\" ]\n[way.output.aux]\nmute = true\n")),
              AllOf(HasSubstr("way.low.output.aux"), HasSubstr("does not take")));
  EXPECT_THAT(said_of(plain_with("feeds = \"sum\"\n[way.output.left]\nmute = true\n")),
              AllOf(HasSubstr("way.low.output"), HasSubstr("keys of the way itself")));
  EXPECT_THAT(said_of(plain_with("feeds = { left = \"0 dB\" }\n[way.output.left]\nmute = true\n")), HasSubstr("a mix"));
  EXPECT_THAT(said_of(plain_with("[way.output.left]\nlevel = \"-2 dB\"\n")), HasSubstr("gain = \"-3 dB\""));
  EXPECT_THAT(said_of(plain_with("[way.output.left]\nmuted = true\n")), HasSubstr("mute = true"));
  EXPECT_THAT(said_of(plain_with("mute = \"yes\"")), HasSubstr("true or false"));
}

TEST(SeveralLoudspeakers, AreRigsOfThePlainFormEach) {
  const Rig rig = parse_rig(kSeveral, "rig.toml");
  ASSERT_EQ(rig.loudspeakers.size(), 2u);
  EXPECT_TRUE(rig.ways.empty());
  EXPECT_EQ(rig.parts().size(), 2u);
  const Rig &main = rig.loudspeakers[0], &fill = rig.loudspeakers[1];
  EXPECT_EQ(main.loudspeaker, "main");
  EXPECT_EQ(main.system_gain_db, -3);
  EXPECT_EQ(main.system_eq.size(), 1u);
  EXPECT_EQ(main.points.size(), 1u);
  EXPECT_FALSE(main.phase_matched);
  EXPECT_EQ(main.feeds.size(), 3u);
  ASSERT_EQ(main.amplifiers.size(), 1u) << "those that it uses";
  EXPECT_EQ(main.amplifiers[0].name, "a");
  EXPECT_EQ(main.ways[0].only, (std::vector<std::size_t>{0, 1})) << "as the loudspeaker says";
  EXPECT_TRUE(main.ways[1].sum_of_feeds) << "unless the way says otherwise";
  EXPECT_TRUE(main.ways[1].only.empty());
  const OutputLayer& right = main.ways[0].output.at("right");
  EXPECT_NEAR(right.delay_s, 1e-3, 1e-6) << "343.42 m/s at 20 degC";
  EXPECT_TRUE(right.inverted && right.muted);
  EXPECT_EQ(right.source.key, "loudspeaker.main.way.low.output.right");
  EXPECT_EQ(fill.source.key, "loudspeaker.fill");
  EXPECT_NEAR(fill.delay_s, 0.1, 1e-4);
  EXPECT_TRUE(fill.muted && fill.ways[0].muted);
  EXPECT_TRUE(fill.points.empty());
  EXPECT_EQ(fill.ways[0].source.key, "loudspeaker.fill.way.box");
}
TEST(SeveralLoudspeakers, AcceptForThemselvesOrForAll) {
  const auto accepting = [](const std::string& check) {
    return test::edited(kSeveral, "name = \"fill\"\n",
                        "name = \"fill\"\naccept = { " + check + " = \"a growl that is wanted\" }\n");
  };
  const Rig rig = parse_rig(accepting("release") + "[accept]\ndelay = \"measured by another\"\n", "rig.toml");
  ASSERT_EQ(rig.accept.size(), 1u);
  EXPECT_EQ(rig.accept[0].check, "delay");
  EXPECT_TRUE(rig.loudspeakers[0].accept.empty());
  ASSERT_EQ(rig.loudspeakers[1].accept.size(), 1u);
  EXPECT_EQ(rig.loudspeakers[1].accept[0].check, "release");
  EXPECT_EQ(rig.loudspeakers[1].accept[0].reason, "a growl that is wanted");
  EXPECT_THAT(said_of(accepting("load")),
              AllOf(HasSubstr("loudspeaker.fill.accept.load"), HasSubstr("it is never accepted")));
}
TEST(SeveralLoudspeakers, ARigHasEitherFormNeverBoth) {
  for (const char* const key : {"system", "crossover", "way"}) {
    const std::string table = key == std::string("way") ? "[[way]]\n" + kWay : fmt::format("[{}]\n", key);
    EXPECT_THAT(said_of(kSeveral + table), AllOf(HasSubstr(fmt::format("{} beside [[loudspeaker]]", key)),
                                                 HasSubstr("either [[loudspeaker]] tables")));
  }
  EXPECT_THAT(said_of(kHead), HasSubstr("[[way]]")) << "neither form";
  EXPECT_THAT(said_of("loudspeaker = []\n" + kHead), HasSubstr("0 loudspeakers"));
}
TEST(SeveralLoudspeakers, FaultsNameLoudspeakerWayAndOutput) {
  EXPECT_THAT(said_of(test::edited(kSeveral, "name = \"fill\"", "name = \"Main\"")), HasSubstr("differs in capitals"));
  EXPECT_THAT(said_of(test::edited(kSeveral, "amplifier = \"b\"", "amplifier = \"c\"")),
              HasSubstr("loudspeaker.fill.way.box.amplifier"));
  EXPECT_THAT(said_of(test::edited(kSeveral, "delay = \"34.33 m\"", "delay = \"3433 m\"")),
              HasSubstr("loudspeaker.fill.delay"));
  EXPECT_THAT(said_of(test::edited(kSeveral, "gain = \"-1 dB\"", "gain = \"-1 m\"")),
              HasSubstr("loudspeaker.main.way.low.output.right.gain"));
  EXPECT_THAT(said_of(test::edited(
                  kSeveral, "points = [ { at = \"1.6 kHz\", alignment = \"linkwitz-riley\", slope = \"24 dB/oct\" } ]",
                  "points = []")),
              AllOf(HasSubstr("loudspeaker.main.crossover.points"), HasSubstr("one fewer than there are ways")));
  EXPECT_THAT(said_of(test::edited(kSeveral, "name = \"box\"", "")), HasSubstr("loudspeaker.fill.way[1].name"));
  EXPECT_THAT(said_of(test::edited(kSeveral, "mute = true\n  [[", "position = \"2 m\"\n  [[")),
              HasSubstr("loudspeaker.fill.position"));
}

TEST(VenueLoudspeaker, HasALayerByTheNameOfOneOfTheRig) {
  const Rig rig = parse_rig(kSeveral, "rig.toml");
  const std::string head = "format = 1\n[venue]\n";
  const Venue venue = parse_venue(head +
                                      "[venue.loudspeaker.fill]\ngain = \"-2 dB\"\ndelay = \"5 ms\"\nmute = true\n"
                                      "eq = [ { type = \"peaking\", at = \"1 kHz\", gain = \"2 dB\", q = 1 } ]\n",
                                  "venue.toml", rig);
  const LoudspeakerLayer& fill = venue.loudspeaker.at("fill");
  EXPECT_EQ(fill.gain_db, -2);
  EXPECT_EQ(fill.delay_s, 5e-3);
  EXPECT_TRUE(fill.muted);
  EXPECT_EQ(fill.eq.size(), 1u);
  const auto said = [&](const std::string& text, const Rig& of) {
    return test::refusal_of([&] { parse_venue(head + text, "venue.toml", of); });
  };
  EXPECT_THAT(said("[venue.loudspeaker.fil]\n", rig), HasSubstr("did you mean \"fill\""));
  EXPECT_THAT(said("[venue.loudspeaker.fill]\n", parse_rig(plain_with(""), "rig.toml")),
              HasSubstr("has no [[loudspeaker]]"));
  EXPECT_THAT(said("[venue.loudspeaker.fill]\npolarity = \"inverted\"\n", rig), HasSubstr("not known"));
  EXPECT_THAT(test::refusal_of([&] { parse_rig(head, "venue.toml"); }), HasSubstr("a rig file is wanted"));
  EXPECT_THAT(test::refusal_of([&] { parse_venue(kSeveral, "rig.toml", rig); }), HasSubstr("a venue file is wanted"));
}

}  // namespace
}  // namespace rackproof::rig
