// Must hold: whatever is written otherwise and means the same has not moved; every number that is changed is told,
// once, under its key, in words; what its change makes of the thresholds is told too.
#include "harness/seal/drift.hpp"

#include <gmock/gmock.h>

#include "../rig/example_rig.hpp"
#include "tests/harness/edited.hpp"
#include "tests/harness/scratch.hpp"

namespace rackproof::seal {
namespace {

using testing::AllOf;
using testing::Contains;
using testing::ElementsAre;
using testing::Field;
using testing::HasSubstr;
using testing::IsEmpty;
using testing::Not;

struct Edit {
  std::string from, to;
};
std::string edited(std::string text, const std::vector<Edit>& edits) {
  for (const auto& [from, to] : edits) text = test::edited(text, from, to);
  return text;
}
Facts facts(const std::string& text) { return facts_of(rig::parse_rig(text, "a.toml")); }
std::vector<Move> moves(const std::vector<Edit>& edits) {
  return moves_between(facts(rig::kExampleRig), facts(edited(rig::kExampleRig, edits)));
}
std::vector<std::string> texts(const std::vector<Edit>& edits) {
  std::vector<std::string> list;
  for (const Move& move : moves(edits)) list.push_back(move.text);
  return list;
}

TEST(Drift, WhatMeansTheSameHasNotMoved) {
  EXPECT_THAT(texts({}), IsEmpty());
  EXPECT_THAT(texts({{"format = 1", "# a remark\nformat = 1"},
                     {"\"48 kHz\"", "\"48000 Hz\""},
                     {"\"0.72 m\"", "\"72 cm\""},
                     {"\"2.1 ms\"", "\"0.0021 s\""},
                     {"\"1.2 kW\"", "\"1200W\""},
                     {"\"1.6 kHz\"", "\"1600 Hz\""},
                     {"gain = \"-1 dB\"", "gain = \"−1dB\""},
                     {"\"25 degC\"", "\"77 degF\""},
                     {"{ power = \"700 W\", load = \"8 ohm\" }, { power = \"1150 W\", load = \"4 ohm\" }",
                      "{ load = \"4 ohm\", power = \"1150 W\" }, { load = \"8 ohm\", power = \"700 W\" }"}}),
              IsEmpty());
  // Bands in a row may change places; so may tables; and a title is no number.
  EXPECT_THAT(
      texts({{"{ type = \"peaking\", at = \"60 Hz\", gain = \"-2 dB\", q = 1.2 }, { type = \"notch\", at = \"50 "
              "Hz\", bandwidth = \"0.1 oct\" }",
              "{ type = \"notch\", at = \"50 Hz\", bandwidth = \"0.1 oct\" }, { type = \"peaking\", at = \"60 Hz\", "
              "gain = \"-2 dB\", q = 1.2 }"},
             {"left = 1\nright = 2", "right = 2\nleft = 1"},
             {"title = \"Harbour", "title = \"Other"},
             {"drivers = 2", "drivers = 2\nwiring = \"parallel\""},
             {"bridged = false", "bridged = false\nrated = \"per side\""}}),
      IsEmpty());
  EXPECT_THAT(texts({{"[driver.cone18]\nimpedance = \"8 ohm\"\ncontinuous_power = \"600 W\"\n", ""},
                     {"[amplifier.tops]",
                      "[driver.cone18]\nimpedance = \"8 ohm\"\ncontinuous_power = \"600 W\"\n"
                      "thermal_time = \"2 s\"\n[amplifier.tops]"}}),
              IsEmpty());
}

/// As between versions of the program, or after a hand has been at work.
TEST(Drift, WhatOnlyOneStateHasIsTold) {
  const Facts all = facts(rig::kExampleRig);
  for (std::size_t i = 0; i < all.size(); ++i) {
    Facts fewer = all;
    fewer.erase(fewer.begin() + static_cast<std::ptrdiff_t>(i));
    const std::vector<Move> gone = moves_between(all, fewer), come = moves_between(fewer, all);
    if (all[i].key.starts_with("computed.") || all[i].key == "ways") continue;  // told elsewhere
    EXPECT_THAT(gone, Not(IsEmpty())) << all[i].key;
    EXPECT_THAT(come, Not(IsEmpty())) << all[i].key;
    if (all[i].key.ends_with(".high.slope")) {
      EXPECT_THAT(gone[0].text, HasSubstr("its slope, is no longer given; it was "));
      EXPECT_THAT(come[0].text, HasSubstr("its slope, is now given: "));
    }
  }
  Facts odd_point = all;  // a crossover point that is nowhere
  std::erase_if(odd_point, [](const Fact& fact) { return fact.key.ends_with("low.at"); });
  EXPECT_THAT(moves_between(odd_point, odd_point), IsEmpty());
  Facts odd = all;
  for (Fact& fact : odd)
    if (fact.key.find(".eq.") != fact.key.npos) fact.value = "x";
  EXPECT_THAT(moves_between(all, odd), Contains(Field(&Move::text, HasSubstr("eq has a new x"))));
}

TEST(Drift, PointsInThePractitionersWords) {
  const auto found = moves({{"{ at = \"95 Hz\"", "{ at = \"110 Hz\""}});
  ASSERT_FALSE(found.empty());
  EXPECT_EQ(found[0].key, "crossover.sub/mid.at");
  EXPECT_EQ(found[0].was, "95 Hz");
  EXPECT_EQ(found[0].now, "110 Hz");
  EXPECT_EQ(found[0].text, "the sub to mid point rose from 95 to 110 Hz");
  EXPECT_EQ(found.size(), 1u);
  EXPECT_THAT(texts({{"\"1.6 kHz\"", "\"1.9 kHz\""}}),
              ElementsAre("the low side of the mid to high point rose from 1.6 to 1.9 kHz"));
  EXPECT_THAT(texts({{"\"1.6 kHz\"", "\"900 Hz\""}}),
              ElementsAre("the low side of the mid to high point fell from 1.6 kHz to 900 Hz"));
}

TEST(Drift, ThresholdsAreToldWithTheirCause) {
  const auto found = texts({{"limit = { below_clip = \"3 dB\" }", "limit = { below_clip = \"1.5 dB\" }"}});
  EXPECT_THAT(found, Contains(HasSubstr("mid's limiter's distance below clip is 1.5 dB lower (3 to 1.5 dB)")));
  EXPECT_THAT(found, Contains(HasSubstr("mid's threshold is 1.5 dB higher")));
  EXPECT_EQ(found.size(), 2u);
}

/// Any value of the file: one line, its key, and a word that must be in the text.
struct One {
  Edit edit;
  const char *key, *word;
};
TEST(Drift, EveryKeyIsTold) {
  const std::vector<One> all{
      {{"\"48 kHz\"", "\"96 kHz\""}, "controller.sample_rate", "rose from 48 to 96 kHz"},
      {{"block = 128", "block = 64"}, "controller.block", "fell"},
      {{"input_full_scale = \"+20", "input_full_scale = \"+22"}, "controller.input_full_scale", "rose"},
      {{"output_full_scale = \"+18", "output_full_scale = \"+17"}, "controller.output_full_scale", "fell"},
      {{"\"25 degC\"", "\"15 degC\""}, "controller.temperature", "fell from 25 to 15 degC"},
      {{"left = 1\nright = 2", "left = 2\nright = 1"}, "feeds.left", "went from 1 to 2"},
      {{"\"700 W\"", "\"800 W\""}, "amplifier.tops.ratings.1.power", "rose"},
      {{"\"32 dB\"", "\"35 dB\""}, "amplifier.tops.gain", "amplifier tops's gain is 3 dB higher"},
      {{"sensitivity = \"1.4 V\"", "sensitivity = \"0.7 V\""}, "amplifier.subs.gain", "higher"},
      {{"\"-6 dB\"", "\"-9 dB\""}, "amplifier.tops.attenuator", "3 dB lower"},
      {{"attenuator_fixed = true", "attenuator_fixed = false"}, "amplifier.tops.attenuator_fixed", "off"},
      {{"bridged = false", "bridged = true"}, "amplifier.tops.bridged", "on"},
      {{"impedance = \"8 ohm\"", "impedance = \"16 ohm\""}, "driver.cone12.impedance", "rose from 8 to 16 ohm"},
      {{"\"300 W\"", "\"250 W\""}, "driver.cone12.continuous_power", "fell"},
      {{"peak_power = \"1200 W\"\n", ""}, "driver.cone12.peak_power", "no longer given"},
      {{"\"3 s\"", "\"4 s\""}, "driver.cone12.thermal_time", "longer (3 to 4 s)"},
      {{"gain = \"-1 dB\"", "gain = \"0 dB\""}, "system.gain", "the system's gain is 1 dB higher"},
      {{"\"-3.5 dB\"", "\"-5 dB\""}, "system.eq", "the system's peaking at 240 Hz went from gain -3.5 dB"},
      {{"\"240 Hz\"", "\"250 Hz\""}, "system.eq", "moved to 250 Hz"},
      {{"\"240 Hz\"", "\"2.4 kHz\""}, "system.eq", "lost its peaking at 240 Hz"},
      {{"phase_matched = false", "phase_matched = true"}, "crossover.phase_matched", "on"},
      {{"alignment = \"bessel\", slope = \"12", "alignment = \"bessel\", slope = \"18"},
       "crossover.mid/high.high.slope",
       "high side of the mid to high point, its slope, rose from 12 to 18 dB/oct"},
      {{"alignment = \"bessel\"", "alignment = \"butterworth\""},
       "crossover.mid/high.high.alignment",
       "went from bessel"},
      {{"drivers = 2", "drivers = 1"}, "way.sub.drivers", "sub's number of drivers fell from 2 to 1"},
      {{"gain = \"-3 dB\"", "gain = \"-2 dB\""}, "way.sub.gain", "sub's gain is 1 dB higher"},
      {{"polarity = \"inverted\"", "polarity = \"normal\""}, "way.sub.polarity", "sub's polarity went from inverted"},
      {{"\"2.1 ms\"", "\"2.2 ms\""}, "way.sub.delay", "longer (2.1 to 2.2 ms)"},
      {{"highpass = { at = \"32 Hz\"", "highpass = { at = \"30 Hz\""}, "way.sub.highpass.at", "fell from 32 to 30 Hz"},
      {{"highpass = { at = \"32 Hz\", alignment = \"butterworth\", slope = \"24 dB/oct\" }\n", ""},
       "way.sub.highpass",
       "sub no longer has a high-pass at 32 Hz"},
      {{"bandwidth = \"0.1 oct\"", "bandwidth = \"0.2 oct\""}, "way.sub.eq", "sub's notch at 50 Hz"},
      {{"look_ahead = \"1.5 ms\"", "look_ahead = \"2 ms\""}, "way.sub.limit.look_ahead", "longer"},
      {{"hold = \"5 ms\"", "hold = \"4 ms\""}, "way.sub.limit.hold", "shorter (5 to 4 ms)"},
      {{"release = \"120 ms\"", "release = \"121 ms\""}, "way.sub.limit.release", "longer"},
      {{"true_peak = false", "true_peak = true"}, "way.sub.limit.true_peak", "on"},
      {{"thermal = { below_rating = \"1 dB\" }", "thermal = { below_rating = \"2 dB\" }"},
       "way.sub.thermal.below_rating",
       "1 dB higher"},
      {{"thermal = { below_rating = \"1 dB\" }\n", ""}, "way.sub.thermal", "sub no longer has a power limiter"},
      {{"limit = { below_clip = \"3 dB\" }\n", ""}, "way.mid.limit", "mid no longer has a peak limiter"},
      {{"feeds = \"sum\"\n", ""}, "way.sub.feeds", "went from sum to each"},
      {{"bridged = true", "bridged = true\nrated = \"bridged\""}, "amplifier.subs.rated", "is now given: bridged"},
      {{"bridged = true", "bridged = true\nrated = \"per side\""}, "amplifier.subs.rated", "is now given: per side"},
      {{"drivers = 2", "drivers = 2\nwiring = \"series\""},
       "way.sub.wiring",
       "wiring of its drivers is now given: series"},
      {{"drivers = 2", "drivers = 2\ndepth = \"18 cm\""}, "way.sub.depth", "sub's depth is now given: 18 cm"},
      {{"\"3 s\"", "\"3 s\"\nlowest = \"45 Hz\""}, "driver.cone12.lowest", "lowest frequency is now given: 45 Hz"},
      {{"\"3 s\"", "\"3 s\"\nhighest = \"4 kHz\""}, "driver.cone12.highest", "highest frequency is now given: 4 kHz"},
      {{"\"3 s\"", "\"3 s\"\nsensitivity = \"98 dB\""}, "driver.cone12.sensitivity", "sensitivity is now given: 98 dB"},
      {{"crossover-sum = \"sides", "crossover-level = \"sides"}, "accept.crossover-sum", "is no longer accepted"},
      {{"crossover-sum = \"sides", "crossover-level = \"sides"}, "accept.crossover-level", "accepted now: sides set"},
      {{"sides set apart for", "sides measured for"}, "accept.crossover-sum", "for another reason: sides measured"},
      {{"[accept]", "[live.connect]\nmid.left = \"system:playback_1\"\n[accept]"},
       "live.connect.mid.left",
       "the connection of mid.left is now given: system:playback_1"},
      {{"response = \"horn.csv\"\n", ""}, "way.high.response", "high's measured response is no longer given"}};
  for (const One& one : all) {
    const std::vector<Move> found = moves({one.edit});
    EXPECT_THAT(found, Contains(AllOf(Field(&Move::key, one.key), Field(&Move::text, HasSubstr(one.word)))))
        << one.edit.from << " -> " << one.edit.to;
    for (std::size_t a = 0; a < found.size(); ++a)
      for (std::size_t b = 0; b < a; ++b) EXPECT_FALSE(found[a].text == found[b].text) << found[a].text;
  }
}

// What a response says is sealed, not where it lies: a file with another phase makes another sum.
TEST(Drift, AResponseIsWhatItsFileHolds) {
  const test::Scratch scratch;
  const std::string table = "frequency_hz,magnitude_db,phase_deg\n500,0,0\n20000,0,0\n";
  test::put(scratch / "horn.csv", table);
  test::put(scratch / "copy.csv", table);
  test::put(scratch / "turned.csv", "frequency_hz,magnitude_db,phase_deg\n500,0,180\n20000,0,180\n");
  const auto with = [&](const char* name) {
    return facts_of(rig::parse_rig(edited(rig::kExampleRig, {{"horn.csv", name}}), scratch / "a.toml"));
  };
  EXPECT_THAT(moves_between(with("horn.csv"), with("copy.csv")), IsEmpty());
  EXPECT_THAT(moves_between(with("horn.csv"), with("turned.csv")),
              ElementsAre(AllOf(Field(&Move::key, "way.high.response"),
                                Field(&Move::text, HasSubstr("high's measured response is another one")))));
  EXPECT_THAT(moves_between(with("horn.csv"), with("nowhere.csv")),
              ElementsAre(Field(&Move::now, std::optional<std::string>("none that can be read"))));
}

TEST(Drift, WaysAndPointsComeAndGoAsSuch) {
  const std::string two =
      edited(rig::kExampleRig, {{"  { at = \"95 Hz\", alignment = \"linkwitz-riley\", slope = \"24 dB/oct\" },\n", ""},
                                {rig::kExampleRig.substr(rig::kExampleRig.find("[[way]]\nname = \"sub\""),
                                                         rig::kExampleRig.find("[[way]]\nname = \"mid\"") -
                                                             rig::kExampleRig.find("[[way]]\nname = \"sub\"")),
                                 ""}});
  const auto gone = moves_between(facts(rig::kExampleRig), facts(two));
  EXPECT_THAT(gone, Contains(AllOf(Field(&Move::key, "way.sub"), Field(&Move::now, std::nullopt),
                                   Field(&Move::text, "the way sub is gone"))));
  EXPECT_THAT(gone, Contains(Field(&Move::text, "the sub to mid point is gone; it was at 95 Hz")));
  EXPECT_THAT(gone, Not(Contains(Field(&Move::key, HasSubstr("way.sub.")))));
  const auto added = moves_between(facts(two), facts(rig::kExampleRig));
  EXPECT_THAT(added, Contains(Field(&Move::text, "the way sub was added")));
  EXPECT_THAT(added, Contains(Field(&Move::text, "a sub to mid point was added at 95 Hz")));
  EXPECT_EQ(added.size(), gone.size());
}

// Another machine's logarithm may differ in the last digit; a person's number may not.
TEST(Drift, ComputedNumbersHaveAGrantWrittenOnesHaveNot) {
  EXPECT_TRUE(same_value("computed.low.limit_volts_peak", "84.05000000", "84.05000001"));
  EXPECT_FALSE(same_value("computed.low.limit_volts_peak", "84.05", "84.051"));
  EXPECT_FALSE(same_value("way.low.gain", "-3 dB", "-3.00001 dB"));
  EXPECT_TRUE(same_value("way.low.delay", "2.0979 ms", "2097.9 us"));
  EXPECT_FALSE(same_value("way.low.delay", "1 us", "2 us"));
  EXPECT_FALSE(same_value("way.low.polarity", "normal", "inverted"));
  EXPECT_FALSE(same_value("driver.a.impedance", "8 ohm", "8 W"));
  EXPECT_FALSE(same_value("way.low.driver", "1", "01")) << "names, not numbers";
  EXPECT_FALSE(same_value("loudspeaker.main.way.low.amplifier", "2", "2.0"));
}

// A program that designs its filters otherwise is told, though no number of the file moved.
TEST(Drift, NumbersThatNoCauseExplainsAreTold) {
  Facts was = facts(rig::kExampleRig), now = was;
  for (Fact& fact : now)
    if (fact.key == "computed.mid.section.1") fact.value = "1 2 3 4 5";
  const auto found = moves_between(was, now);
  ASSERT_EQ(found.size(), 1u);
  EXPECT_THAT(found[0].text, HasSubstr("mid's filters come out as other numbers"));
}

}  // namespace
}  // namespace rackproof::seal
