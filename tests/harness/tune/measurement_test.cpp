// Must hold: what is written is read back; what is no measurement is refused with file, key, what was read and what is
// right.
#include "harness/tune/measurement.hpp"

#include <gmock/gmock.h>

#include <nlohmann/json.hpp>

#include "harness/rig/rig.hpp"

namespace rackproof::tune {
namespace {

using testing::AllOf;
using testing::HasSubstr;

Measurement example() {
  Measurement m;
  m.sample_rate_hz = 44100;
  m.captures = 2;
  m.arrival_ms = 9.87654321;
  m.polarity = -1;
  m.drift_ppm = 50.1234;
  m.frequency_hz = {100, 1000.12345, 10000};
  m.magnitude_db = {-3.25, 0, 1.5};
  m.phase_deg = {-179.5, 0.125, 90};
  m.coherence = {0.5, 1, 0.99};
  m.smoothing = "1/12";
  m.kind = "noise";
  m.each = {{"a.wav", 9.8, -1, 50, -20}};
  m.warnings = {{"level", "faint"}};
  return m;
}

TEST(Measurement, IsReadBackAsItWasWritten) {
  const Measurement m = example(), back = parse_measurement(document_of(m).dump(), "m.json");
  EXPECT_EQ(back.sample_rate_hz, m.sample_rate_hz);
  EXPECT_EQ(back.captures, m.captures);
  EXPECT_NEAR(back.arrival_ms, m.arrival_ms, 1e-6);
  EXPECT_EQ(back.polarity, -1);
  ASSERT_TRUE(back.drift_ppm);
  EXPECT_NEAR(*back.drift_ppm, *m.drift_ppm, 1e-3);
  for (std::size_t i = 0; i < 3; ++i) {
    EXPECT_NEAR(back.frequency_hz[i], m.frequency_hz[i], 1e-4);
    EXPECT_NEAR(back.magnitude_db[i], m.magnitude_db[i], 1e-4);
    EXPECT_NEAR(back.phase_deg[i], m.phase_deg[i], 1e-3);
    EXPECT_NEAR(back.coherence[i], m.coherence[i], 1e-5);
  }
  EXPECT_EQ(back.smoothing, "1/12");
  EXPECT_EQ(back.kind, "noise");
  ASSERT_EQ(back.warnings.size(), 1u);
  EXPECT_EQ(back.warnings[0].code, "level");
}

// Files of before the format had a number, and of a later form.
TEST(Measurement, SaysItsFormatFirstAndIsReadWithoutOneToo) {
  nlohmann::ordered_json document = document_of(example());
  EXPECT_EQ(document.begin().key(), "format");
  EXPECT_EQ(document.begin().value(), 1);
  document["format"] = 2;
  try {
    parse_measurement(document.dump(), "m.json");
    ADD_FAILURE() << "another form was taken";
  } catch (const InputError& error) {
    EXPECT_STREQ(error.what(), "m.json: format: read 2; 1: another version of rackproof wrote this file");
  }
  document.erase("format");
  EXPECT_EQ(parse_measurement(document.dump(), "m.json").captures, 2u);
}

TEST(Measurement, PhaseAndCoherenceMayBeMissing) {
  const Measurement m =
      parse_measurement(R"({"frequency_hz": [10, 20], "magnitude_db": [1, 2], "warnings": ["odd"]})", "m.json");
  EXPECT_TRUE(m.phase_deg.empty());
  EXPECT_EQ(m.coherence, (std::vector<double>{1, 1}));
  EXPECT_EQ(m.warnings[0].text, "odd");
}

TEST(Measurement, TheWholeWayHasItsArrival) {
  Measurement m = example();
  m.arrival_ms = 0.25;  // a quarter of a turn at 1 kHz, late
  m.frequency_hz[1] = 1000;
  m.phase_deg[1] = 30;
  const std::complex<double> h = m.whole_way(1);
  EXPECT_NEAR(std::arg(h), -60 * 3.14159265358979 / 180, 1e-9);
  EXPECT_NEAR(std::abs(h), 1, 1e-12);
}

TEST(Measurement, AsATableWithTheTimeTakenOutThatIsAskedFor) {
  Measurement m = example();
  m.arrival_ms = 10;
  EXPECT_THAT(csv_of(m, 10), AllOf(testing::StartsWith("frequency_hz,magnitude_db,phase_deg,coherence\n"),
                                   HasSubstr("100.0000,-3.2500,-179.500,0.50000\n")));
  // A quarter of a millisecond less is taken out: at 100 Hz 9 degrees are left in.
  EXPECT_THAT(csv_of(m, 9.75), HasSubstr("100.0000,-3.2500,171.500,0.50000\n"));
}

TEST(Measurement, WhatIsNoneIsToldWhatItIs) {
  struct Case {
    const char *text, *says;
  };
  for (const Case& c :
       {Case{"RIFF....", "not whole JSON"}, Case{"[1, 2]", "read a list of 2; a measurement"},
        Case{R"({"magnitude_db": [1, 2]})", "frequency_hz: read no such key"},
        Case{R"({"frequency_hz": [20, 10], "magnitude_db": [1, 2]})", "frequency_hz[1]: read 10 Hz"},
        Case{R"({"frequency_hz": [0, 10], "magnitude_db": [1, 2]})", "frequency_hz[0]"},
        Case{R"({"frequency_hz": [10], "magnitude_db": [1]})", "two at least"},
        Case{R"({"frequency_hz": [10, 20], "magnitude_db": [1]})", "magnitude_db: read 1 numbers"},
        Case{R"({"frequency_hz": [10, 20], "magnitude_db": [1, null]})", "magnitude_db[1]: read null"},
        Case{R"({"frequency_hz": [10, 20], "magnitude_db": [1, 2], "coherence": [0, 2]})", "coherence[1]"},
        Case{R"({"frequency_hz": [10, 20], "magnitude_db": [1, 2], "arrival_ms": "x"})", "arrival_ms"}}) {
    try {
      parse_measurement(c.text, "m.json");
      ADD_FAILURE() << "accepted: " << c.text;
    } catch (const InputError& error) {
      EXPECT_THAT(error.what(), AllOf(HasSubstr("m.json"), HasSubstr(c.says)));
    }
  }
  EXPECT_THROW(load_measurement("no/such/file.json"), InputError);
  EXPECT_THROW(load_measurement("/"), InputError);
  EXPECT_THROW(load_measurement("/dev/zero"), InputError);  // would never end
}

/// A whole measurement, one key of it as written here.
std::string refusal_of(const std::string& key, const std::string& written) {
  std::string text = R"({"frequency_hz": [100, 200, 400], "magnitude_db": [0, 0, 0], "phase_deg": [0, 0, 0],)"
                     R"( "coherence": [1, 1, 1], "sample_rate_hz": 48000, "captures": 1, "arrival_ms": 1,)"
                     R"( "drift_ppm": 0, "polarity": 1, "kind": "noise", "smoothing": "none", "warnings": []})";
  const std::size_t at = text.find("\"" + key + "\": ") + key.size() + 4;
  const std::size_t end = text[at] == '[' ? text.find(']', at) + 1 : text.find_first_of(",}", at);
  text.replace(at, end - at, written);
  try {
    parse_measurement(text, "m.json");
  } catch (const InputError& error) {
    return error.what();
  }
  return "taken";
}

// Found by trying: each of these ended `flatten` or `align`, or went through them.
TEST(Measurement, NumbersThatCannotBeMeant) {
  for (const auto& [key, in, out] : {std::tuple{"magnitude_db", "[0, 400, 0]", "[0, 400.01, 0]"},
                                     {"magnitude_db", "[0, -400, 0]", "[0, 1e4, 0]"},
                                     {"magnitude_db", "[0, 0, 0]", "[0, -1e4, 0]"},
                                     {"magnitude_db", "[0, 1e-999, 0]", "[0, 1e999, 0]"},
                                     {"phase_deg", "[0, 360, 0]", "[0, 1e7, 0]"},
                                     {"coherence", "[0, 1, 0.5]", "[0, 1.0001, 0.5]"},
                                     {"frequency_hz", "[1, 2, 1e6]", "[1, 2, 1.1e6]"},
                                     {"sample_rate_hz", "192000", "1e300"},
                                     {"sample_rate_hz", "1000", "0"},
                                     {"captures", "64", "1e300"},
                                     {"captures", "1", "0"},
                                     {"captures", "2", "1.5"},
                                     {"arrival_ms", "-1e6", "1e300"},
                                     {"drift_ppm", "null", "1e9"},
                                     {"polarity", "-1", "-2"},
                                     {"polarity", "0", "0.5"},
                                     {"kind", "\"sweep\"", "7"},
                                     {"warnings", "[{\"code\": \"a\", \"text\": \"b\"}]", "[7]"}}) {
    EXPECT_EQ(refusal_of(key, in), "taken") << key << in;
    EXPECT_THAT(refusal_of(key, out), AllOf(testing::StartsWith("m.json: " + std::string(key)), HasSubstr("read ")))
        << key << out;
  }
}

TEST(Measurement, NestingNULsAndDoubledKeys) {
  const std::string deep(200'000, '[');
  EXPECT_THAT(refusal_of("magnitude_db", deep), HasSubstr("more than 16 deep"));
  EXPECT_THAT(refusal_of("kind", deep), HasSubstr("more than 16 deep"));
  EXPECT_THAT(refusal_of("smoothing", "1, \"nobody asks\": " + deep), HasSubstr("more than 16 deep"));
  EXPECT_THAT(refusal_of("kind", "\"a\", \"kind\": \"b\""), HasSubstr("kind: read the key twice"));
  EXPECT_THAT(refusal_of("kind", std::string("1\0", 2)), HasSubstr("bytes that are not text"));
  std::string text = document_of(example()).dump();
  EXPECT_NO_THROW(parse_measurement(text, "m.json"));
  EXPECT_NO_THROW(parse_measurement("\xEF\xBB\xBF" + text, "m.json"));
  EXPECT_THROW(parse_measurement(text + std::string(3, '\0'), "m.json"), InputError);
  EXPECT_THROW(parse_measurement(text + "x", "m.json"), InputError);
}

}  // namespace
}  // namespace rackproof::tune
