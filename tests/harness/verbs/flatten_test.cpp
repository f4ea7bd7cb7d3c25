// Must hold: `flatten` tells the promised keys, writes just the sections that it told where they belong, keeps every
// other byte of the person's file, and writes nothing at all where something is wrong.
#include <gmock/gmock.h>

#include <cmath>
#include <nlohmann/json.hpp>
#include <tuple>

#include "harness/analysis/bands.hpp"
#include "harness/analysis/response.hpp"
#include "harness/rig/rig.hpp"
#include "harness/tune/measurement.hpp"
#include "tests/harness/tune/rig_in_a_field.hpp"
#include "tests/harness/verbs/shell.hpp"

namespace rackproof {
namespace {

using nlohmann::json;
using test::bytes_of;
using test::put;
using test::Result;
using testing::AllOf;
using testing::HasSubstr;

/// Level of some sections, in dB, at a frequency.
double level_db(const std::vector<dsp::Biquad>& sections, double hz) {
  return analysis::LinearPath(std::span<const dsp::Biquad>(sections)).at(hz / tune::kRate).magnitude_db;
}

class FlattenVerb : public testing::Test, protected test::Shell {
 protected:
  FlattenVerb() {
    seat("a.json", 0);
    seat("b.json", 0.4);
    seat("c.json", -0.5);
  }
  void seat(const char* name, double more_db) const {
    const std::vector<dsp::Biquad> faults{tune::peaking(90, 5, 2), tune::peaking(900, -3, 1.2),
                                          tune::peaking(3500, 4 + more_db, 2), tune::peaking(300, -22, 9)};
    json m{{"sample_rate_hz", 48000}, {"captures", 1}};
    for (const double hz : analysis::log_frequencies(20, 20000, 48)) {
      m["frequency_hz"].push_back(hz);
      m["magnitude_db"].push_back(level_db(faults, hz) - 30 + more_db);
      m["coherence"].push_back(0.97);
    }
    put(folder() / name, m.dump());
  }
  Result run(const std::string& arguments) const { return Shell::run("COLUMNS=100 $R flatten " + arguments); }
  std::string rig_text() const { return bytes_of(RACKPROOF_SOURCE_DIR "/audio_fixtures/unmeasured-top.toml"); }
};

// Places of one loudspeaker, and a measurement that another rig drove among them; the control is the same rig for both.
TEST_F(FlattenVerb, MeasurementsOfTwoRigsAreNotMixed) {
  const rig::Rig one = rig::parse_rig(rig_text(), "one.toml");
  std::string other_text = rig_text();
  other_text.replace(other_text.find("1.6 kHz"), 7, "1.9 kHz");
  const rig::Rig other = rig::parse_rig(other_text, "other.toml");
  const auto driven = [&](const char* from, const char* to, const rig::Rig& rig) {
    tune::Measurement m = tune::load_measurement(folder() / from);
    m.driven_by = tune::drive_of(rig, nullptr);
    write(to, tune::document_of(m).dump());
  };
  driven("a.json", "a1.json", one);
  driven("b.json", "b1.json", one);
  driven("b.json", "b2.json", other);
  EXPECT_EQ(run("a1.json b1.json c.json --points 1 --into same.toml").status, 0);
  const Result mixed = run("a1.json c.json b2.json --points 1 --into tonight.toml");
  EXPECT_EQ(mixed.status, 2);
  EXPECT_THAT(mixed.err, AllOf(HasSubstr("b2.json: it was driven by other.toml"), HasSubstr("a1.json by one.toml")));
  EXPECT_FALSE(std::filesystem::exists(folder() / "tonight.toml"));
}

// Smoothed over half an octave, a null is a shallow dip.
TEST_F(FlattenVerb, WhatWasSmoothedTooFarIsRefused) {
  for (const auto& [smoothing, status] : {std::pair("1/1", 2), {"1/2", 2}, {"1/3", 0}, {"1/24", 0}, {"none", 0}}) {
    json m = json::parse(bytes_of(folder() / "a.json"));
    m["smoothing"] = smoothing;
    write("smooth.json", m.dump());
    const Result result = run("smooth.json b.json --points 1 --into tonight.toml");
    EXPECT_EQ(result.status, status) << smoothing << result.err;
    if (status == 0) continue;
    EXPECT_THAT(result.err, AllOf(HasSubstr("smooth.json: it was smoothed over"), HasSubstr(smoothing)));
    EXPECT_EQ(run("b.json --check smooth.json --points 1 --into tonight.toml").status, 2);
    EXPECT_FALSE(std::filesystem::exists(folder() / "tonight.toml"));
  }
}

TEST_F(FlattenVerb, TellsThePromisedKeysAndWritesWhatItTold) {
  const Result result = run("a.json b.json c.json --into tonight.toml --points 4 --json");
  ASSERT_EQ(result.status, 0) << result.err;
  const json told = json::parse(result.out);
  EXPECT_EQ(told.at("into"), "tonight.toml");
  for (const char* which : {"before", "after"})
    for (const char* what : {"rms_db", "max_db"}) EXPECT_TRUE(told.at(which).at(what).is_number());
  EXPECT_LT(told["fitted"]["after"]["rms_db"], 0.5 * told["fitted"]["before"]["rms_db"].get<double>());
  EXPECT_LT(told["elsewhere"]["after"]["rms_db"], 0.5 * told["elsewhere"]["before"]["rms_db"].get<double>());
  EXPECT_EQ(told["elsewhere"]["places"], 3);
  ASSERT_FALSE(told.at("left_alone").empty());
  bool notch = false;
  for (const json& band : told["left_alone"])
    notch = notch || (band["from_hz"] < 300 && band["to_hz"] > 300 && band["why"].get<std::string>().size() > 10);
  EXPECT_TRUE(notch);

  const rig::Rig rig = rig::parse_rig(rig_text(), "rig.toml");
  const rig::Venue venue = rig::load_venue(folder() / "tonight.toml", rig);
  EXPECT_EQ(venue.all.gain_db, told.at("gain_db").get<double>());
  ASSERT_EQ(venue.all.eq.size(), told.at("eq").size());
  ASSERT_LE(venue.all.eq.size(), 4u);
  std::vector<dsp::Biquad> sections;
  for (std::size_t n = 0; n < venue.all.eq.size(); ++n) {
    EXPECT_EQ(told["eq"][n]["type"], "peaking");
    EXPECT_EQ(venue.all.eq[n].at_hz, told["eq"][n]["at_hz"].get<double>());
    EXPECT_EQ(venue.all.eq[n].gain_db, told["eq"][n]["gain_db"].get<double>());
    EXPECT_EQ(venue.all.eq[n].width_value, told["eq"][n]["q"].get<double>());
    sections.push_back(tune::peaking(venue.all.eq[n].at_hz, venue.all.eq[n].gain_db, venue.all.eq[n].width_value));
  }
  EXPECT_LE(level_db(sections, 300), 0.5);
  for (double hz = 20; hz < 20000; hz *= 1.02) EXPECT_LE(level_db(sections, hz), 6.02);
  for (double hz = 20; hz < 20000; hz *= 1.02) EXPECT_LE(level_db(sections, hz) + venue.all.gain_db, 0.02);

  // Again: the same bytes, and nothing is added up.
  const std::string first = bytes_of(folder() / "tonight.toml");
  EXPECT_EQ(run("a.json b.json c.json --into tonight.toml --points 4").status, 0);
  EXPECT_EQ(bytes_of(folder() / "tonight.toml"), first);
}

TEST_F(FlattenVerb, OneMeasurementIsOnePlaceHoweverOftenItIsGiven) {
  std::filesystem::copy_file(folder() / "a.json", folder() / "copy.json");
  const auto told = [&](const std::string& arguments) {
    const Result result = run(arguments + " --points 2 --json");
    EXPECT_EQ(result.status, 0) << result.err;
    return json::parse(result.out);
  };
  const json once = told("a.json --into once.toml"), thrice = told("a.json copy.json a.json --into thrice.toml"),
             checked = told("a.json --check copy.json --into checked.toml"),
             several = told("a.json b.json c.json --into several.toml");
  for (const json& one : {thrice, checked}) {
    EXPECT_TRUE(one.at("elsewhere").is_null());
    EXPECT_EQ(one.at("eq"), once.at("eq"));
    EXPECT_THAT(one.at("warnings").dump(), AllOf(HasSubstr("given-twice"), HasSubstr("copy.json (as a.json)")));
  }
  EXPECT_FALSE(several.at("elsewhere").is_null());
  EXPECT_THAT(several.at("warnings").dump(), testing::Not(HasSubstr("given-twice")));
}

TEST_F(FlattenVerb, IntoARigKeepsThePersonsFile) {
  put(folder() / "rig.toml", rig_text());
  const Result result = run("a.json --check c.json --into rig.toml");
  ASSERT_EQ(result.status, 0) << result.err;
  EXPECT_THAT(result.out, HasSubstr("at 1 place not fitted"));
  std::string text = bytes_of(folder() / "rig.toml");
  const rig::Rig rig = rig::parse_rig(text, "rig.toml");
  EXPECT_GE(rig.system_eq.size(), 3u);
  EXPECT_EQ(rig.system_gain_db, -6);  // as it stood: quieter than the fit asks for
  // Take the eq out again, and the file is the one that it was.
  const std::size_t begin = text.find("eq = ["), end = text.find("\n]\n", begin);
  ASSERT_NE(end, std::string::npos);
  text.erase(begin, end + 3 - begin);
  EXPECT_EQ(text, rig_text());
  // What stood there is told when it goes.
  const Result again = run("a.json --into rig.toml --points 2 --json --quiet");
  ASSERT_EQ(again.status, 0);
  EXPECT_EQ(json::parse(again.out)["warnings"][0]["code"], "replaced");
  EXPECT_LE(rig::load_rig(folder() / "rig.toml").system_eq.size(), 2u);
}

TEST_F(FlattenVerb, TakesItsRangeFromTheRigAndSaysWhoSaysSo) {
  put(folder() / "rig.toml",
      rig_text());  // its high-pass stands at 50 Hz, as its cone's lowest; its horn goes to 18 kHz
  const auto told = [&](const std::string& more) {
    const Result result = run("a.json b.json c.json --points 3 --json --quiet " + more);
    EXPECT_EQ(result.status, 0) << more << result.err;
    return json::parse(result.out);
  };
  const json alone = told("--into v.toml"), with = told("--into v.toml --rig rig.toml"), into = told("--into rig.toml"),
             both = told("--into rig.toml --rig ./rig.toml"), asked = told("--into v.toml --from 60 --to \"2 kHz\"");
  EXPECT_EQ(alone.at("from_why"), "where the measurements begin");
  EXPECT_LT(alone.at("from_hz"), 21);
  for (const json& document : {with, into, both}) {
    EXPECT_THAT(document.at("from_why").get<std::string>(), HasSubstr("the high-pass of way low stands at 50 Hz"));
    EXPECT_THAT(document.at("to_why").get<std::string>(), HasSubstr("horn"));
    EXPECT_GE(document.at("from_hz"), 50);
    EXPECT_LE(document.at("to_hz"), 18000);
    bool left = false;
    for (const json& band : document.at("left_alone"))
      left = left || (band.at("code") == "outside-rig" && band.at("why").get<std::string>().size() > 30);
    EXPECT_TRUE(left);
  }
  EXPECT_EQ(asked.at("from_hz"), 60);
  EXPECT_EQ(asked.at("to_hz"), 2000);
  // A bare number is in Hz, and what was understood is said with its unit.
  const Result words = run("a.json --into v.toml --from 60 --rig rig.toml");
  EXPECT_THAT(words.out, HasSubstr("from 60 Hz: --from"));
  EXPECT_THAT(words.out, HasSubstr("may be used up to 18 kHz"));
}

// The rig plays from 50 Hz to 18 kHz. With the cone or the horn off, the rest would be fitted without a word.
// What `measure` said of a level is said again to whoever works with the file later; what it said of a clock is not.
TEST_F(FlattenVerb, SaysAgainWhatWasDoubtedWhenItWasMeasured) {
  tune::Measurement doubted = tune::load_measurement(folder() / "b.json");
  doubted.warnings = {{"gain-moved", "the recorder turned its gain down"}, {"drift-suspected", "as by 80 ppm"}};
  write("doubted.json", tune::document_of(doubted).dump());
  for (const char* arguments : {"a.json doubted.json c.json --points 1 --into t.toml --json",
                                "a.json c.json --check doubted.json --points 1 --into u.toml --json"}) {
    const Result ran = run(arguments);
    ASSERT_EQ(ran.status, 0) << ran.err;
    std::vector<std::string> texts;
    const json document = json::parse(ran.out);
    for (const json& one : document["warnings"])
      if (one["code"] == "gain-moved" || one["code"] == "drift-suspected") texts.push_back(one["text"]);
    EXPECT_THAT(texts, testing::ElementsAre("doubted.json, when it was measured: the recorder turned its gain down"));
  }
}

TEST_F(FlattenVerb, SaysWhereADriverSeemsToBeOff) {
  put(folder() / "rig.toml", rig_text());
  const json seat = json::parse(bytes_of(folder() / "a.json"));
  for (const auto& [from_hz, to_hz, said] :
       {std::tuple(20.0, 20000.0, ""), {300.0, 20000.0, "from 3"}, {20.0, 1600.0, "up to 1."}}) {
    json heard = seat;
    for (std::size_t k = 0; k < seat["frequency_hz"].size(); ++k) {
      const double hz = seat["frequency_hz"][k];
      if (hz < from_hz || hz > to_hz) heard["magnitude_db"][k] = seat["magnitude_db"][k].get<double>() - 40;
    }
    put(folder() / "off.json", heard.dump());
    const Result result = run("off.json --rig rig.toml --into v.toml --points 1 --json");
    ASSERT_EQ(result.status, 0) << result.err;
    const json told = json::parse(result.out);
    const std::string warnings = told.at("warnings").dump();
    EXPECT_EQ(warnings.find("range-short") != warnings.npos, *said != '\0') << warnings;
    EXPECT_THAT(warnings, HasSubstr(said));
  }
}

TEST_F(FlattenVerb, IntoASealedRigOnlyWhereThatIsMeant) {
  put(folder() / "rig.toml", rig_text());
  ASSERT_EQ(Shell::run("$R seal rig.toml").status, 0);
  const std::string seal = bytes_of(folder() / "rig.seal");
  const Result refused = run("a.json --into rig.toml --json");
  EXPECT_EQ(refused.status, 2);
  EXPECT_EQ(refused.out, "");
  for (const char* words : {"rig.toml", "rig.seal", "--unseal"}) EXPECT_THAT(refused.err, HasSubstr(words));
  EXPECT_EQ(bytes_of(folder() / "rig.toml"), rig_text());
  EXPECT_FALSE(names().contains("rig.kept-1.toml"));
  // A venue has no seal, whatever stands beside it.
  put(folder() / "tonight.seal", seal);
  EXPECT_EQ(run("a.json --into tonight.toml").status, 0);

  const Result meant = run("a.json --into rig.toml --unseal");
  ASSERT_EQ(meant.status, 0) << meant.err;
  for (const char* words : {"rig.kept-1.toml", "rig.seal", "drift", "--again"})
    EXPECT_THAT(meant.out, HasSubstr(words));
  EXPECT_EQ(bytes_of(folder() / "rig.kept-1.toml"), rig_text());
  EXPECT_EQ(bytes_of(folder() / "rig.seal"), seal);
  EXPECT_EQ(Shell::run("$R drift rig.toml").status, 1);
  EXPECT_EQ(Shell::run("$R plan rig.toml --sealed").status, 2);
  const std::string once = bytes_of(folder() / "rig.toml");
  const Result twice = run("b.json --points 2 --into rig.toml --unseal --json");
  ASSERT_EQ(twice.status, 0) << twice.err;
  EXPECT_EQ(json::parse(twice.out).at("kept"), "rig.kept-2.toml");
  EXPECT_EQ(bytes_of(folder() / "rig.kept-1.toml"), rig_text());
  EXPECT_EQ(bytes_of(folder() / "rig.kept-2.toml"), once);
  // Put back, it is the sealed rig again.
  EXPECT_EQ(Shell::run("cp rig.kept-1.toml rig.toml && $R drift rig.toml").status, 0);
  // Without a seal --unseal asks for nothing.
  std::filesystem::remove(folder() / "rig.seal");
  const Result free = run("a.json --into rig.toml --unseal --json");
  EXPECT_EQ(free.status, 0) << free.err;
  EXPECT_EQ(json::parse(free.out).at("kept"), nullptr);
  EXPECT_FALSE(names().contains("rig.kept-3.toml"));
}

// What stands in a venue is judged at the rate of the rig that will play it, where --rig names that.
TEST_F(FlattenVerb, AVenueMayReachAsHighAsItsRig) {
  put(folder() / "rig.toml", bytes_of(RACKPROOF_SOURCE_DIR "/audio_fixtures/lantern-room-96k.toml"));
  const std::string venue =
      "format = 1\n[venue.feed.main]\neq = [ { type = \"peaking\", at = \"30 kHz\", gain = \"-1 dB\", q = 2 } ]\n";
  put(folder() / "v.toml", venue);
  const Result refused = run("a.json --points 1 --into v.toml");
  EXPECT_EQ(refused.status, 2);
  EXPECT_THAT(refused.err, HasSubstr("v.toml:3:"));
  EXPECT_EQ(bytes_of(folder() / "v.toml"), venue);
  const Result taken = run("a.json --points 1 --into v.toml --rig rig.toml");
  EXPECT_EQ(taken.status, 0) << taken.err;
}

TEST_F(FlattenVerb, IntoOneFeedOfAVenueLeavesTheOthers) {
  put(folder() / "v.toml",
      "# mine\nformat = 1\n[venue]\ngain = \"-1 dB\" # all\n[venue.feed.left]\ngain = \"-9 "
      "dB\"\n[venue.feed.right]\neq = []\n");
  ASSERT_EQ(run("a.json --into v.toml --feed right --target flat --tilt \"-0.5 dB/oct\"").status, 0);
  const std::string text = bytes_of(folder() / "v.toml");
  EXPECT_THAT(text,
              HasSubstr("# mine\nformat = 1\n[venue]\ngain = \"-1 dB\" # all\n[venue.feed.left]\ngain = \"-9 dB\"\n"));
  EXPECT_GT(text.find("peaking"), text.find("[venue.feed.right]"));
  ASSERT_EQ(run("a.json --into new.toml --feed left").status, 0);
  EXPECT_THAT(bytes_of(folder() / "new.toml"), HasSubstr("[venue.feed.left]"));
}

TEST_F(FlattenVerb, FollowsATargetFile) {
  put(folder() / "house.csv", "frequency_hz,level_db\n20,6\n20000,-4\n");
  const Result flat = run("a.json --into f.toml --json --quiet"),
               tilted = run("a.json --into t.toml --target house.csv --json --quiet");
  ASSERT_EQ(tilted.status, 0) << tilted.err;
  EXPECT_NE(json::parse(flat.out)["eq"], json::parse(tilted.out)["eq"]);
  EXPECT_LT(json::parse(tilted.out)["fitted"]["after"]["rms_db"], 0.6);
}

TEST_F(FlattenVerb, WritesNothingWhereSomethingIsWrong) {
  put(folder() / "rig.toml", rig_text());
  put(folder() / "other.toml", rig_text());
  put(folder() / "half.csv", "100\n");
  put(folder() / "no.json", "{\"frequency_hz\": [1, 2]}");
  put(folder() / "bad.toml", "format = 1\n[venue]\ngain = \"-3 Hz\"\n");
  put(folder() / "bare.toml", "format = 1\n[venue]\ngain = 3\n");
  put(folder() / "key.toml", "format = 1\n[venue]\nfoo = 1\n");
  put(folder() / "table.toml", "format = 1\n[venu]\n");
  put(folder() / "feed.toml", "format = 1\n[venue.feed.left]\ngain = 3\n");
  for (const auto& [arguments, word] : std::vector<std::pair<std::string, std::string>>{
           {"none.json --into rig.toml", "none.json"},
           {"no.json --into rig.toml", "no.json"},
           {"a.json --into rig.toml --target half.csv", "half.csv:1"},
           {"a.json --into rig.toml --target flatt", "--target: read flatt; right would be flat, or a file"},
           {"a.json --into rig.toml --points 0", "--points"},
           {"a.json --into rig.toml --from 5x", "\"80 Hz\""},
           {"a.json --into rig.toml --from \"60 ms\"", "a time; a frequency is wanted here"},
           {"a.json --into rig.toml --rig other.toml", "--rig: read other.toml; right would be rig.toml"},
           {"a.json --into new.toml --rig none.toml", "none.toml"},
           {"a.json --into new.toml --rig a.json", "a.json"},
           {"a.json --into rig.toml --from 900 --to 800", "--from and --to"},
           {"a.json --into rig.toml --tilt \"3 dB\"", "--tilt"},
           {"a.json --into rig.toml --feed main", "--feed"},
           {"a.json --into new.toml --feed \"a b\"", "--feed"},
           {"a.json --into bad.toml", "venue.gain"},
           {"a.json --into bare.toml", "bare.toml:3:8: venue.gain: read 3"},
           {"a.json --into key.toml", "venue.foo: read a key that is not known"},
           {"a.json --into table.toml", "venu: read a key that is not known"},
           {"a.json --into feed.toml", "venue.feed.left.gain: read 3"},
           {"a.json --into a.json", "a.json"},
           {"a.json", "--into"}}) {
    const Result result = run(arguments);
    EXPECT_EQ(result.status, 2) << arguments;
    EXPECT_THAT(result.err, HasSubstr(word)) << arguments;
    EXPECT_EQ(result.out, "") << arguments;
  }
  EXPECT_EQ(bytes_of(folder() / "rig.toml"), rig_text());
  EXPECT_EQ(bytes_of(folder() / "key.toml"), "format = 1\n[venue]\nfoo = 1\n");
  EXPECT_FALSE(names().contains("new.toml"));
}

}  // namespace
}  // namespace rackproof
