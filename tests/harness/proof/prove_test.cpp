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
  EXPECT_FALSE(proof.responses.curves.empty());
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
TEST(Prove, TheIdsAreThoseThatAcceptNames) {
  ASSERT_EQ(check_ids().size(), rig::kChecks.size());
  for (std::size_t k = 0; k < rig::kChecks.size(); ++k) {
    EXPECT_EQ(check_ids()[k].id, rig::kChecks[k].id);
    EXPECT_NE(check_ids()[k].protects, rig::kChecks[k].may_be_accepted);
  }
}

}  // namespace
}  // namespace rackproof::proof::test
