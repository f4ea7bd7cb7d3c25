// Must hold: of several loudspeakers each is proven by itself, and the whole controller is what was proven; what falls
// names its loudspeaker, with a key as the file has it; muted outputs are proven as if they were heard, and are exact
// zeros; a device in which the whole is another than its parts falls.
#include "harness/proof/several.hpp"

#include <gmock/gmock.h>

#include <set>

#include "proof_rig.hpp"
#include "tests/harness/demo_rig.hpp"

namespace rackproof::proof::test {
namespace {

using testing::AllOf, testing::Contains, testing::ElementsAre, testing::Field, testing::HasSubstr, testing::IsEmpty,
    testing::Not;

rig::Rig square() { return rackproof::test::demo_rig("town-square.toml"); }
/// The way out of the rig's loudspeakers, as they are tested here: short ones.
rig::Rig two_loudspeakers() {
  rig::Rig whole = square();
  whole.loudspeakers.erase(whole.loudspeakers.begin());
  return whole;
}
std::vector<Finding> fallen_of(const Proof& proof) {
  std::vector<Finding> fell;
  for (const Finding& finding : proof.findings)
    if (!finding.holds) fell.push_back(finding);
  return fell;
}
const Finding& whole_of(const Proof& proof) {
  return *std::ranges::find_if(proof.findings,
                               [](const Finding& f) { return f.id == "block-size" && f.loudspeaker.empty(); });
}

TEST(SeveralLoudspeakers, EachIsProvenAndThenTheWhole) {
  const rig::Rig rig = square();
  std::vector<double> shares;
  const Proof proof = prove(rig, nullptr, {.progress = [&](double share) { shares.push_back(share); }, .brief = true});
  EXPECT_THAT(fallen_of(proof), IsEmpty()) << fallen_of(proof)[0].id << ": " << fallen_of(proof)[0].text;
  EXPECT_TRUE(proof.holds);
  EXPECT_EQ(proof.title, "Town Square: mains with a sub, fills and a delayed pair");
  EXPECT_EQ(proof.responses.size(), 3u);
  EXPECT_EQ(proof.responses[1].loudspeaker, "fill");
  EXPECT_EQ(proof.ladders.size(), 8u);
  EXPECT_EQ(proof.timings.size(), 8u);
  EXPECT_NEAR(proof.timings[7].delay_ms - proof.timings[6].delay_ms, 1e3 * 1.2 / rig::speed_of_sound(18), 1e-3)
      << "the right mast's own distance, as measured, within a twentieth of a sample";
  EXPECT_THAT(whole_of(proof).text, HasSubstr("to the bit what its loudspeaker alone gives"));
  std::vector<std::string> judged;
  for (const Finding& finding : proof.findings)
    if (finding.id == "crossover-sum") judged.push_back(finding.loudspeaker);
  EXPECT_THAT(judged, ElementsAre("main", "main", "fill", "delayed")) << "the sums are judged by themselves";
  EXPECT_TRUE(std::ranges::is_sorted(shares));
  EXPECT_NEAR(shares.back(), 1, 1e-9);
}

TEST(Prove, TheDemoRigAt96kHzHolds) {
  const Proof proof = prove(rackproof::test::demo_rig("lantern-room-96k.toml"), nullptr, {.brief = true});
  EXPECT_THAT(fallen_of(proof), IsEmpty()) << fallen_of(proof)[0].id << ": " << fallen_of(proof)[0].text;
}

TEST(SeveralLoudspeakers, WhatFallsNamesItsLoudspeakerAndTheKeyOfTheFile) {
  rig::Rig rig = two_loudspeakers();
  rig.loudspeakers[1].ways[0].limit.reset();
  const Proof proof = prove(rig, nullptr, {.brief = true});
  EXPECT_FALSE(proof.holds);
  const std::vector<Finding> fell = fallen_of(proof);
  ASSERT_FALSE(fell.empty());
  for (const Finding& finding : fell) {
    EXPECT_EQ(finding.loudspeaker, "delayed") << finding.id;
    EXPECT_THAT(finding.text, testing::StartsWith("Loudspeaker delayed: "));
  }
  const std::vector<Cure> cures = cures_of(proof.findings);
  ASSERT_EQ(cures.size(), 1u);
  EXPECT_EQ(cures[0].change.key, "loudspeaker.delayed.way.box.limit");
}

// A reason given for one loudspeaker takes nothing of another; one given for all of them still does, and its own goes first.
TEST(SeveralLoudspeakers, WhatOneAcceptsIsAcceptedOfItAlone) {
  rig::Rig rig = two_loudspeakers();
  rig::Rig &fill = rig.loudspeakers[0], &delayed = rig.loudspeakers[1];
  delayed.ways[0].limit->hold_s = 0;
  delayed.ways[0].limit->release_s = 0.002;  // growls: `release` and `limiter-tone` fall
  const auto of = [](const std::string& reason) {
    return std::vector<rig::Accepted>{{"release", reason}, {"limiter-tone", reason}};
  };
  const auto reasons = [&] {
    std::set<std::string> given;
    for (const Finding& finding : fallen_of(prove(rig, nullptr, {.brief = true}))) {
      EXPECT_EQ(finding.loudspeaker, "delayed") << finding.id;
      given.insert(finding.accepted.value_or("not accepted"));
    }
    return given;
  };
  fill.accept = of("fill's own");
  EXPECT_THAT(reasons(), ElementsAre("not accepted"));
  rig.accept = of("of all of them");
  EXPECT_THAT(reasons(), ElementsAre("of all of them"));
  delayed.accept = of("delayed's own");
  EXPECT_THAT(reasons(), ElementsAre("delayed's own"));
  rig.accept.clear();
  EXPECT_THAT(reasons(), ElementsAre("delayed's own"));
}

// An entry that takes nothing, and one that would take a fall of any loudspeaker, are told with their keys.
TEST(SeveralLoudspeakers, WhatIsAcceptedTooWidelyIsTold) {
  rig::Rig rig = two_loudspeakers();
  Proof proof;
  proof.findings = {{.id = "release", .holds = false, .loudspeaker = "delayed"},
                    {.id = "release", .holds = true, .loudspeaker = "fill"},
                    {.id = "latency", .holds = true}};
  const auto told = [&] {
    std::vector<std::string> lines;
    for (const Warning& one : acceptance_warnings(rig, proof)) lines.push_back(one.code + " " + one.text);
    return lines;
  };
  EXPECT_THAT(told(), IsEmpty());
  rig.accept = {{"release", "because of it"}, {"latency", "never needed"}};
  proof.findings[0].accepted = "because of it";
  EXPECT_THAT(told(), ElementsAre(AllOf(HasSubstr("accept-for-all accept.release "), HasSubstr("one of delayed today")),
                                  HasSubstr("accept-unused accept.latency: ")));
  rig.accept.clear();
  rig.loudspeakers[0].accept = rig.loudspeakers[1].accept = {{"release", "because of it"}};
  EXPECT_THAT(told(), ElementsAre(HasSubstr("accept-unused loudspeaker.fill.accept.release: ")));
  // A reason of all beside one of its own: its own took the fall.
  rig.loudspeakers[0].accept.clear();
  rig.accept = {{"release", "for all of them"}};
  EXPECT_THAT(told(), ElementsAre(HasSubstr("accept-unused accept.release: it takes no fall here")));
  // Of all of them, and of the whole rig: nothing is to be written elsewhere.
  rig.loudspeakers[1].accept.clear();
  for (Finding& finding : proof.findings)
    finding = {.id = "release", .accepted = "for all of them", .loudspeaker = finding.loudspeaker};
  EXPECT_THAT(told(), IsEmpty());
  proof.findings[1].holds = true;
  EXPECT_THAT(told(), ElementsAre(AllOf(HasSubstr("accept-for-all "), HasSubstr("one of delayed today"))));
  // The only loudspeaker of a rig is all of them.
  rig.loudspeakers.erase(rig.loudspeakers.begin());
  rig.loudspeakers[0].accept.clear();
  proof.findings[0].accepted = "for all of them";
  EXPECT_THAT(told(), IsEmpty());
}

TEST(SeveralLoudspeakers, TonightsLayerOfOneIsInItsProof) {
  const rig::Rig rig = two_loudspeakers();
  const rig::Venue venue = rig::parse_venue(
      "format = 1\n[venue.loudspeaker.delayed]\ngain = \"-3 dB\"\ndelay = \"4 ms\"\n[venue.loudspeaker.fill]\n"
      "mute = true\n",
      "tonight.toml", rig);
  const Proof proof = prove(rig, &venue, {.brief = true});
  EXPECT_THAT(fallen_of(proof), IsEmpty()) << fallen_of(proof)[0].text;
  EXPECT_NEAR(proof.timings[1].delay_ms, 1e3 * 28 / rig::speed_of_sound(18) + 4, 1e-3);
  EXPECT_THAT(whole_of(proof).text, HasSubstr("exact zeros to what is muted: fill.box"));
}

TEST(Muted, OfAPlainRigIsProvenAsHeardAndIsSilent) {
  rig::Rig rig = rig::parse_rig(kRig, "test.toml");
  rig.ways[1].output["right"].muted = true;
  const Proof proof = prove(rig, nullptr, {.brief = true});
  EXPECT_THAT(fallen_of(proof), IsEmpty()) << fallen_of(proof)[0].text;
  EXPECT_THAT(proof.findings, Contains(AllOf(Field(&Finding::id, "block-size"),
                                             Field(&Finding::text, HasSubstr("muted: high.right")))));
  rig.ways[0].sum_of_feeds = true;
  rig.ways[0].muted = true;
  rig.ways[0].limit.reset();
  EXPECT_FALSE(prove(rig, nullptr, {.brief = true}).holds) << "muted, it hides no missing limiter";
}

/// Devices of the whole controller (more outputs than any loudspeaker has) that do something else than their parts.
TEST(SeveralLoudspeakers, AWholeThatIsNotItsPartsFalls) {
  rig::Rig rig = two_loudspeakers();
  rig.loudspeakers[0].muted = true;
  const auto found = [&](const std::function<void(std::vector<dsp::OutputSettings>&)>& alter) {
    const DeviceMaker make = [&](const dsp::ChainSettings& original) {
      std::vector<dsp::OutputSettings> outputs(original.outputs.begin(), original.outputs.end());
      if (outputs.size() == 3) alter(outputs);
      dsp::ChainSettings settings = original;
      settings.outputs = outputs;
      return make_chain(settings);
    };
    return check_whole(rig, nullptr, compile(rig), make, true);
  };
  EXPECT_TRUE(found([](auto&) {}).holds);
  const Finding heard_fill = found([](auto& outputs) { outputs[0].muted = false; });
  EXPECT_FALSE(heard_fill.holds);
  EXPECT_THAT(heard_fill.text, AllOf(HasSubstr("fill.box"), Not(HasSubstr("delayed.box")), HasSubstr("this build")));
  EXPECT_FALSE(found([](auto& outputs) { std::swap(outputs[1].peak.ceiling, outputs[0].peak.ceiling); }).holds);
  EXPECT_FALSE(found([](auto& outputs) { std::swap(outputs[1].loudspeaker, outputs[2].loudspeaker); }).holds);
  EXPECT_FALSE(found([](auto& outputs) { outputs[2].delay.whole_samples += 1; }).holds);
}

TEST(SeveralLoudspeakers, WaysThatNoFeedReachesTogetherFall) {
  rig::Rig rig = rig::parse_rig(kRig, "test.toml");
  rig.ways[0].sum_of_feeds = false;
  rig.ways[0].only = {0};
  rig.ways[1].only = {1};
  const Proof proof = prove(rig, nullptr, {.brief = true});
  EXPECT_THAT(fallen_of(proof), Contains(AllOf(Field(&Finding::id, "crossover-sum"),
                                               Field(&Finding::text, HasSubstr("low hears left, high hears right")))));
  for (const Finding& finding : fallen_of(proof))
    if (finding.id == "crossover-sum")
      EXPECT_EQ(finding.measured, 1) << "one of the two ways is missing on either side";
  rig.ways[1].only = {0};
  EXPECT_TRUE(prove(rig, nullptr, {.brief = true}).holds) << "one side alone is a loudspeaker";
}

TEST(SeveralLoudspeakers, AMixIsProven) {
  rig::Rig rig = rig::parse_rig(kRig, "test.toml");
  rig.ways[0].sum_of_feeds = false;
  rig.ways[0].mix = rig.ways[1].mix = {{0, 0}, {1, -9}};
  const Proof proof = prove(rig, nullptr, {.brief = true});
  EXPECT_THAT(fallen_of(proof), IsEmpty()) << fallen_of(proof)[0].id << ": " << fallen_of(proof)[0].text;
}

}  // namespace
}  // namespace rackproof::proof::test
