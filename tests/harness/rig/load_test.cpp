// Must hold: a right file becomes the numbers that it says, to the bit, each with its place; a wrong one becomes words:
// one line a fault, in the file's order, with file, line, column, key, what was read and what would be right, and never
// a rig. faults.txt holds an edit of the example and the whole message for every rule.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <filesystem>
#include <fstream>
#include <functional>
#include <set>

#include "example_rig.hpp"
#include "harness/rig/checks.hpp"
#include "harness/rig/rig.hpp"
#include "tests/harness/refusal.hpp"

namespace {
using namespace rackproof;
using namespace rackproof::rig;
using testing::HasSubstr, testing::StartsWith;

using test::refusal_of;
std::string rig_refusal(const std::string& text) {
  return refusal_of([&] { parse_rig(text, "rig.toml"); });
}
std::string venue_refusal(const std::string& text) {
  return refusal_of([&] { parse_venue(text, "venue.toml", parse_rig(kExampleRig, "rig.toml")); });
}
/// `text` with the one place where `before` stands replaced.
std::string edited(std::string text, const std::string& before, const std::string& after) {
  const std::size_t at = text.find(before);
  EXPECT_NE(at, std::string::npos) << before;
  EXPECT_EQ(text.find(before, at + 1), std::string::npos) << "stands there twice: " << before;
  return at == std::string::npos ? text : text.replace(at, before.size(), after);
}

// ---- every fault ----------------------------------------------------------------------------------------------------

struct Case {
  std::string name, before, after, message;
  bool of_venue = false;
};
void PrintTo(const Case& c, std::ostream* out) { *out << c.name; }

/// "# Name" (and "@venue"), then what is taken out (-), put in (+) and told (!), lines each.
std::vector<Case> every_fault() {
  std::ifstream in(RACKPROOF_SOURCE_DIR "/tests/harness/rig/faults.txt");
  std::vector<Case> cases;
  for (std::string line; std::getline(in, line);) {
    if (line.size() < 2) continue;
    const std::string rest = line.substr(2);
    if (line[0] == '#') {
      const std::size_t blank = rest.find(' ');
      cases.push_back({rest.substr(0, blank), {}, {}, {}, blank != rest.npos});
      continue;
    }
    Case& c = cases.back();
    std::string& part = line[0] == '-' ? c.before : line[0] == '+' ? c.after : c.message;
    part += (part.empty() ? "" : "\n") + rest;
  }
  return cases;
}
class EveryFault : public testing::TestWithParam<Case> {};
INSTANTIATE_TEST_SUITE_P(, EveryFault, testing::ValuesIn(every_fault()),
                         [](const testing::TestParamInfo<Case>& c) { return c.param.name; });

TEST_P(EveryFault, IsToldInFull) {
  const Case& c = GetParam();
  const std::string text = edited(c.of_venue ? kExampleVenue : kExampleRig, c.before, c.after);
  EXPECT_EQ(c.of_venue ? venue_refusal(text) : rig_refusal(text), c.message);
}
TEST(EveryFaultOfTheList, IsThere) { EXPECT_GE(every_fault().size(), 140u); }

TEST(Faults, AreToldTogetherInTheOrderOfTheFile) {
  std::string text = edited(kExampleRig, "delay = \"2.1 ms\"", "delay = 2.1");
  text = edited(text, "block = 128", "block = 0");
  text = edited(text, "crossover-sum =", "true-peak =");
  text = edited(text, "driver = \"cone18\"", "driver = \"cone81\"");
  const std::string told = rig_refusal(text);
  EXPECT_THAT(told,
              StartsWith("rig.toml:6:9: controller.block: read 0; 1 to 65536 is allowed here\n"
                         "rig.toml:53:10: way.sub.driver: read \"cone81\"; no [driver.cone81] in this file; did you "
                         "mean \"cone18\"?\n"
                         "rig.toml:57:9: way.sub.delay: read 2.1, a number without a unit; a time or a distance is "
                         "wanted here, such as \"2.1 ms\" or \"0.72 m\"\n"
                         "rig.toml:78:1: accept.true-peak: read a check that guards ears"));
}

TEST(Faults, AreCutAfterTen) {
  std::string text = kExampleRig + "[zebra]\n";
  for (int i = 0; i < 11; ++i) text = "zebra" + std::to_string(i) + " = 1\n" + text;
  const std::string told = rig_refusal(text);
  EXPECT_EQ(std::count(told.begin(), told.end(), '\n'), 10);
  EXPECT_THAT(told, StartsWith("rig.toml:1:1: zebra10: read a key that is not known; known here: format, "));
  EXPECT_THAT(told, testing::EndsWith("\nand 2 more"));
}

TEST(Faults, OfOneRuleDoNotBringUpThoseThatHangOnIt) {
  // Without a sample rate there is no half of it: 30 kHz may well be right.
  const std::string text = edited(edited(kExampleRig, "\"48 kHz\"", "\"47 kHz\""), "\"240 Hz\"", "\"30 kHz\"");
  EXPECT_EQ(
      rig_refusal(text),
      "rig.toml:5:15: controller.sample_rate: read \"47 kHz\"; 44.1, 48, 88.2, 96, 176.4 or 192 kHz is wanted here");
}

TEST(Faults, OfAWholeFile) {
  for (const char* empty : {"", "\n\n", "# only a remark\n", "\xEF\xBB\xBF"}) {
    EXPECT_EQ(rig_refusal(empty), "rig.toml:1:1: read an empty file; a rig file starts with format = 1");
    EXPECT_EQ(venue_refusal(empty), "venue.toml:1:1: read an empty file; a venue file starts with format = 1");
  }
  EXPECT_EQ(rig_refusal(kExampleVenue), "rig.toml:1:1: read a venue file; a rig file is wanted here");
  EXPECT_EQ(venue_refusal(kExampleRig), "venue.toml:1:1: read a rig file; a venue file is wanted here");
  EXPECT_EQ(
      rig_refusal("format = 1"),
      R"(rig.toml:1:1: controller: read nothing; this is required, such as [controller] with sample_rate and output_full_scale
rig.toml:1:1: feeds: read nothing; this is required, such as [feeds] with left = 1
rig.toml:1:1: amplifier: read nothing; this is required, such as [amplifier.tops]
rig.toml:1:1: driver: read nothing; this is required, such as [driver.cone12]
rig.toml:1:1: way: read nothing; this is required, such as [[way]], a table for every way from low to high)");
  EXPECT_EQ(
      rig_refusal("format = 1\nfeeds.a = 1\ncontroller = { sample_rate = \"48 kHz\", output_full_scale = \"1 V\" }\n"
                  "amplifier = {}\ndriver = {}\nway = []\n"),
      "rig.toml:6:7: way: read 0 ways; 1 to 8 are wanted");
}

/// A rig of `ways` ways with `feeds` feeds.
std::string rig_of(std::size_t ways, std::size_t feeds, bool sum = false) {
  std::string text = "format = 1\n[controller]\nsample_rate = \"48 kHz\"\noutput_full_scale = \"1.23 V\"\n[feeds]\n";
  for (std::size_t i = 1; i <= feeds; ++i) text += "f" + std::to_string(i) + " = " + std::to_string(i) + "\n";
  text +=
      "[amplifier.a]\nratings = [ { power = \"100 W\", load = \"8 ohm\" } ]\ngain = \"32 dB\"\n"
      "[driver.d]\nimpedance = \"8 ohm\"\ncontinuous_power = \"100 W\"\n[crossover]\npoints = [";
  for (std::size_t i = 1; i < ways; ++i)
    text += "{ at = \"" + std::to_string(100 * i) + " Hz\", alignment = \"linkwitz-riley\", slope = \"24 dB/oct\" },";
  text += "]\n";
  for (std::size_t i = 1; i <= ways; ++i)
    text += "[[way]]\nname = \"w" + std::to_string(i) + "\"\namplifier = \"a\"\ndriver = \"d\"\n" +
            (sum ? "feeds = \"sum\"\n" : "");
  return text;
}

TEST(Limits, AreTakenAndOneMoreIsRefused) {
  EXPECT_EQ(parse_rig(rig_of(1, 1), "").ways.size(), 1u);
  EXPECT_EQ(parse_rig(rig_of(8, 8), "").ways.size(), 8u);
  EXPECT_EQ(parse_rig(rig_of(8, 16, true), "").feeds.size(), 16u);
  EXPECT_EQ(rig_refusal(rig_of(8, 9)),
            "rig.toml:23:1: way: read ways for 72 outputs; at most 64 are possible: "
            "feeds = \"sum\" makes one output of a way");
  EXPECT_EQ(rig_refusal(rig_of(9, 1)), "rig.toml:15:1: way: read 9 ways; 1 to 8 are wanted");
  EXPECT_EQ(rig_refusal(rig_of(1, 17)), "rig.toml:5:1: feeds: read 17 feeds; 1 to 16 are wanted, such as left = 1");
}

TEST(Limits, BothEndsOfARangeAreIn) {
  struct Range {
    std::string before, key;
    std::vector<const char*> ends;
  };
  for (const Range& range : std::initializer_list<Range>{
           {"q = 1.4", "q", {"0.1", "100"}},
           {"gain = \"-3.5 dB\"", "gain", {"\"-30 dB\"", "\"30 dB\""}},
           {"gain = \"-1 dB\"", "gain", {"\"-40 dB\"", "\"40 dB\""}},
           {"at = \"240 Hz\"", "at", {"\"1 Hz\"", "\"23.999 kHz\""}},
           {"bandwidth = \"0.1 oct\"", "bandwidth", {"\"0.01 oct\"", "\"10 oct\""}},
           {"shelf_slope = 0.9", "shelf_slope", {"0.05", "1"}},
           {"block = 128", "block", {"1", "65536"}},
           {"temperature = \"25 degC\"", "temperature", {"\"-40 degC\"", "\"60 degC\""}},
           {"attenuator = \"-6 dB\"", "attenuator", {"\"-100 dB\"", "\"0 dB\""}},
           {"drivers = 2", "drivers", {"1", "16"}},
           {"delay = \"2.1 ms\"", "delay", {"\"0 m\"", "\"1 s\""}},
           {"look_ahead = \"1.5 ms\"", "look_ahead", {"\"0 s\"", "\"20 ms\""}},
           {"hold = \"5 ms\"", "hold", {"\"0 s\"", "\"200 ms\""}},
           {"release = \"120 ms\"", "release", {"\"1 ms\"", "\"5 s\""}},
           {"below_clip = \"2 dB\"", "below_clip", {"\"0 dB\"", "\"40 dB\""}},
           {"below_rating = \"1 dB\"", "below_rating", {"\"0 dB\"", "\"40 dB\""}},
       })
    for (const char* end : range.ends)
      EXPECT_NO_THROW(parse_rig(edited(kExampleRig, range.before, range.key + " = " + end), ""))
          << range.key << " = " << end;
}

TEST(Limits, BothSidesOfThePointsGoFromLowToHigh) {
  // The second point is 1.6 kHz on its low side and 1.8 kHz on its high side.
  const std::string first = R"({ at = "95 Hz", alignment = "linkwitz-riley", slope = "24 dB/oct" })";
  const auto first_at = [&](const std::string& low, const std::string& high) {
    const std::string shape = " Hz\", alignment = \"bessel\", slope = \"12 dB/oct\" }";
    return edited(kExampleRig, first, "{ low = { at = \"" + low + shape + ", high = { at = \"" + high + shape + " }");
  };
  EXPECT_NO_THROW(parse_rig(first_at("1599", "1799"), ""));
  for (const std::string& text : {first_at("1600", "1000"), first_at("1700", "1000"), first_at("1000", "1800")})
    EXPECT_THAT(rig_refusal(text),
                StartsWith("rig.toml:44:3: crossover.points[2]: read 1.6 kHz; points go from low to high"));
}

TEST(Limits, OneWayNeedsNoCrossoverAndMayHaveNoPoints) {
  const std::string text = rig_of(1, 2);
  EXPECT_TRUE(parse_rig(text, "").points.empty());
  EXPECT_TRUE(parse_rig(edited(text, "[crossover]\npoints = []\n", ""), "").phase_matched);
  EXPECT_TRUE(parse_rig(edited(text, "points = []", ""), "").points.empty());
  EXPECT_EQ(rig_refusal(edited(text, "points = []",
                               "points = [ { at = \"1 kHz\", alignment = \"bessel\", slope = \"12 dB/oct\" } ]")),
            "rig.toml:15:10: crossover.points: read 1 point; 1 way needs 0: one fewer than there are ways");
}

TEST(Limits, EverySlopeOfEveryAlignment) {
  const std::set<int> riley = {12, 24, 36, 48}, butterworth = {6, 12, 18, 24, 30, 36, 42, 48},
                      bessel = {12, 18, 24, 30, 36, 42, 48};
  for (const auto& [name, slopes] :
       {std::pair{"linkwitz-riley", riley}, {"butterworth", butterworth}, {"bessel", bessel}})
    for (int slope = 0; slope <= 60; ++slope) {
      const std::string text =
          edited(rig_of(2, 1), "alignment = \"linkwitz-riley\", slope = \"24 dB/oct\"",
                 "alignment = \"" + std::string(name) + "\", slope = \"" + std::to_string(slope) + " dB/oct\"");
      if (slopes.count(slope))
        EXPECT_EQ(parse_rig(text, "").points[0].low.slope_db_per_oct, slope);
      else
        EXPECT_THAT(rig_refusal(text), HasSubstr("; " + std::string(name) + " has ")) << slope;
    }
}

TEST(Limits, EverySampleRateAndNoOther) {
  for (const char* rate : {"44.1", "48", "88.2", "96", "176.4", "192"})
    EXPECT_EQ(parse_rig(edited(rig_of(1, 1), "\"48 kHz\"", "\"" + std::string(rate) + " kHz\""), "")
                  .controller.sample_rate_hz,
              static_cast<std::uint32_t>(std::stod(rate) * 1000 + 0.5));
  for (const char* rate : {"44", "48.001", "0", "-48", "384", "32"})
    EXPECT_THAT(rig_refusal(edited(rig_of(1, 1), "\"48 kHz\"", "\"" + std::string(rate) + " kHz\"")),
                HasSubstr("or 192 kHz is wanted here"));
}

TEST(Limits, EveryCheckIsAcceptedOrNever) {
  const std::set<std::string_view> never = {"converter-clip",  "amplifier-clip", "peak-limit", "true-peak",
                                            "thermal-limit",   "bad-samples",    "stability",  "load",
                                            "driver-highpass", "driver-band"};
  std::size_t refused = 0;
  for (const Check& check : kChecks) {
    const std::string text =
        rig_of(1, 1) + "[accept]\n" + std::string(check.id) + " = \"for a reason: \u00e9t\"\n";  // twelve letters
    if (never.count(check.id)) {
      EXPECT_THAT(rig_refusal(text), HasSubstr("it is never accepted")) << check.id;
      ++refused;
    } else {
      const Rig rig = parse_rig(text, "");
      ASSERT_EQ(rig.accept.size(), 1u);
      EXPECT_EQ(rig.accept[0].check, check.id);
    }
  }
  EXPECT_EQ(refused, never.size());
  EXPECT_EQ(kChecks.size(), 24u);
}

TEST(Limits, EveryTableRefusesAKeyThatItDoesNotKnow) {
  // An unknown key right behind every `{` and every header of a table with fixed keys.
  std::size_t tables = 0;
  for (const std::string& file : {kExampleRig, kExampleVenue})
    for (std::size_t at = 0; at < file.size(); ++at) {
      std::string text = file;
      const bool header = (at == 0 || file[at - 1] == '\n') && file[at] == '[' && file.compare(at, 7, "[feeds]") != 0 &&
                          file.compare(at, 8, "[accept]") != 0;
      if (header)
        text.insert(file.find('\n', at) + 1, "zebra = 1\n");
      else if (file[at] == '{')
        text.insert(at + 1, " zebra = 1,");
      else
        continue;
      const std::string told = file == kExampleRig ? rig_refusal(text) : venue_refusal(text);
      EXPECT_THAT(told, HasSubstr("zebra: read a key that is not known; ")) << file.substr(at, 40);
      ++tables;
    }
  EXPECT_EQ(tables, 10u + 15u + 3u + 2u);
}

TEST(Limits, LeavingOutAnyKeyOfTheExampleIsRefusedOnlyWhereItIsRequired) {
  const std::set<std::string> required = {
      "format", "sample_rate", "output_full_scale", "ratings",   "gain", "sensitivity",
      "points", "impedance",   "continuous_power",  "amplifier", "name", "driver"};
  std::size_t lines = 0;
  for (std::size_t at = 0; at < kExampleRig.size();) {
    const std::size_t end = kExampleRig.find('\n', at) + 1;
    const std::string line = kExampleRig.substr(at, end - at);
    const std::string key = line.substr(0, line.find(" ="));
    std::string text = kExampleRig;
    text.erase(at, key == "points" ? text.find("]\n", at) + 2 - at : end - at);
    const bool is_key = line.find(" = ") != line.npos && line[0] != ' ' && key != "left" && key != "right";
    const bool gain_elsewhere = key == "gain" && line.find("32") == line.npos;  // an amplifier's gain alone is required
    if (is_key) {
      ++lines;
      if (required.count(key) && !gain_elsewhere)
        EXPECT_THAT(rig_refusal(text), HasSubstr(key)) << line;
      else
        EXPECT_NO_THROW(parse_rig(text, "")) << line;
    }
    at = end;
  }
  EXPECT_EQ(lines, 48u);
}

// ---- what a right file says -----------------------------------------------------------------------------------------

void expect_source(const Source& source, std::uint32_t line, std::uint32_t column, const std::string& key) {
  EXPECT_EQ(source.file, "shows/rig.toml");
  EXPECT_EQ(source.line, line) << key;
  EXPECT_EQ(source.column, column) << key;
  EXPECT_EQ(source.key, key);
}

TEST(ExampleRig, TakesWhatMayBeSaidOfADriverAWayAndABridge) {
  std::string text = edited(kExampleRig, "bridged = true", "bridged = true\nrated = \"bridged\"");
  text = edited(text, "thermal_time = \"3 s\"",
                "lowest = \"45 Hz\"\nhighest = \"4 kHz\"\nsensitivity = \"98.5 dB\"\nthermal_time = \"50 ms\"");
  text = edited(text, "drivers = 2", "drivers = 2\nwiring = \"series\"\ndepth = \"18 cm\"");
  const Rig rig = parse_rig(text, "rig.toml");
  EXPECT_EQ(rig.amplifiers[1].rated, Rated::bridged);
  EXPECT_FALSE(rig.amplifiers[1].doubled());
  EXPECT_EQ(rig.drivers[0].lowest_hz, 45.0);
  EXPECT_EQ(rig.drivers[0].highest_hz, 4000.0);
  EXPECT_EQ(rig.drivers[0].sensitivity_db, 98.5);
  EXPECT_EQ(rig.drivers[0].thermal_time_s, 0.05);
  EXPECT_TRUE(rig.ways[0].in_series);
  EXPECT_EQ(rig.ways[0].depth_m, 0.18);
  const Rig other = parse_rig(edited(edited(kExampleRig, "bridged = true", "bridged = true\nrated = \"per side\""),
                                     "drivers = 2", "drivers = 2\nwiring = \"parallel\""),
                              "rig.toml");
  EXPECT_EQ(other.amplifiers[1].rated, Rated::per_side);
  EXPECT_TRUE(other.amplifiers[1].doubled());
  EXPECT_FALSE(other.ways[0].in_series);
  EXPECT_EQ(
      parse_rig(edited(kExampleRig, "thermal_time = \"3 s\"", "thermal_time = \"60 s\""), "").drivers[0].thermal_time_s,
      60.0);
}

TEST(ExampleRig, SaysWhatIsWrittenToTheBit) {
  const Rig rig = parse_rig(kExampleRig, "shows/rig.toml");
  EXPECT_EQ(rig.file, "shows/rig.toml");
  EXPECT_EQ(rig.title, "Harbour Yard (invented): two tops and a sub stack");
  EXPECT_EQ(rig.controller.sample_rate_hz, 48'000u);
  EXPECT_EQ(rig.controller.block_frames, 128u);
  // dBu: sqrt(0.6) V at 0 dBu, its definition; a rounding of pow and one of the product
  EXPECT_DOUBLE_EQ(rig.controller.input_full_scale_volts_rms.value(), std::sqrt(0.6) * 10);
  EXPECT_DOUBLE_EQ(rig.controller.output_full_scale_volts_rms, std::sqrt(0.6) * std::pow(10.0, 0.9));
  EXPECT_EQ(rig.controller.temperature_degc, 25.0);

  ASSERT_EQ(rig.feeds.size(), 2u);
  EXPECT_EQ(rig.feeds[0].name, "left");
  EXPECT_EQ(rig.feeds[1].channel, 2u);
  expect_source(rig.feeds[1].source, 13, 9, "feeds.right");

  ASSERT_EQ(rig.amplifiers.size(), 2u);
  const Amplifier& tops = rig.amplifiers[0];
  EXPECT_EQ(tops.name, "tops");
  ASSERT_EQ(tops.ratings.size(), 2u);
  EXPECT_EQ(tops.ratings[0].power_watts, 700.0);
  EXPECT_EQ(tops.ratings[0].load_ohm, 8.0);
  EXPECT_EQ(tops.ratings[1].power_watts, 1150.0);
  EXPECT_EQ(tops.ratings[1].load_ohm, 4.0);
  EXPECT_EQ(tops.gain_db, 32.0);
  EXPECT_FALSE(tops.sensitivity_volts_rms);
  EXPECT_EQ(tops.attenuator_db, -6.0);
  EXPECT_TRUE(tops.attenuator_fixed);
  EXPECT_FALSE(tops.bridged);
  EXPECT_EQ(tops.rated, Rated::unsaid);
  expect_source(tops.source, 15, 1, "amplifier.tops");
  const Amplifier& subs = rig.amplifiers[1];
  EXPECT_EQ(subs.ratings.at(0).power_watts, 1200.0);
  EXPECT_FALSE(subs.gain_db);
  EXPECT_EQ(subs.sensitivity_volts_rms, 1.4);
  EXPECT_EQ(subs.attenuator_db, 0.0);
  EXPECT_FALSE(subs.attenuator_fixed);
  EXPECT_TRUE(subs.bridged);
  EXPECT_EQ(subs.rated, Rated::unsaid);
  EXPECT_TRUE(subs.doubled());

  ASSERT_EQ(rig.drivers.size(), 2u);
  EXPECT_EQ(rig.drivers[0].impedance_ohm, 8.0);
  EXPECT_EQ(rig.drivers[0].continuous_power_watts, 300.0);
  EXPECT_EQ(rig.drivers[0].peak_power_watts, 1200.0);
  EXPECT_EQ(rig.drivers[0].thermal_time_s, 3.0);
  EXPECT_FALSE(rig.drivers[1].peak_power_watts);
  EXPECT_FALSE(rig.drivers[1].lowest_hz || rig.drivers[1].highest_hz || rig.drivers[1].sensitivity_db);
  EXPECT_EQ(rig.drivers[1].thermal_time_s, 2.0);
  expect_source(rig.drivers[1].source, 33, 1, "driver.cone18");

  EXPECT_EQ(rig.system_gain_db, -1.0);
  ASSERT_EQ(rig.system_eq.size(), 1u);
  EXPECT_EQ(rig.system_eq[0].type, EqType::peaking);
  EXPECT_EQ(rig.system_eq[0].at_hz, 240.0);
  EXPECT_EQ(rig.system_eq[0].gain_db, -3.5);
  EXPECT_EQ(rig.system_eq[0].width, EqWidth::q);
  EXPECT_EQ(rig.system_eq[0].width_value, 1.4);
  expect_source(rig.system_eq[0].source, 39, 8, "system.eq[1]");

  ASSERT_EQ(rig.points.size(), 2u);
  EXPECT_FALSE(rig.phase_matched);
  for (const Filter& side : {rig.points[0].low, rig.points[0].high}) {
    EXPECT_EQ(side.at_hz, 95.0);
    EXPECT_EQ(side.alignment, Alignment::linkwitz_riley);
    EXPECT_EQ(side.slope_db_per_oct, 24);
    expect_source(side.source, 43, 3, "crossover.points[1]");
  }
  EXPECT_EQ(rig.points[1].low.at_hz, 1600.0);
  EXPECT_EQ(rig.points[1].low.alignment, Alignment::butterworth);
  EXPECT_EQ(rig.points[1].low.slope_db_per_oct, 18);
  EXPECT_EQ(rig.points[1].high.at_hz, 1800.0);
  EXPECT_EQ(rig.points[1].high.alignment, Alignment::bessel);
  EXPECT_EQ(rig.points[1].high.slope_db_per_oct, 12);
  expect_source(rig.points[1].source, 44, 3, "crossover.points[2]");
  expect_source(rig.points[1].high.source, 45, 12, "crossover.points[2].high");

  ASSERT_EQ(rig.ways.size(), 3u);
  const Way& sub = rig.ways[0];
  EXPECT_EQ(sub.name, "sub");
  EXPECT_TRUE(sub.sum_of_feeds);
  EXPECT_EQ(&rig.amplifier_of(sub), &rig.amplifiers[1]);
  EXPECT_EQ(&rig.driver_of(sub), &rig.drivers[1]);
  EXPECT_EQ(sub.drivers, 2u);
  EXPECT_FALSE(sub.in_series);
  EXPECT_FALSE(sub.depth_m);
  EXPECT_EQ(sub.gain_db, -3.0);
  EXPECT_TRUE(sub.inverted);
  EXPECT_EQ(sub.delay_s, 0.0021);
  EXPECT_FALSE(sub.delay_distance_m);
  EXPECT_EQ(sub.highpass.value().at_hz, 32.0);
  expect_source(sub.highpass->source, 58, 12, "way.sub.highpass");
  ASSERT_EQ(sub.eq.size(), 2u);
  EXPECT_EQ(sub.eq[1].type, EqType::notch);
  EXPECT_EQ(sub.eq[1].width, EqWidth::bandwidth_oct);
  EXPECT_EQ(sub.eq[1].width_value, 0.1);
  expect_source(sub.eq[1].source, 59, 69, "way.sub.eq[2]");
  ASSERT_TRUE(sub.limit);
  EXPECT_EQ(sub.limit->below_clip_db, 2.0);
  EXPECT_EQ(sub.limit->look_ahead_s, 1.5e-3);
  EXPECT_EQ(sub.limit->hold_s, 5e-3);
  EXPECT_EQ(sub.limit->release_s, 120e-3);
  EXPECT_FALSE(sub.limit->true_peak);
  expect_source(sub.limit->source, 60, 9, "way.sub.limit");
  EXPECT_EQ(sub.thermal.value().below_rating_db, 1.0);
  expect_source(sub.thermal->source, 61, 11, "way.sub.thermal");
  expect_source(sub.source, 49, 1, "way.sub");

  const Way& mid = rig.ways[1];
  EXPECT_FALSE(mid.sum_of_feeds);
  EXPECT_EQ(mid.drivers, 1u);
  EXPECT_EQ(mid.gain_db, 0.0);
  EXPECT_FALSE(mid.inverted);
  EXPECT_EQ(mid.delay_distance_m, 0.72);
  // 346.45 m/s at 25 degC: 331.3 + 0.606 T, common practice
  EXPECT_DOUBLE_EQ(mid.delay_s, 0.72 / 346.45);
  EXPECT_FALSE(mid.highpass);
  EXPECT_FALSE(mid.thermal);
  EXPECT_EQ(mid.limit.value().look_ahead_s, 2e-3);
  EXPECT_EQ(mid.limit->hold_s, 0.0);
  EXPECT_EQ(mid.limit->release_s, 100e-3);
  EXPECT_TRUE(mid.limit->true_peak);

  const Way& high = rig.ways[2];
  EXPECT_FALSE(high.limit);
  EXPECT_EQ(high.eq.at(0).type, EqType::highshelf);
  EXPECT_EQ(high.eq[0].width, EqWidth::shelf_slope);
  EXPECT_EQ(high.eq[0].width_value, 0.9);
  EXPECT_EQ(high.response.value(), "shows/horn.csv");
  expect_source(high.response_source, 75, 12, "way.high.response");

  ASSERT_EQ(rig.accept.size(), 1u);
  EXPECT_EQ(rig.accept[0].check, "crossover-sum");
  EXPECT_EQ(rig.accept[0].reason, "sides set apart for this horn, whose own slope does the rest");
}

TEST(ExampleRig, HasDefaultsWhereNothingIsWritten) {
  const Rig rig = parse_rig(rig_of(2, 1), "");
  EXPECT_EQ(rig.title, "");
  EXPECT_EQ(rig.controller.block_frames, 64u);
  EXPECT_FALSE(rig.controller.input_full_scale_volts_rms);
  EXPECT_EQ(rig.controller.output_full_scale_volts_rms, 1.23);
  EXPECT_EQ(rig.controller.temperature_degc, 20.0);
  EXPECT_EQ(rig.system_gain_db, 0.0);
  EXPECT_TRUE(rig.system_eq.empty() && rig.accept.empty());
  EXPECT_TRUE(rig.phase_matched);
  EXPECT_EQ(rig.ways[0].delay_s, 0.0);
  EXPECT_FALSE(rig.ways[0].response);
}

TEST(ExampleRig, IsTheSameWithOtherLineEndsAByteOrderMarkAndOtherOrder) {
  std::string windows;
  for (const char c : kExampleRig) windows.append(c == '\n' ? "\r\n" : std::string(1, c));
  for (const std::string& text : {windows, "\xEF\xBB\xBF" + kExampleRig, "\xEF\xBB\xBF" + windows}) {
    const Rig rig = parse_rig(text, "shows/rig.toml");
    ASSERT_EQ(rig.ways.size(), 3u);
    EXPECT_EQ(rig.ways[0].delay_s, 0.0021);
    expect_source(rig.ways[0].limit.value().source, 60, 9, "way.sub.limit");
  }
  // Feeds in the file's order, not the alphabet's.
  EXPECT_THAT(parse_rig(edited(kExampleRig, "left = 1\nright = 2", "right = 2\nleft = 1"), "").feeds[0].name, "right");
}

TEST(ExampleVenue, SaysWhatIsWritten) {
  const Rig rig = parse_rig(kExampleRig, "rig.toml");
  const Venue venue = parse_venue(kExampleVenue, "shows/venue.toml", rig);
  EXPECT_EQ(venue.file, "shows/venue.toml");
  EXPECT_EQ(venue.title, "Boat shed (invented)");
  EXPECT_EQ(venue.all.gain_db, -2.0);
  ASSERT_EQ(venue.all.eq.size(), 1u);
  EXPECT_EQ(venue.all.eq[0].type, EqType::lowshelf);
  EXPECT_EQ(venue.all.eq[0].source.key, "venue.eq[1]");
  ASSERT_EQ(venue.feed.size(), 2u);
  EXPECT_EQ(venue.feed.at("left").gain_db, 0.0);
  EXPECT_EQ(venue.feed.at("left").eq.at(0).at_hz, 400.0);
  EXPECT_EQ(venue.feed.at("left").eq[0].source.line, 9u);
  EXPECT_EQ(venue.feed.at("left").eq[0].source.key, "venue.feed.left.eq[1]");
  EXPECT_EQ(venue.feed.at("right").gain_db, 0.5);

  const Venue empty = parse_venue("format = 1\n", "", rig);
  EXPECT_EQ(empty.all.gain_db, 0.0);
  EXPECT_TRUE(empty.all.eq.empty() && empty.feed.empty());
  const Venue only_feed = parse_venue("format = 1\n[venue.feed.left]\ngain = \"1 dB\"\n", "", rig);
  EXPECT_EQ(only_feed.feed.at("left").gain_db, 1.0);
}

// ---- files ----------------------------------------------------------------------------------------------------------

class Files : public testing::Test {
 protected:
  void SetUp() override { std::filesystem::create_directories(folder_); }
  void TearDown() override { std::filesystem::remove_all(folder_); }
  std::filesystem::path write(const char* name, const std::string& text) const {
    std::ofstream(folder_ / name, std::ios::binary) << text;
    return folder_ / name;
  }
  std::filesystem::path folder_ =
      std::filesystem::temp_directory_path() / ("rackproof_load_test_" + std::to_string(getpid()));
};

TEST_F(Files, AreLoadedWithTheirResponsesBesideThem) {
  const auto file = write("rig.toml", kExampleRig);
  EXPECT_EQ(refusal_of([&] { load_rig(file); }),
            file.string() + ":75:12: way.high.response: read \"horn.csv\"; there is no file " +
                (folder_ / "horn.csv").string() + "; the name is looked for beside the rig file");
  write("horn.csv", "frequency_hz,magnitude_db,phase_deg\n");
  const Rig rig = load_rig(file);
  EXPECT_EQ(rig.ways[2].response, folder_ / "horn.csv");
  EXPECT_EQ(load_venue(write("venue.toml", kExampleVenue), rig).all.gain_db, -2.0);
}

TEST_F(Files, ThatAreNotThereAreThePersonsAndUnreadableOnesTheMachines) {
  const std::string nowhere = (folder_ / "nowhere.toml").string();
  EXPECT_EQ(refusal_of([&] { load_rig(nowhere); }), nowhere + ": there is no such file");
  EXPECT_EQ(refusal_of([&] { load_rig(folder_); }),
            folder_.string() + ": this is a folder; the name of a file of settings is wanted");
  if (std::filesystem::exists("/proc/self/mem")) {  // opens and cannot be read, even by root
    try {
      load_rig("/proc/self/mem");
      ADD_FAILURE() << "was read";
    } catch (const MachineError& error) {
      EXPECT_STREQ(error.what(), "/proc/self/mem: cannot be read: Input/output error");
    }
  }
}

TEST_F(Files, ThatAreNoRigFilesAtAll) {
  const auto big = write("big.toml", std::string((1u << 18) + 10, '#'));
  EXPECT_EQ(refusal_of([&] { load_rig(big); }),
            big.string() + ": more than 262144 bytes; a file of settings is smaller: is this the right file?");
  const auto wave = write("a.wav", std::string("RIFF\0\0\0\0WAVE", 12));
  EXPECT_EQ(
      refusal_of([&] { load_rig(wave); }),
      wave.string() +
          ":1:1: read bytes that are not text; a file of settings is TOML text, saved as UTF-8: is this the right file?");
}

}  // namespace
