// Must hold: `align` answers with the promised keys, brings measured ways into step, and writes just that into the rig:
// every other byte stays, and a second time there is nothing to change.
#include <gmock/gmock.h>

#include <algorithm>
#include <cmath>
#include <complex>
#include <nlohmann/json.hpp>
#include <numbers>

#include "harness/rig/rig.hpp"
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

TEST_F(Align, WritesJustThatIntoTheRig) {
  ASSERT_EQ(run("align rig.toml --way low=low.json high=high.json --into rig.toml").status, 0);
  const std::string after = read("rig.toml");
  const rig::Rig rig = rig::parse_rig(after, "rig.toml");
  EXPECT_NEAR(rig.ways[0].delay_s, 0.35e-3, 2e-6);
  EXPECT_EQ(rig.ways[1].delay_s, 0);
  EXPECT_FALSE(rig.ways[0].inverted);
  EXPECT_TRUE(rig.ways[1].inverted);
  // Line by line: two delays differ, one line is new.
  std::string undone = after;
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
