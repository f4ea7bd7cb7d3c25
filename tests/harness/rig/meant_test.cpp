// Must hold: words that people know from elsewhere are answered with what stands in their place here, a key that this
// table knows; where nothing is known, nothing is said.
#include "harness/rig/meant.hpp"

#include <gmock/gmock.h>

#include "harness/rig/units.hpp"

namespace rackproof::rig {
namespace {

using testing::HasSubstr;

const std::vector<std::string> kLimit = {"below_clip", "look_ahead", "hold", "release", "true_peak"};
const std::vector<std::string> kThermal = {"below_rating"};
const std::vector<std::string> kWay = {"name",  "amplifier", "driver",   "drivers", "wiring", "depth",  "gain",
                                       "delay", "polarity",  "highpass", "eq",      "limit",  "thermal"};
const std::vector<std::string> kDriver = {"impedance", "continuous_power", "peak_power", "thermal_time",
                                          "lowest",    "highest",          "sensitivity"};
const std::vector<std::string> kAmplifier = {"ratings", "gain", "sensitivity", "attenuator", "bridged", "rated"};
const std::vector<std::string> kFilter = {"at", "alignment", "slope"};

TEST(MeantByKey, IsAKeyOfTheTableThatItStandsIn) {
  struct Case {
    const char* key;
    const std::vector<std::string>& known;
    const char* word;
  };
  for (const Case& c : {Case{"attack", kLimit, "look_ahead = "},
                        {"Threshold", kLimit, "below_clip = "},
                        {"ratio", kLimit, "no ratio"},
                        {"threshold", kThermal, "below_rating = "},
                        {"release", kThermal, "thermal_time"},
                        {"threshold", kWay, "limit = {"},
                        {"hpf", kWay, "highpass = {"},
                        {"low_pass", kWay, "[crossover]"},
                        {"phase", kWay, "polarity = "},
                        {"xmax", kDriver, "highpass"},
                        {"rms_power", kDriver, "what a driver takes for long is continuous_power = "},
                        {"program", kDriver, "twice"},
                        {"program_power", kDriver, "half of the program rating, as continuous_power = "},
                        {"ProgramPower", kDriver, "RMS or AES"},
                        {"programme_power", kDriver, "twice"},
                        {"music power", kDriver, "twice"},
                        {"max_power", kDriver, "what a driver takes in peaks is peak_power = "},
                        {"spl", kDriver, "sensitivity = "},
                        {"fs", kDriver, "lowest = "},
                        {"btl", kAmplifier, "bridged = true"},
                        {"input-sensitivity", kAmplifier, "sensitivity = "},
                        {"power", kAmplifier, "ratings = "},
                        {"freq", kFilter, "at = "},
                        {"order", kFilter, "slope = "},
                        {"type", kFilter, "alignment = "},
                        {"release_ms", kLimit, "write release = \"... ms\""},
                        {"gain_dB", kWay, "write gain = \"... dB\""}})
    EXPECT_THAT(meant_by_key(c.key, c.known), HasSubstr(c.word)) << c.key;
}
TEST(MeantByKey, SaysNothingWhereItKnowsNothing) {
  EXPECT_EQ(meant_by_key("zebra", kWay), "");
  EXPECT_EQ(meant_by_key("attack", kFilter), "");  // a filter has nothing in its place
  EXPECT_EQ(meant_by_key("colour_ms", kLimit), "");
  EXPECT_EQ(meant_by_key("release_s_x", kLimit), "");
  EXPECT_EQ(meant_by_key("_ms", kLimit), "");
  EXPECT_EQ(meant_by_key("", kLimit), "");
}

TEST(MeantByAlignment, IsAlignmentAndSlope) {
  struct Case {
    const char *text, *alignment, *slope;
  };
  for (const Case& c : {Case{"LR24", "linkwitz-riley", "24 dB/oct"},
                        {"lr 48", "linkwitz-riley", "48 dB/oct"},
                        {"LR4", "linkwitz-riley", "24 dB/oct"},
                        {"Linkwitz-Riley 24 dB/oct", "linkwitz-riley", "24 dB/oct"},
                        {"BW18", "butterworth", "18 dB/oct"},
                        {"butterworth_12", "butterworth", "12 dB/oct"},
                        {"BW3", "butterworth", "18 dB/oct"},
                        {"BW6", "butterworth", "6 dB/oct"},
                        {"LR6", "linkwitz-riley", "36 dB/oct"},
                        {"bessel24", "bessel", "24 dB/oct"}})
    EXPECT_EQ(meant_by_alignment(c.text),
              std::string("two keys say this: alignment = \"") + c.alignment + "\", slope = \"" + c.slope + "\"")
        << c.text;
  // a name alone, or a slope that this alignment has not
  for (const char* text : {"Linkwitz Riley", "LR18", "lr"})
    EXPECT_THAT(meant_by_alignment(text), HasSubstr("alignment = \"linkwitz-riley\" is meant")) << text;
  for (const char* text : {"chebyshev", "24", "", "linear phase"}) EXPECT_EQ(meant_by_alignment(text), "") << text;
}

TEST(MeantByEqType, IsATypeOfTheNote) {
  EXPECT_EQ(meant_by_eq_type("Bell"), "type = \"peaking\" is meant");
  EXPECT_EQ(meant_by_eq_type("HPF"), "type = \"highpass\" is meant");
  EXPECT_THAT(meant_by_eq_type("shelf"), HasSubstr("highshelf"));
  EXPECT_EQ(meant_by_eq_type("tilt"), "");
}

std::string misread(const std::string& text, Quantity wanted) {
  try {
    read_value(text, wanted);
  } catch (const Misread& fault) {
    return fault.read + "; " + fault.right;
  }
  return "taken as right";
}
// 20 log10 of a factor of volts: 40 times is 32.04 dB, 20 times 26.02 dB (textbook).
TEST(MeantByAFactor, IsAGainInDecibels) {
  for (const char* text : {"x40", "X 40", "\u00d740", "40x", "40 times", "40 V/V", " x40 "})
    EXPECT_THAT(misread(text, Quantity::gain), HasSubstr("a factor; as a gain it is \"32.04 dB\"")) << text;
  EXPECT_THAT(misread("20 x", Quantity::gain), HasSubstr("\"26.02 dB\""));
  EXPECT_THAT(misread("40", Quantity::gain), HasSubstr("without a unit; a gain is wanted here"));
  EXPECT_THAT(misread("40", Quantity::gain), HasSubstr("if 40 is a factor, it is \"32.04 dB\""));
  EXPECT_THAT(misread("3", Quantity::gain), testing::Not(HasSubstr("factor")));
  EXPECT_THAT(misread("-12", Quantity::gain), testing::Not(HasSubstr("factor")));
  EXPECT_THAT(misread("x40", Quantity::frequency), testing::Not(HasSubstr("factor")));
  EXPECT_THAT(misread("x-40", Quantity::gain), HasSubstr("does not start with a number"));
  EXPECT_THAT(misread("x40 dB", Quantity::gain), HasSubstr("does not start with a number"));
}

}  // namespace
}  // namespace rackproof::rig
