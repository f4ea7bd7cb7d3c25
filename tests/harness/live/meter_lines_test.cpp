// Must hold: what meter_lines.hpp says.
#include "harness/live/meter_lines.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <string>

namespace rackproof::live {
namespace {

Reading invented() {
  Reading reading;
  reading.sample_rate_hz = 48'000;
  reading.latency_samples = 96;
  reading.signals.frames = std::uint64_t{48'000} * (3600 + 62);
  reading.signals.begins = false;
  reading.signals.load = 0.012f;
  reading.signals.worst_load = 0.034f;
  reading.signals.missed_cycles = 7;
  reading.feeds = {{"left", -12.0, 0}, {"right", std::nullopt, 0}};
  reading.outputs = {
      {.name = "low.left", .peak_volts = 66, .limit_volts_peak = 66, .peak_reduction_db = 3.2, .heat = 0.42},
      {.name = "high.left", .muted = true, .peak_volts = 0, .limit_volts_peak = 35.6}};
  return reading;
}

TEST(MeterLines, SayVoltsLimitsHeatAndWhatIsMuted) {
  const std::string text = meter_lines(
      invented(), {.rig = "rig.toml", .venue = "", .bypass = "", .server = "", .client = "", .period_frames = 64}, 120);
  for (const char* words : {"48 kHz, 64 frames a period, 96 samples late, 1:01:02",
                            "load 1.2 % of a period, worst 3.4 %", "cycles missed 7", "-12.0 dBFS", "silent",
                            "66.0 of 66.0 V", "heat  42 %", "peak -3.2 dB", "0.0 of 35.6 V MUTED"})
    EXPECT_NE(text.find(words), text.npos) << words << " in\n" << text;
  EXPECT_EQ(std::ranges::count(text, '\n'), 6);
  const std::size_t at_limit = text.find("low.left"), end = text.find('\n', at_limit);
  const std::string bar = text.substr(at_limit, end - at_limit);
  EXPECT_EQ(bar.substr(bar.find('|') + 1, bar.rfind('|') - bar.find('|') - 1).find(' '), std::string::npos)
      << "at its limit the bar is full";
}

TEST(MeterLines, NameNoLimitWhereNothingHoldsIt) {
  Reading reading = invented();
  reading.outputs[0].limited = false;
  const std::string text = meter_lines(reading, {.rig = "rig.toml"}, 120);
  EXPECT_NE(text.find("66.0 V, NO LIMIT"), text.npos) << text;
  EXPECT_EQ(text.find("of 66.0 V"), text.npos) << text;
}

TEST(MeterLines, AreNeverWiderThanAskedFor) {
  for (std::size_t width = 20; width < 200; width += 7) {
    std::size_t line = 0;
    for (const char c : meter_lines(invented(), {.rig = "rig.toml"}, width)) {
      line = c == '\n' ? 0 : line + 1;
      ASSERT_LE(line, width);
    }
  }
}

TEST(MeterLines, AreWrittenOverThoseBefore) {
  EXPECT_EQ(in_place_of(0, "a\nb\n"), "\x1b[2Ka\n\x1b[2Kb\n\x1b[J");
  EXPECT_EQ(in_place_of(2, ""), "\x1b[2A\x1b[J");
}

}  // namespace
}  // namespace rackproof::live
