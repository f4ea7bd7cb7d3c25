// Must hold: what is read is the double nearest to the decimal that was written, times the unit; every finite value
// that is written reads back to the same bits; whatever is not the quantity wanted is refused with words, never with a
// value.
#include "harness/rig/units.hpp"

#include <gtest/gtest.h>

#include <clocale>
#include <cmath>
#include <cstring>
#include <map>
#include <random>

namespace {
using namespace rackproof::rig;
using enum Quantity;

const std::vector<Quantity> kAll = {frequency, time,      distance, voltage,   gain,
                                    power,     impedance, slope,    bandwidth, temperature};

std::string misread(const std::string& text, std::initializer_list<Quantity> wanted, std::string_view example = {}) {
  try {
    const Measure measure = read_measure(text, wanted, example);
    return "read as " + text_of(measure);
  } catch (const Misread& refused) {
    EXPECT_EQ(refused.what(), "read " + refused.read + "; " + refused.right);
    return refused.what();
  }
}

TEST(Units, EveryUnitOnceToTheNearestDouble) {
  struct Case {
    const char* text;
    Quantity quantity;
    double value;
  };
  // A literal is rounded once, as the reader claims to: exact comparison.
  for (const Case& c : std::initializer_list<Case>{
           {"95 Hz", frequency, 95.0},
           {"1.7 kHz", frequency, 1700.0},
           {"176.4 kHz", frequency, 176400.0},
           {"3 s", time, 3.0},
           {"2.1 ms", time, 0.0021},
           {"20.8333 us", time, 0.0000208333},
           {"20.8333 \u00b5s", time, 0.0000208333},
           {"20.8333 \u03bcs", time, 0.0000208333},
           {"1.5 min", time, 90.0},
           {"0.72 m", distance, 0.72},
           {"72.3 cm", distance, 0.723},
           {"34 mm", distance, 0.034},
           {"1.23 V", voltage, 1.23},
           {"775 mV", voltage, 0.775},
           {"-3.5 dB", gain, -3.5},
           {"700 W", power, 700.0},
           {"1.15 kW", power, 1150.0},
           {"8 ohm", impedance, 8.0},
           {"5.3 \u03a9", impedance, 5.3},
           {"5.3 \u2126", impedance, 5.3},
           {"8 ohms", impedance, 8.0},
           {"24 dB/oct", slope, 24.0},
           {"24 dB/octave", slope, 24.0},
           {"0.7 oct", bandwidth, 0.7},
           {"1 octave", bandwidth, 1.0},
           {"2 octaves", bandwidth, 2.0},
           {"20 degC", temperature, 20.0},
           {"-4.5 \u00b0C", temperature, -4.5},
       }) {
    const Measure read = read_measure(c.text, {c.quantity});
    EXPECT_EQ(read.quantity, c.quantity) << c.text;
    EXPECT_EQ(read.value, c.value) << c.text;
  }
}

TEST(Units, LevelsFeetAndFahrenheitAgainstTheOutside) {
  // 0 dBu is the voltage of 1 mW in 600 ohm, sqrt(0.6) V; 0 dBV is 1 V: common practice, no source. Tolerance: the last
  // of the digits given.
  EXPECT_NEAR(read_value("0 dBu", voltage), 0.774596669, 0.5e-9);
  EXPECT_NEAR(read_value("+4 dBu", voltage), 1.227653, 0.5e-6);
  EXPECT_NEAR(read_value("+24 dBu", voltage), 12.27653, 0.5e-5);
  EXPECT_NEAR(read_value("-10 dBV", voltage), 0.316228, 0.5e-6);
  EXPECT_EQ(read_value("0 dBV", voltage), 1.0);
  // International foot and inch of 1959: 0.3048 m, 25.4 mm. One rounding of the product.
  EXPECT_DOUBLE_EQ(read_value("2.4 ft", distance), 0.73152);
  EXPECT_DOUBLE_EQ(read_value("10 in", distance), 0.254);
  // Freezing and boiling water, and the one point where the scales meet: common practice, no source.
  EXPECT_DOUBLE_EQ(read_value("68 degF", temperature), 20.0);
  EXPECT_DOUBLE_EQ(read_value("212 \u00b0F", temperature), 100.0);
  EXPECT_DOUBLE_EQ(read_value("-40 degF", temperature), -40.0);
}

TEST(Units, SpacingSignsAndCapitalsAreFree) {
  for (const char* text : {"2.1ms", " 2.1 ms ", "+2.1 ms", "+ 2.1\tms", "2.1\u00a0ms", "2.1\u202fms",
                           "2.1\u2009ms\u00a0", "0.0021 s", "2.1e0 ms", "21E-1 ms", "2100 us", "02.10 ms", "2.1 mS"})
    EXPECT_EQ(read_value(text, time), 0.0021) << text;
  for (const char* text : {"-3 dB", "\u22123 dB", "\u20133dB", "\u20143 dB", "- 3 db", "-3.dB", "-3 DB"})
    EXPECT_EQ(read_value(text, gain), -3.0) << text;
  EXPECT_EQ(read_value(".5 oct", bandwidth), 0.5);
  EXPECT_EQ(read_value("1.7 KHZ", frequency), 1700.0);
  EXPECT_EQ(read_value("8 OHM", impedance), 8.0);
  EXPECT_EQ(read_value("1 KW", power), 1000.0);
  EXPECT_EQ(read_value("+18 DBU", voltage), read_value("+18 dBu", voltage));
  EXPECT_EQ(read_value("10 mv", voltage), 0.01);
  EXPECT_FALSE(std::signbit(read_value("-0 dB", gain)));
}

TEST(Units, AnyOfSeveralKinds) {
  EXPECT_EQ(read_measure("2 ms", {time, distance}).quantity, time);
  EXPECT_EQ(read_measure("2 m", {time, distance}).quantity, distance);
}

TEST(Units, EveryRefusalSaysWhatWasReadAndWhatIsRight) {
  EXPECT_EQ(misread("2 m", {time}), R"(read "2 m", a distance; a time is wanted here, such as "2 ms")");
  EXPECT_EQ(misread("2 m", {time}, "\"120 ms\""), R"(read "2 m", a distance; a time is wanted here, such as "120 ms")");
  EXPECT_EQ(misread("3 dB", {time, distance}, "\"2.1 ms\" or \"0.72 m\""),
            R"(read "3 dB", a gain; a time or a distance is wanted here, such as "2.1 ms" or "0.72 m")");
  EXPECT_EQ(misread("8", {impedance}),
            R"(read "8", a number without a unit; an impedance is wanted here, such as "8 ohm")");
  EXPECT_EQ(misread("", {gain}), R"(read "", an empty text; a gain is wanted here, such as "-3 dB")");
  EXPECT_EQ(misread(" \t", {gain}), R"(read "", an empty text; a gain is wanted here, such as "-3 dB")");
  EXPECT_EQ(misread("loud", {gain}),
            R"(read "loud", which does not start with a number; a gain is wanted here, such as "-3 dB")");
  for (const char* text :
       {"nan dB", "inf dB", "-inf dB", "NaN", "infinity", "0x dB", ". dB", "- dB", "+-3 dB", "e3 dB"})
    EXPECT_NE(misread(text, {gain}).find(std::string("read \"") + text + "\", "), std::string::npos) << text;
  EXPECT_EQ(misread("1,7 kHz", {frequency}),
            R"(read "1,7 kHz", a number with a comma; write a point for decimals and )"
            R"(nothing between thousands; a frequency is wanted here, such as "1.7 kHz")");
  EXPECT_EQ(misread("1 000 Hz", {frequency}), R"(read "1 000 Hz", a number in pieces; write it in one piece; )"
                                              R"(a frequency is wanted here, such as "1.7 kHz")");
  EXPECT_EQ(misread("1.2.3 s", {time}),
            R"(read "1.2.3 s", a number in pieces; write it in one piece; a time is wanted here, such as "2 ms")");
  EXPECT_EQ(misread("5 sec", {time}), R"(read "5 sec", whose unit "sec" is not known; )"
                                      R"(a time is wanted here, such as "2 ms" (units: s, ms, us or min))");
  EXPECT_EQ(misread("1e999 Hz", {frequency}),
            R"(read "1e999 Hz", a number beyond all bounds; a frequency is wanted here, such as "1.7 kHz")");
  EXPECT_EQ(
      misread("1e99999999999999999999 Hz", {frequency}),
      R"(read "1e99999999999999999999 Hz", a number beyond all bounds; a frequency is wanted here, such as "1.7 kHz")");
  EXPECT_EQ(misread("99999 dBu", {voltage}),
            R"(read "99999 dBu", a number beyond all bounds; a level or voltage is wanted here, such as "+4 dBu")");
}

TEST(Units, CapitalsCountWhereTheyChangeTheMeaning) {
  EXPECT_EQ(misread("775 MV", {voltage}),
            R"(read "775 MV", whose unit "MV" is not known; a capital M is mega: write mV; )"
            R"(a level or voltage is wanted here, such as "+4 dBu" (units: V, mV, dBu or dBV))");
  EXPECT_EQ(misread("4 dBv", {voltage}),
            R"(read "4 dBv", whose unit "dBv" is not known; some mean dBu by it, others dBV; )"
            R"(a level or voltage is wanted here, such as "+4 dBu" (units: V, mV, dBu or dBV))");
  for (const char* text : {"2 MS", "2 Ms", "2 MM", "2 M", "2 Mm"})
    EXPECT_NE(misread(text, {time, distance}).find("a capital M is mega"), std::string::npos) << text;
}

TEST(Units, NoUnitIsReadAsAnotherKind) {
  // Every example is read as its own kind and refused as each of the others: 100 pairs.
  for (const Quantity read : kAll)
    for (const Quantity wanted : kAll) {
      std::string text(example_of(read));
      text = text.substr(1, text.size() - 2);
      const std::string outcome = misread(text, {wanted});
      if (read == wanted)
        EXPECT_TRUE(outcome.starts_with("read as")) << outcome;
      else
        EXPECT_NE(outcome.find("\", " + std::string(name_of(read)) + "; " + std::string(name_of(wanted))),
                  std::string::npos)
            << outcome;
    }
}

TEST(Units, TheLocaleDoesNotMatter) {
  // A locale with a decimal comma may not be there: then this asks what the other tests ask.
  std::setlocale(LC_ALL, "de_DE.UTF-8");
  EXPECT_EQ(read_value("1.7 kHz", frequency), 1700.0);
  EXPECT_EQ(text_of({gain, -3.5}), "-3.5 dB");
  std::setlocale(LC_ALL, "C");
}

TEST(Units, WhatIsWrittenIsShortAndReadsBackToTheSameBits) {
  EXPECT_EQ(text_of({frequency, 95}), "95 Hz");
  EXPECT_EQ(text_of({frequency, 1700}), "1.7 kHz");
  EXPECT_EQ(text_of({frequency, 1000}), "1 kHz");
  EXPECT_EQ(text_of({time, 0.0021}), "2.1 ms");
  EXPECT_EQ(text_of({time, 0}), "0 s");
  EXPECT_EQ(text_of({distance, 1.5}), "1.5 m");
  EXPECT_EQ(text_of({voltage, 0.001}), "1 mV");
  EXPECT_EQ(text_of({gain, -0.0}), "0 dB");
  EXPECT_EQ(text_of({impedance, 8}), "8 ohm");
  EXPECT_EQ(text_of({slope, 24}), "24 dB/oct");
  EXPECT_EQ(text_of({power, 1e21}), "1e21 W");
  std::mt19937 random(20);
  const auto bits = [&] { return std::uint64_t{random()} << 32 | random(); };
  for (int round = 0; round < 20'000; ++round) {
    double value = 0;
    const std::uint64_t any = bits();
    if (round % 2 == 0)
      std::memcpy(&value, &any, sizeof value);  // every exponent
    else
      value = static_cast<double>(any % 2'000'001) / 1000.0 - 1000.0;  // what people write
    if (!std::isfinite(value)) continue;
    const Quantity quantity = kAll[static_cast<std::size_t>(round) / 2 % kAll.size()];
    const std::string text = text_of({quantity, value});
    const double back = value == 0 ? 0.0 : value;
    ASSERT_EQ(read_value(text, quantity), back) << text;
  }
}

TEST(Units, NothingThatIsAlmostAQuantityGetsThrough) {
  // Random texts from the letters of quantities: read, or refused; what is read is finite.
  static constexpr std::string_view kPieces[] = {"1",      "0", ".", ",", "e", "-",      "+", " ",   "\u2212", "d",
                                                 "B",      "u", "V", "k", "H", "z",      "m", "s",   "o",      "h",
                                                 "\u03a9", "/", "c", "t", "W", "\u00b0", "C", "\xff"};
  std::mt19937 random(7);
  std::map<bool, int> seen;
  for (int round = 0; round < 50'000; ++round) {
    std::string text;
    for (std::size_t n = random() % 8; n > 0; --n) text += kPieces[random() % std::size(kPieces)];
    try {
      const Measure read =
          read_measure(text, {frequency, time, distance, voltage, gain, power, impedance, temperature});
      ASSERT_TRUE(std::isfinite(read.value)) << text;
      ++seen[true];
    } catch (const Misread&) {
      ++seen[false];
    }
  }
  EXPECT_GT(seen[true], 50);
  EXPECT_GT(seen[false], 10'000);
}

}  // namespace
