// Must hold: `align` answers with the promised keys, brings measured ways into step, and writes just that into the rig:
// every other byte stays, and a second time there is nothing to change.
#include <gmock/gmock.h>

#include <algorithm>
#include <cmath>
#include <complex>
#include <nlohmann/json.hpp>
#include <numbers>

#include "harness/proof/way_response.hpp"
#include "harness/rig/rig.hpp"
#include "harness/tune/measurement.hpp"
#include "tests/harness/verbs/shell.hpp"

namespace rackproof {
namespace {

using nlohmann::json;
using test::Result;
using testing::HasSubstr;

class Align : public testing::Test, protected test::Shell {
 protected:
  Align() {
    with_rig();
    before_ = read("rig.toml");
    write("low.json", measurement(false, 8, 1));
    write("high.json", measurement(true, 8.35, -1));
  }

  /// A side of a Linkwitz-Riley point at 1.6 kHz, 24 dB/oct, as `measure` would write it.
  static std::string measurement(bool high, double arrival_ms, double sign) {
    json m = {{"sample_rate_hz", 48000}, {"captures", 1}, {"arrival_ms", arrival_ms}, {"polarity", sign < 0 ? -1 : 1}};
    for (double f = 100; f < 16000; f *= std::exp2(1 / 48.0)) {
      const std::complex<double> s(0, f / 1600);
      const std::complex<double> b = (high ? s * s : 1.0) / (s * s + std::numbers::sqrt2 * s + 1.0), h = sign * b * b;
      m["frequency_hz"].push_back(f);
      m["magnitude_db"].push_back(20 * std::log10(std::abs(h)));
      m["phase_deg"].push_back(std::arg(h) * 180 / std::numbers::pi);
      m["coherence"].push_back(0.97);
    }
    return m.dump();
  }
  Result run(const std::string& arguments) const { return Shell::run("$R " + arguments); }
  std::string before_;
};

TEST_F(Align, AnswersWithThePromisedKeys) {
  const Result result =
      run("align rig.toml --way low=low.json --way high=high.json --distance low=3m,12m --distance "
          "high=2.6m,11.9m --temperature 0degC --json");
  ASSERT_EQ(result.status, 0) << result.err;
  const json document = json::parse(result.out);
  ASSERT_EQ(document["ways"].size(), 2u);
  EXPECT_EQ(document["ways"][0]["name"], "low");
  EXPECT_EQ(document["ways"][0]["arrival_ms"], 8);
  EXPECT_NEAR(document["ways"][0]["delay_ms"].get<double>(), 0.35, 0.002);
  EXPECT_EQ(document["ways"][1]["delay_ms"], 0);
  EXPECT_EQ(document["ways"][0]["polarity"], 1);
  EXPECT_EQ(document["ways"][1]["polarity"], -1);
  ASSERT_EQ(document["points"].size(), 1u);
  EXPECT_NEAR(document["points"][0]["at_hz"].get<double>(), 1600, 1e-6);
  EXPECT_NEAR(document["points"][0]["sum_loss_db"].get<double>(), 0, 0.02);
  EXPECT_EQ(document["points"][0]["sum_loss_at_places_db"].size(), 1u);
  EXPECT_EQ(document["points"][0]["sum_loss_at_temperatures"][0]["degc"], 0);
  EXPECT_EQ(read("rig.toml"), before_) << "it was not asked to write";
}

TEST_F(Align, SaysAgainWhatWasDoubtedWhenAWayWasMeasured) {
  json doubted = json::parse(read("high.json"));
  doubted["warnings"] = json::array({{{"code", "distorted"}, {"text", "around 2 kHz"}}});
  write("doubted.json", doubted.dump());
  for (const auto& [high, count] : {std::pair("high.json", 0), {"doubted.json", 1}}) {
    const Result ran = run(std::string("align rig.toml --way low=low.json --json --way high=") + high);
    ASSERT_EQ(ran.status, 0) << ran.err;
    int told = 0;
    const json document = json::parse(ran.out);
    for (const json& one : document["warnings"])
      told += one["code"] == "distorted" && one["text"] == "doubted.json, when it was measured: around 2 kHz";
    EXPECT_EQ(told, count);
  }
}

TEST_F(Align, WritesJustThatIntoTheRig) {
  ASSERT_EQ(run("align rig.toml --way low=low.json high=high.json --into rig.toml").status, 0);
  const std::string after = read("rig.toml");
  const rig::Rig rig = rig::parse_rig(after, "rig.toml");
  EXPECT_NEAR(rig.ways[0].delay_s, 0.35e-3, 2e-6);
  EXPECT_EQ(rig.ways[1].delay_s, 0);
  EXPECT_FALSE(rig.ways[0].inverted);
  EXPECT_TRUE(rig.ways[1].inverted);
  // Line by line: two delays differ, one line is new, and each way names its response.
  std::string undone = after;
  for (const char* name : {"response = \"rig.low.response.csv\"\n", "response = \"rig.high.response.csv\"\n"}) {
    const std::size_t at = undone.find(name);
    ASSERT_NE(at, undone.npos) << name;
    undone.erase(at, std::string(name).size());
  }
  const std::size_t line = undone.find("polarity = \"inverted\"\n");
  ASSERT_NE(line, undone.npos);
  undone.erase(line, 22);
  for (std::size_t at = 0; (at = undone.find("delay = \"", at)) != undone.npos; at += 9)
    undone.replace(at + 9, undone.find('"', at + 9) - at - 9, "0.9 m");
  EXPECT_EQ(undone, before_);

  // As it would now be measured, 0.35 ms later below and the right way up: nothing is left to do.
  const double common_ms = 0.9 / (331.3 + 0.606 * 16) * 1e3, held_ms = 1e3 * rig.ways[0].delay_s;
  write("low.json", measurement(false, 8 - common_ms + held_ms, 1));
  write("high.json", measurement(true, 8.35 - common_ms, 1));
  const Result again = run("align rig.toml --way low=low.json high=high.json --into rig.toml");
  ASSERT_EQ(again.status, 0) << again.err;
  const rig::Rig held = rig::parse_rig(read("rig.toml"), "rig.toml");
  EXPECT_NEAR(held.ways[0].delay_s, rig.ways[0].delay_s, 1e-6);
  EXPECT_TRUE(held.ways[1].inverted);
}

/// The same measurement, with what drove the ways in it.
std::string driven(const std::string& text, const rig::Rig& rig) {
  tune::Measurement m = tune::parse_measurement(text, "m.json");
  m.driven_by = tune::drive_of(rig, nullptr);
  return tune::document_of(m).dump();
}

TEST_F(Align, ASecondRunOnTheSameFilesChangesNothing) {
  const rig::Rig rig = rig::load_rig(folder() / "rig.toml");
  write("low.json", driven(read("low.json"), rig));
  write("high.json", driven(read("high.json"), rig));
  const std::string command = "align rig.toml --way low=low.json high=high.json --into rig.toml --json";
  const Result first = run(command);
  ASSERT_EQ(first.status, 0) << first.err;
  const std::string held = read("rig.toml"), low = read("rig.low.response.csv"), high = read("rig.high.response.csv");
  EXPECT_NE(held, before_);
  const Result second = run(command);
  ASSERT_EQ(second.status, 0) << second.err;
  EXPECT_THAT(second.err, HasSubstr("holds them already"));
  EXPECT_EQ(read("rig.toml"), held);
  EXPECT_EQ(read("rig.low.response.csv"), low);
  EXPECT_EQ(read("rig.high.response.csv"), high);
  EXPECT_EQ(json::parse(first.out)["ways"], json::parse(second.out)["ways"]);
  const json told = json::parse(second.out);  // outlives the loop over a part of it
  for (const json& warning : told["warnings"]) EXPECT_NE(warning["code"], "rig-unknown");

  // The control: where nothing says what drove the ways, the delay is added again, and that is warned of.
  write("low.json", measurement(false, 8, 1));
  write("high.json", measurement(true, 8.35, -1));
  const Result unknown = run(command);
  ASSERT_EQ(unknown.status, 0) << unknown.err;
  EXPECT_NE(json::parse(unknown.out)["ways"], json::parse(first.out)["ways"]);
  EXPECT_EQ(json::parse(unknown.out)["warnings"][0]["code"], "rig-unknown");
}

/// Three ways of Linkwitz-Riley points of 24 dB/oct, split as the contract says; `sign`: of the uppermost.
json three_ways(const rig::Rig& rig, std::size_t way, double sign) {
  const auto side = [&](std::size_t p, double f, bool high) {
    const std::complex<double> s(0, f / rig.points[p].low.at_hz);
    const std::complex<double> b = (high ? s * s : 1.0) / (s * s + std::numbers::sqrt2 * s + 1.0);
    return b * b;
  };
  json m = {{"sample_rate_hz", 48000}, {"captures", 1}, {"arrival_ms", 8}, {"polarity", 1}};
  for (double f = 25; f < 18000; f *= std::exp2(1 / 48.0)) {
    std::complex<double> h = way == 2 ? sign : 1.0;
    for (std::size_t p = 0; p < 2; ++p)
      h *= p < way ? side(p, f, true) : side(p, f, false) + (p > way ? side(p, f, true) : 0.0);
    m["frequency_hz"].push_back(f);
    m["magnitude_db"].push_back(20 * std::log10(std::abs(h)));
    m["phase_deg"].push_back(std::arg(h) * 180 / std::numbers::pi);
    m["coherence"].push_back(0.97);
  }
  return m;
}

// A turned way takes the all-pass of its point from the ways below: what was measured is then no longer so.
TEST_F(Align, SaysWhereATurnedWayChangesTheFiltersOfOthers) {
  const rig::Rig rig = rig::load_rig(RACKPROOF_SOURCE_DIR "/audio_fixtures/three-way-mono-sub.toml");
  ASSERT_EQ(rig.ways.size(), 3u);
  write("three.toml", test::bytes_of(rig.file));
  for (const double sign : {1.0, -1.0}) {
    std::string command = "align three.toml --json";
    for (std::size_t w = 0; w < 3; ++w) {
      write(rig.ways[w].name + ".json", three_ways(rig, w, sign).dump());
      command += " --way " + rig.ways[w].name + "=" + rig.ways[w].name + ".json";
    }
    const Result result = run(command);
    ASSERT_EQ(result.status, 0) << result.err;
    const json told = json::parse(result.out);
    EXPECT_EQ(told["ways"][2]["polarity"], sign < 0 ? -1 : 1);
    const json& warnings = told["warnings"];
    const auto change = std::ranges::find_if(warnings, [](const json& one) { return one["code"] == "filters-change"; });
    ASSERT_EQ(change != warnings.end(), sign < 0) << warnings;
    if (sign < 0) {
      EXPECT_THAT((*change)["text"].get<std::string>(),
                  HasSubstr("way " + rig.ways[0].name + " will have other filters"));
    }
  }
}

TEST_F(Align, OtherFiltersThanThoseOfTheRigAreRefused) {
  const rig::Rig rig = rig::load_rig(folder() / "rig.toml");
  write("low.json", driven(read("low.json"), rig));
  write("high.json", driven(read("high.json"), rig));
  const auto with = [&](const std::string& was, const std::string& now) {
    std::string text = before_;
    text.replace(text.find(was), was.size(), now);
    write("rig.toml", text);
    return run("align rig.toml --way low=low.json high=high.json --json");
  };
  const Result moved = with("at = \"1.6 kHz\"", "at = \"1.7 kHz\"");
  EXPECT_EQ(moved.status, 2);
  EXPECT_THAT(moved.err, HasSubstr("driven by other filters"));
  // What is common to all ways, a gain or a delay, does not count.
  const Result later = with("delay = \"0.9 m\"", "delay = \"1.4 m\"");
  EXPECT_EQ(later.status, 0) << later.err;
}

// What is written is what `prove` judges: the acoustic sum, which is flat where each way's box is.
TEST_F(Align, TheResponsesAreProvenAtOnce) {
  const rig::Rig rig = rig::load_rig(folder() / "rig.toml");
  write("low.json", driven(read("low.json"), rig));
  write("high.json", driven(read("high.json"), rig));
  ASSERT_EQ(run("align rig.toml --way low=low.json high=high.json --into rig.toml --quiet").status, 0);
  const auto responses = proof::way_responses(rig::load_rig(folder() / "rig.toml"));
  ASSERT_TRUE(responses);
  EXPECT_LT(responses->at(0).from_hz(), 130);
  EXPECT_GT(responses->at(0).to_hz(), 3000);
  EXPECT_LT(responses->at(1).from_hz(), 900);
  // The analogue sides of the measurement over the rig's digital ones: a few hundredths of a decibel at the point.
  for (const double hz : {1000.0, 1600.0, 2500.0})
    EXPECT_NEAR(20 * std::log10(std::abs(responses->at(0).at(hz)) / std::abs(responses->at(1).at(hz))), 0, 6.5) << hz;
}

TEST_F(Align, WrongHandsAreStopped) {
  write("both.json", [&] {
    json m = json::parse(read("low.json"));
    for (json& db : m["magnitude_db"]) db = -30;
    return m.dump();
  }());
  write("late.json", measurement(true, 38.35, -1));
  struct Case {
    const char *arguments, *says;
  };
  for (const Case& c : {Case{"--way low=high.json high=low.json", "looks like way high"},
                        Case{"--way low=low.json high=low.json", "they are one measurement"},
                        Case{"--way low=both.json high=high.json", "several ways at once"},
                        Case{"--way low=low.json high=late.json", "--far"}}) {
    const Result result = run(std::string("align rig.toml --into rig.toml ") + c.arguments);
    EXPECT_EQ(result.status, 2) << c.arguments;
    EXPECT_THAT(result.err, HasSubstr(c.says)) << c.arguments;
    EXPECT_EQ(read("rig.toml"), before_) << c.arguments;
    EXPECT_FALSE(std::filesystem::exists(folder() / "rig.low.response.csv")) << c.arguments;
  }
  EXPECT_EQ(run("align rig.toml --way low=low.json high=late.json --far").status, 0);
}

TEST_F(Align, IntoASealedRigOnlyWhereThatIsMeant) {
  ASSERT_EQ(run("seal rig.toml").status, 0);
  const std::string seal = read("rig.seal"), line = "align rig.toml --way low=low.json high=high.json --json";
  EXPECT_EQ(run(line).status, 0) << "nothing is written without --into";
  const Result refused = run(line + " --into rig.toml");
  EXPECT_EQ(refused.status, 2);
  EXPECT_EQ(refused.out, "");
  for (const char* words : {"rig.toml", "rig.seal", "--unseal"}) EXPECT_THAT(refused.err, HasSubstr(words));
  EXPECT_EQ(read("rig.toml"), before_);
  const Result meant = run(line + " --into rig.toml --unseal");
  ASSERT_EQ(meant.status, 0) << meant.err;
  EXPECT_EQ(json::parse(meant.out).at("kept"), "rig.kept-1.toml");
  EXPECT_THAT(meant.err, HasSubstr("rig.kept-1.toml"));
  EXPECT_EQ(read("rig.kept-1.toml"), before_);
  EXPECT_EQ(read("rig.seal"), seal);
  EXPECT_EQ(run("drift rig.toml").status, 1);
}

TEST_F(Align, RefusesWithStatusTwoAndLeavesTheRig) {
  struct Case {
    const char *arguments, *says;
  };
  for (const Case& c : {Case{"--way low=low.json", "nothing for way high"},
                        Case{"--way low=low.json --way hgih=high.json", "no way hgih"},
                        Case{"--way low=low.json --way low=high.json", "twice"}, Case{"--way low.json", "a way's name"},
                        Case{"--way low=low.json --way high=gone.json", "gone.json"},
                        Case{"--way low=low.json --way high=rig.toml", "not whole JSON"},
                        Case{"--way low=low.json high=high.json --temperature 3degC", "--distance"},
                        Case{"--way low=low.json high=high.json --distance low=3m,4m high=3m", "as many"},
                        Case{"--way low=low.json high=high.json --distance low=3Hz high=3m", "--distance"}}) {
    const Result result = run(std::string("align rig.toml --into rig.toml ") + c.arguments);
    EXPECT_EQ(result.status, 2) << c.arguments << result.err;
    EXPECT_THAT(result.err, HasSubstr(c.says)) << c.arguments;
    EXPECT_EQ(read("rig.toml"), before_) << c.arguments;
  }
}

}  // namespace
}  // namespace rackproof
