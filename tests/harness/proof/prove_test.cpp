// Must hold: sound rigs are proven, with every id, in a fixed order and the same twice; `[accept]` takes what it may
// and nothing that protects; what a thread throws arrives.
#include <gtest/gtest.h>

#include <cmath>
#include <set>

#include "harness/rig/checks.hpp"
#include "proof_rig.hpp"

namespace rackproof::proof::test {
namespace {

std::string lines_of(const Proof& proof) {
  std::string text;
  for (const Finding& f : proof.findings)
    text += f.id + " " + f.output.value_or("-") + (f.holds ? " holds " : " falls ") + std::to_string(f.measured) + " " +
            f.text + "\n";
  return text;
}

struct Demo {
  const char* rig;
  bool with_venue;
};
class DemoRig : public testing::TestWithParam<Demo> {};
INSTANTIATE_TEST_SUITE_P(, DemoRig,
                         testing::Values(Demo{"two-way-top", true}, Demo{"three-way-mono-sub", false},
                                         Demo{"three-way-mono-sub", true}),
                         [](const auto& demo) { return "Number" + std::to_string(demo.index); });

TEST_P(DemoRig, HoldsInEveryCheck) {
  const std::filesystem::path fixtures = std::filesystem::path(RACKPROOF_SOURCE_DIR) / "audio_fixtures";
  const rig::Rig rig = rig::load_rig(fixtures / (std::string(GetParam().rig) + ".toml"));
  const rig::Venue venue = rig::load_venue(fixtures / "harbour-hall.venue.toml", rig);
  const Proof proof = prove(rig, GetParam().with_venue ? &venue : nullptr, {.brief = kSanitized});
  EXPECT_TRUE(proof.holds);
  std::set<std::string> ids;
  for (const Finding& f : proof.findings) {
    ids.insert(f.id);
    EXPECT_TRUE(f.holds) << f.id << " " << f.output.value_or("-") << ": " << f.text;
    EXPECT_TRUE(std::isfinite(f.measured) && std::isfinite(f.allowed)) << f.id;
    const bool as_set = f.id == "latency" || f.id == "delay" || f.id == "polarity";
    const double beyond =
        as_set           ? std::abs(f.measured - f.allowed) - 0.25  // the most that arrival_times.cpp lets it be off
        : f.id == "load" ? f.allowed - f.measured
                         : f.measured - f.allowed;
    EXPECT_LE(beyond, 0) << f.id << " measured " << f.measured << ", allowed " << f.allowed;
    EXPECT_FALSE(f.text.empty());
    EXPECT_FALSE(f.accepted.has_value());
  }
  EXPECT_EQ(ids.size(), check_ids().size());
  EXPECT_FALSE(proof.responses[0].curves.empty());
  EXPECT_EQ(proof.ladders.size(), proof.timings.size());
  EXPECT_EQ(proof.title, rig.title);
}
TEST(Prove, IsTheSameTwiceAndInTheOrderOfTheIds) {
  const rig::Rig rig = rig::parse_rig(kRig, "test.toml");
  std::vector<double> shares;
  const Proof once = prove(
      rig, nullptr, {.programmes = {}, .progress = [&](double share) { shares.push_back(share); }, .brief = true});
  EXPECT_EQ(lines_of(once), lines_of(prove(rig, nullptr, {.brief = true})));
  std::size_t at = 0;
  for (const Finding& f : once.findings) {
    while (at < check_ids().size() && f.id != check_ids()[at].id) ++at;
    ASSERT_LT(at, check_ids().size()) << f.id << " is out of order";
  }
  EXPECT_TRUE(std::ranges::is_sorted(shares));
  EXPECT_EQ(shares.back(), 1.0);
  EXPECT_EQ(once.title, "test.toml");
}
TEST(Prove, AcceptsWhatMayBeAcceptedAndNothingThatProtects) {
  rig::Rig rig = rig::parse_rig(
      edited(edited(kRig, "release = \"100 ms\"", "release = \"2 ms\""), "hold = \"10 ms\"", "hold = \"0 ms\""),
      "test.toml");
  const std::string reason = "a growl that is wanted";
  rig.accept = {{"release", reason}, {"limiter-tone", reason}, {"block-size", "never needed"}};
  const Proof accepted = prove(rig, nullptr, {.brief = true});
  EXPECT_TRUE(accepted.holds);
  for (const Finding& f : accepted.findings) {
    EXPECT_EQ(f.accepted.has_value(), !f.holds) << f.id;
    if (f.accepted) EXPECT_EQ(f.output, "low") << f.id;
  }
  rig::Rig unsafe = rig::parse_rig(edited(kRig, "below_clip = \"2 dB\"", "below_clip = \"0 dB\""), "test.toml");
  for (const CheckId& check : check_ids()) unsafe.accept.push_back({check.id, "please"});
  const Proof refused = prove(unsafe, nullptr, {.brief = true});
  EXPECT_FALSE(refused.holds);
  for (const char* id : {"peak-limit", "amplifier-clip"})
    for (const Finding& f : fallen(refused.findings, id)) EXPECT_FALSE(f.accepted.has_value());
  EXPECT_FALSE(fallen(refused.findings, "peak-limit").empty());
}
TEST(Cures, AreOneAChangeWithTheValueThatAsksTheMost) {
  const auto falls = [](const char* id, std::optional<Change> change) {
    return Finding{.id = id, .output = {}, .holds = false, .unit = "dB", .accepted = {}, .text = {}, .change = change};
  };
  std::vector<Finding> findings = {falls("peak-limit", Change{"way.low.limit.below_clip", "\"2 dB\""}),
                                   falls("release", Change{"way.low.limit.release", "\"40 ms\""}),
                                   falls("stability", {}),
                                   falls("true-peak", Change{"way.low.limit.below_clip", "\"2.5 dB\""}),
                                   falls("amplifier-clip", Change{"way.low.limit.below_clip", "\"1 dB\""}),
                                   falls("limiter-tone", Change{"way.low.limit.release", "\"0.1 s\""}),
                                   falls("load", Change{"way.low.gain", "\"-3 dB\""}),
                                   falls("delay", Change{"way.low.delay", "\"1 ms\""})};
  findings[6].holds = true;
  findings[7].accepted = "on purpose";
  const std::vector<Cure> cures = cures_of(findings);
  ASSERT_EQ(cures.size(), 2u);
  EXPECT_EQ(cures[0].change, (Change{"way.low.limit.below_clip", "\"2.5 dB\""}));
  EXPECT_EQ(cures[0].mends, (std::vector<const Finding*>{&findings[0], &findings[3], &findings[4]}));
  EXPECT_EQ(cures[1].change, (Change{"way.low.limit.release", "\"40 ms\""})) << "unlike units are not compared";
  EXPECT_EQ(cures[1].mends, (std::vector<const Finding*>{&findings[1], &findings[5]}));
}
// One missing limiter falls in many checks, and every one of them is mended by the one line.
TEST(Cures, OneMissingLimitIsOneChange) {
  const std::string limit =
      "limit = { below_clip = \"2 dB\", look_ahead = \"2 ms\", hold = \"10 ms\", release = \"100 ms\" }\n";
  const Proof without = prove(rig::parse_rig(edited(kRig, limit, ""), "test.toml"), nullptr, {.brief = true});
  const std::vector<Cure> cures = cures_of(without.findings);
  ASSERT_EQ(cures.size(), 1u);
  EXPECT_EQ(cures[0].change.key, "way.low.limit");
  EXPECT_GE(cures[0].mends.size(), 3u);
  EXPECT_EQ(static_cast<std::ptrdiff_t>(cures[0].mends.size()),
            std::ranges::count_if(without.findings, [](const Finding& f) { return !f.holds; }));
  const std::string mended = edited(kRig, limit, "limit = " + cures[0].change.value + "\n");
  EXPECT_TRUE(prove(rig::parse_rig(mended, "test.toml"), nullptr, {.brief = true}).holds) << cures[0].change.value;
}
TEST(Prove, WhatATaskThrowsArrives) {
  const rig::Rig rig = rig::parse_rig(kRig, "test.toml");
  EXPECT_THROW(prove(rig, nullptr, {.programmes = {"no-such-file.wav"}}), InputError);
  EXPECT_THROW(prove(rig, nullptr,
                     {.programmes = {},
                      .make = [](const dsp::ChainSettings&) -> std::unique_ptr<Device> {
                        throw std::runtime_error("no device");
                      }}),
               std::runtime_error);
}
TEST(Prove, WhatCannotBeUsedIsToldBeforeAnythingRuns) {
  std::size_t made = 0;
  const DeviceMaker counting = [&](const dsp::ChainSettings& settings) { return ++made, make_chain(settings); };
  rig::Rig rig = rig::parse_rig(kRig, "test.toml");
  EXPECT_THROW(prove(rig, nullptr, {.programmes = {"/dev/null"}, .make = counting}), InputError);
  rig.ways[0].response = "/dev/null";
  EXPECT_THROW(prove(rig, nullptr, {.programmes = {}, .make = counting}), InputError);
  EXPECT_EQ(made, 0u);
}
TEST(Prove, TheIdsAreThoseThatAcceptNames) {
  ASSERT_EQ(check_ids().size(), rig::kChecks.size());
  for (std::size_t k = 0; k < rig::kChecks.size(); ++k) {
    EXPECT_EQ(check_ids()[k].id, rig::kChecks[k].id);
    EXPECT_NE(check_ids()[k].protects, rig::kChecks[k].may_be_accepted);
  }
}

}  // namespace
}  // namespace rackproof::proof::test
