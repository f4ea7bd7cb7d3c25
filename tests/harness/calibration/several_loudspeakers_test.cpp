// Must hold: gains, delays, polarities and eq of loudspeaker, way and output add up at each output; a mix is what it
// says; one loudspeaker compiled alone has the numbers that it has in the whole rig; a rig of one loudspeaker with a
// name computes what the plain form computes; warnings name the loudspeaker, and what all have alike stands once.
#include <gmock/gmock.h>

#include <algorithm>
#include <complex>
#include <functional>
#include <numbers>

#include "a_rig.hpp"
#include "dsp/chain/one_lane.hpp"
#include "harness/calibration/compile.hpp"
#include "harness/calibration/levels.hpp"
#include "tests/harness/demo_rig.hpp"

namespace rackproof {
namespace {

using testing::Contains, testing::ElementsAre, testing::Field, testing::HasSubstr, testing::Not, testing::StartsWith;

rig::Rig town_square() { return test::demo_rig("town-square.toml"); }
const OutputPlan& output_named(const CompiledRig& made, const std::string& name) {
  return *std::ranges::find(made.outputs, name, &OutputPlan::name);
}
rig::Venue parse_tonight(const std::string& text, const rig::Rig& rig) {
  return rig::parse_venue("format = 1\n[venue]\ngain = \"-1 dB\"\n" + text, "venue.toml", rig);
}

TEST(SeveralLoudspeakers, OutputsAreNamedByLoudspeakerWayAndFeed) {
  const CompiledRig made = compile(town_square());
  std::vector<std::string> names;
  for (const OutputPlan& plan : made.outputs) names.push_back(plan.name);
  EXPECT_THAT(names, ElementsAre("main.sub", "main.low.left", "main.low.right", "main.high.left", "main.high.right",
                                 "fill.box", "delayed.box.left", "delayed.box.right"));
  EXPECT_THAT(made.warnings, testing::IsEmpty()) << made.warnings[0].code << ": " << made.warnings[0].text;
  EXPECT_EQ(made.settings().outputs.size(), 8u);
  // A source of each loudspeaker, once: mean and two feeds; the mix; two feeds.
  EXPECT_EQ(made.settings().loudspeakers.size(), 6u);
}
TEST(SeveralLoudspeakers, GainsDelaysAndPolaritiesAddUp) {
  rig::Rig rig = town_square();
  rig.loudspeakers[2].ways[0].inverted = true;
  rig::OutputLayer& right = rig.loudspeakers[2].ways[0].output.at("right");
  right.inverted = true;
  right.gain_db = -1.5;
  rig.loudspeakers[2].ways[0].gain_db = 2;
  const rig::Venue venue = parse_tonight(
      "[venue.feed.right]\ngain = \"-0.5 dB\"\n[venue.loudspeaker.delayed]\ngain = \"-4 dB\"\ndelay = \"2 ms\"\n", rig);
  const CompiledRig made = compile(rig, &venue);
  const OutputPlan &left = output_named(made, "delayed.box.left"), &other = output_named(made, "delayed.box.right");
  EXPECT_NEAR(left.gain_db, -1 - 4 - 3 + 2, 1e-12) << "venue, its loudspeaker, system, way";
  EXPECT_NEAR(other.gain_db, -1 - 0.5 - 4 - 3 + 2 - 1.5, 1e-12) << "and the feed's and the output's own";
  const double speed = rig::speed_of_sound(18);
  EXPECT_NEAR(left.delay_s, 28 / speed + 2e-3, 1e-12);
  EXPECT_NEAR(other.delay_s, 29.2 / speed + 2e-3, 1e-12);
  EXPECT_EQ(left.polarity, -1);
  EXPECT_EQ(other.polarity, 1) << "turned over twice";
  EXPECT_EQ(output_named(made, "main.low.right").gain_db - output_named(made, "main.low.left").gain_db, 0.5 - 0.5);
  // The core's numbers come to the same: gains of feed, loudspeaker and output multiply.
  const dsp::ChainSettings& settings = made.settings();
  const auto& core = settings.outputs[7];
  const float product = settings.feeds[1].gain * settings.loudspeakers[core.loudspeaker].gain * core.gain;
  EXPECT_NEAR(analysis::db_from_ratio(std::abs(static_cast<double>(product))), other.gain_db, 1e-5)
      << "three rounded factors";
  EXPECT_EQ(core.gain > 0, true);
}
TEST(SeveralLoudspeakers, AMixAddsAsWrittenAndASumOfTwoIsTwoSharesOfMinusSix) {
  rig::Rig rig = a_rig();
  rig.ways[0].mix = {{0, 0}, {1, -6}};
  rig.ways[1].mix = {{0, analysis::db_from_ratio(0.5)}, {1, analysis::db_from_ratio(0.5)}};
  const CompiledRig made = compile(rig);
  ASSERT_EQ(made.outputs.size(), 2u);
  EXPECT_EQ(made.outputs[0].name, "low");
  EXPECT_EQ(made.outputs[0].feed, "mix");
  const auto& mix = made.settings().loudspeakers[0].mix;
  ASSERT_EQ(mix.size(), 2u);
  EXPECT_EQ(mix[0], 1.0f);
  EXPECT_NEAR(mix[1], analysis::ratio_from_db(-6), 1e-7);
  ASSERT_EQ(made.outputs[0].feed_paths.size(), 2u);
  EXPECT_EQ(made.outputs[0].feed_paths[1].gain_db, -6);
  EXPECT_NEAR(analysis::db_from_ratio(0.5), -6.0206, 1e-4) << "what \"sum\" of two gives to each";
  EXPECT_NEAR(made.outputs[1].mix[0], 0.5, 1e-15);
  rig.ways[1].mix = {{1, 0}};  // of one feed alone
  const CompiledRig one = compile(rig);
  EXPECT_FALSE(one.outputs[1].hears(0));
  EXPECT_TRUE(one.outputs[1].hears(1));
}
TEST(SeveralLoudspeakers, OneAloneHasTheNumbersThatItHasInTheWholeRig) {
  const rig::Rig rig = town_square();
  const rig::Venue venue = parse_tonight("[venue.loudspeaker.fill]\ngain = \"-4 dB\"\n", rig);
  const CompiledRig whole = compile(rig, &venue);
  std::size_t first = 0;
  for (const rig::Rig& part : rig.loudspeakers) {
    const CompiledRig alone = compile(part, &venue, Bypass::none, whole.latency_samples);
    EXPECT_EQ(alone.latency_samples, whole.latency_samples);
    for (std::size_t o = 0; o < alone.outputs.size(); ++o) {
      const dsp::OutputSettings &a = alone.settings().outputs[o], &b = whole.settings().outputs[first + o];
      const auto print = [](const CompiledRig& made, const dsp::OutputSettings& output) {
        dsp::OutputSettings one = output;
        one.loudspeaker = 0;
        dsp::ChainSettings settings = made.settings();
        settings.loudspeakers = settings.loudspeakers.subspan(output.loudspeaker, 1);
        settings.outputs = std::span(&one, 1);
        return dsp::Fingerprint::of(settings);
      };
      EXPECT_EQ(print(alone, a), print(whole, b)) << alone.outputs[o].name;
      EXPECT_EQ(alone.outputs[o].name, whole.outputs[first + o].name);
    }
    first += alone.outputs.size();
  }
  EXPECT_EQ(first, whole.outputs.size());
}
TEST(SeveralLoudspeakers, OneWithANameComputesWhatThePlainFormComputes) {
  rig::Rig plain = a_rig(), named = plain;
  plain.system_gain_db = -3;
  plain.system_eq = {a_band(rig::EqType::peaking, 300, -4)};
  rig::Rig part = plain;
  part.loudspeaker = "main";
  named.ways.clear();
  named.points.clear();
  named.loudspeakers = {part};
  const CompiledRig a = compile(plain), b = compile(named);
  ASSERT_EQ(a.outputs.size(), b.outputs.size());
  EXPECT_EQ(a.latency_samples, b.latency_samples);
  for (std::size_t o = 0; o < a.outputs.size(); ++o) {
    EXPECT_EQ("main." + a.outputs[o].name, b.outputs[o].name);
    EXPECT_EQ(a.outputs[o].gain_db, b.outputs[o].gain_db);
    EXPECT_EQ(a.outputs[o].limit_volts_peak, b.outputs[o].limit_volts_peak);
    ASSERT_EQ(a.outputs[o].sections.size(), b.outputs[o].sections.size());
    for (std::size_t s = 0; s < a.outputs[o].sections.size(); ++s)
      EXPECT_EQ(a.outputs[o].sections[s].b0, b.outputs[o].sections[s].b0);
  }
}
TEST(SeveralLoudspeakers, MutesOfLoudspeakerWayOutputAndVenueAllCount) {
  rig::Rig rig = town_square();
  const auto muted = [](const CompiledRig& made) {
    std::vector<std::string> names;
    for (std::size_t o = 0; o < made.outputs.size(); ++o) {
      EXPECT_EQ(made.outputs[o].muted, made.settings().outputs[o].muted);
      if (made.outputs[o].muted) names.push_back(made.outputs[o].name);
    }
    return names;
  };
  EXPECT_THAT(muted(compile(rig)), testing::IsEmpty());
  rig.loudspeakers[0].ways[1].output["left"].muted = true;
  rig.loudspeakers[1].muted = true;
  EXPECT_THAT(muted(compile(rig)), ElementsAre("main.low.left", "fill.box"));
  rig.loudspeakers[0].ways[2].muted = true;
  const rig::Venue venue = parse_tonight("[venue.loudspeaker.delayed]\nmute = true\n", rig);
  EXPECT_THAT(muted(compile(rig, &venue)), ElementsAre("main.low.left", "main.high.left", "main.high.right", "fill.box",
                                                       "delayed.box.left", "delayed.box.right"));
  EXPECT_EQ(muted(compile(rig, &venue, Bypass::all)).size(), 4u) << "a bypass silences no mute of the rig";
}
TEST(SeveralLoudspeakers, WarningsNameThemAndWhatAllHaveAlikeStandsOnce) {
  rig::Rig rig = town_square();
  rig.loudspeakers[1].ways[0].limit.reset();
  const std::vector<Warning> warnings = compile(rig).warnings;
  EXPECT_THAT(warnings, Contains(Field(&Warning::text, StartsWith("loudspeaker fill: "))));
  EXPECT_THAT(warnings, Not(Contains(Field(&Warning::text, HasSubstr("loudspeaker main")))));
  rig = town_square();
  rig.controller.output_full_scale_volts_rms = 18;  // "18 V" for "+18 dBu": the same words for every loudspeaker
  for (rig::Rig& part : rig.loudspeakers) part.controller = rig.controller;
  std::size_t alike = 0;
  for (const Warning& warning : compile(rig).warnings)
    if (!warning.text.starts_with("loudspeaker ")) ++alike;
  EXPECT_EQ(alike, 1u);
  rig = town_square();
  rig.amplifiers.push_back(an_amplifier("spare", {{200, 8}}, 26));
  rig.feeds.push_back({"aux", 3, {}});
  for (rig::Rig& part : rig.loudspeakers) {
    part.feeds = rig.feeds;
    for (rig::Way& way : part.ways)
      if (!way.has_one_output()) way.only = {0, 1};
  }
  rig.loudspeakers[0].ways[0].sum_of_feeds = false;
  rig.loudspeakers[0].ways[0].mix = {{0, -6}, {1, -6}};
  EXPECT_THAT(compile(rig).warnings, testing::UnorderedElementsAre(Field(&Warning::code, "amplifier-unused"),
                                                                   Field(&Warning::code, "feed-unused")));
}

/// What an output, a mix or tonight's layer for one loudspeaker adds is looked at as what a way adds is.
TEST(SeveralLoudspeakers, WhatAnOutputHasOfItsOwnIsLookedAtToo) {
  const auto warned = [](const std::function<void(rig::Rig&)>& change, const std::string& venue_text = "") {
    rig::Rig rig = town_square();
    change(rig);
    std::vector<std::string> codes;
    std::optional<rig::Venue> venue;
    if (!venue_text.empty()) venue = parse_tonight(venue_text, rig);
    for (const Warning& warning : compile(rig, venue ? &*venue : nullptr).warnings) codes.push_back(warning.code);
    return codes;
  };
  const auto low = [](rig::Rig& rig) -> rig::Way& { return rig.loudspeakers[0].ways[1]; };
  using enum rig::EqType;
  EXPECT_THAT(warned([&](rig::Rig& rig) { low(rig).output["left"].eq = {a_band(peaking, 500, 12)}; }),
              ElementsAre("boost-large"));
  EXPECT_THAT(warned([&](rig::Rig& rig) { low(rig).output["left"].eq = {a_band(peaking, 500, 3)}; }),
              testing::IsEmpty());
  EXPECT_THAT(warned([&](rig::Rig& rig) {
                low(rig).eq = {a_band(peaking, 500, 8)};
                low(rig).output["left"].eq = {a_band(peaking, 500, 9)};
              }),
              ElementsAre("boost-large"))
      << "with its way's";
  EXPECT_THAT(warned([&](rig::Rig& rig) { low(rig).eq = low(rig).output["left"].eq = {a_band(peaking, 500, -4)}; }),
              ElementsAre("eq-doubled"));
  EXPECT_THAT(warned([&](rig::Rig& rig) { low(rig).output["left"].gain_db = 30; }), Contains("gain-large"));
  EXPECT_THAT(warned([&](rig::Rig& rig) { rig.loudspeakers[1].ways[0].mix[0].gain_db = 30; }), Contains("gain-large"));
  EXPECT_THAT(warned([&](rig::Rig& rig) { low(rig).output["left"].delay_s = 0.05; }), Contains("delays-apart"));
  EXPECT_THAT(warned([&](rig::Rig& rig) {
                for (rig::Way& way : rig.loudspeakers[0].ways)
                  if (!way.has_one_output()) way.output["left"].delay_s = 2e-3;
              }),
              testing::IsEmpty())
      << "both ways of the left box, further back";
  EXPECT_THAT(warned([](rig::Rig&) {}, "[venue.loudspeaker.fill]\ngain = \"30 dB\"\n"), Contains("gain-large"));
  EXPECT_THAT(
      warned([](rig::Rig&) {},
             "[venue.loudspeaker.fill]\neq = [ { type = \"peaking\", at = \"1 kHz\", gain = \"12 dB\", q = 1 } ]\n"),
      Contains("boost-large"));
}

}  // namespace
}  // namespace rackproof
