// Must hold: what `prove` says to a person, to a program and on the page is one proof; the status is the verdict; a
// report that cannot be written is refused before the work, and never leaves half a page.
#include <fmt/format.h>
#include <gmock/gmock.h>
#include <unistd.h>

#include <cmath>
#include <nlohmann/json.hpp>
#include <set>

#include "harness/proof/proof.hpp"
#include "harness/verbs/verb.hpp"
#include "tests/harness/verbs/shell.hpp"

namespace rackproof {
namespace {

using test::Result;
using testing::HasSubstr;
using testing::Not;

/// One way and one feed: the smallest rig that runs every check quickly.
constexpr const char* kRig = R"(format = 1
title = "Quay <b>box</b>"
[controller]
sample_rate = "48 kHz"
output_full_scale = "+18 dBu"
[feeds]
left = 1
[amplifier.big]
ratings = [ { power = "1000 W", load = "8 ohm" } ]
gain = "32 dB"
[driver.cone]
impedance = "8 ohm"
continuous_power = "400 W"
[crossover]
points = []
[[way]]
name = "full"
amplifier = "big"
driver = "cone"
highpass = { at = "60 Hz", alignment = "butterworth", slope = "24 dB/oct" }
limit = { below_clip = "2 dB" }
thermal = { below_rating = "1 dB" }
)";

class Prove : public testing::Test, protected test::Shell {
 protected:
  Prove() { write("rig.toml", kRig); }
  /// The rig without the line that holds `part`, and with `more` at its end.
  void write_without(const char* part, const std::string& more = {}) const {
    std::string text = kRig;
    const std::size_t from = text.rfind('\n', text.find(part)) + 1;
    write("rig.toml", text.erase(from, text.find('\n', from) + 1 - from) + more);
  }
};

TEST_F(Prove, ASoundRigHoldsForAPersonAProgramAndThePage) {
  const Result result = run("$R prove rig.toml --json --report proof.html");
  EXPECT_EQ(result.status, 0) << result.err;
  const Json document = Json::parse(result.out);  // one document and nothing else
  EXPECT_EQ(document.at("rig"), "rig.toml");
  EXPECT_EQ(document.at("verdict"), "holds");
  std::set<std::string> ids, known;
  for (const proof::CheckId& check : proof::check_ids()) known.insert(check.id);
  for (const Json& check : document.at("checks")) {
    ids.insert(check.at("id"));
    EXPECT_TRUE(known.contains(check["id"])) << check;
    EXPECT_TRUE(check.at("holds").get<bool>()) << check;
    EXPECT_TRUE(check.at("output").is_null() || check["output"] == "full.left") << check;
    EXPECT_TRUE(check.at("measured").is_number() && check.at("allowed").is_number()) << check;
    EXPECT_TRUE(check.at("unit").is_string());
    EXPECT_TRUE(check.at("accepted").is_null());
    EXPECT_FALSE(check.at("text").get<std::string>().empty());
  }
  for (const char* id : {"converter-clip", "amplifier-clip", "peak-limit", "true-peak", "thermal-limit", "latency"})
    EXPECT_TRUE(ids.contains(id)) << id;
  EXPECT_THAT(result.err, testing::StartsWith("Quay <b>box</b>\nHOLDS: "));
  EXPECT_THAT(result.err, HasSubstr("Report: proof.html"));
  const std::string html = read("proof.html");
  EXPECT_THAT(html, HasSubstr("The rig holds</h2>"));
  EXPECT_THAT(html, HasSubstr("Quay &lt;b&gt;box&lt;/b&gt;"));
  EXPECT_EQ(names(), (std::set<std::string>{"proof.html", "rig.toml"}));
  // What is judged within a tolerance is shown with it, or a delay of a millionth of a sample seems beyond 0 samples.
  EXPECT_THAT(result.err, testing::ContainsRegex("\ndelay [^\n]* 0 \\+-0.01 samples  *holds"));
  EXPECT_THAT(html, HasSubstr("0\u00a0\u00b10.01\u00a0samples"));
}

TEST_F(Prove, PrintsWhatTheReadmeShows) {
  const std::string rig = "audio_fixtures/three-way-mono-sub.toml";
  const std::string shown = test::shown_in_readme("$ rackproof prove " + rig + " --report proof.html");
  ASSERT_THAT(shown, HasSubstr("\npeak-limit "));
  EXPECT_THAT(run("COLUMNS=100 $R prove '" RACKPROOF_SOURCE_DIR "/" + rig + "'").out, testing::StartsWith(shown));
}

TEST_F(Prove, ARigThatFallsSaysFirstWhatToFix) {
  write_without("limit = {");
  const Result result = run("COLUMNS=80 $R prove rig.toml --report proof.html");
  EXPECT_EQ(result.status, 1);
  EXPECT_EQ(result.err, "");
  const std::size_t verdict = result.out.find("FALLS: "), fix = result.out.find("What to fix\n  ! "),
                    key = result.out.find("way.full.limit"), table = result.out.find("\nChecks\n");
  EXPECT_LT(verdict, fix);
  EXPECT_LT(fix, key);
  EXPECT_LT(key, table);
  EXPECT_NE(table, std::string::npos);
  EXPECT_THAT(read("proof.html"), HasSubstr("The rig does not hold</h2>"));
  const Result quiet = run("$R prove rig.toml --quiet --json");
  EXPECT_EQ(quiet.status, 1);
  EXPECT_EQ(quiet.err, "");
  const Json document = Json::parse(quiet.out);
  EXPECT_EQ(document.at("verdict"), "falls");
  // All that this one line mends is told once, and the table has every check.
  const Json& change = document.at("changes").at(0);
  EXPECT_EQ(change.at("key"), "way.full.limit");
  EXPECT_GE(change.at("mends").size(), 3u);
  EXPECT_THAT(result.out, HasSubstr("one change mends " + std::to_string(change.at("mends").size())));
  const std::size_t warnings = result.out.find("\nWarnings\n", fix);  // `plan` has one as well
  ASSERT_NE(warnings, std::string::npos);
  EXPECT_GT(result.out.find("  ! ", fix + 20), warnings);
}

TEST_F(Prove, WhatIsAcceptedIsToldWithItsReasonAndDoesNotCount) {
  const std::string fast = "limit = { below_clip = \"2 dB\", hold = \"0 ms\", release = \"1 ms\" }\n";
  write_without("limit = {", fast);
  const Result falls = run("$R prove rig.toml");
  EXPECT_EQ(falls.status, 1);
  EXPECT_THAT(falls.out, HasSubstr("release"));
  write_without("limit = {", fast +
                                 "[accept]\nrelease = \"a growl that is wanted\"\n"
                                 "limiter-tone = \"a growl that is wanted\"\n");
  const Result accepted = run("COLUMNS=1000 $R prove rig.toml --json");
  EXPECT_EQ(accepted.status, 0) << accepted.err;
  EXPECT_THAT(accepted.err, HasSubstr("Taken knowingly\n  - release"));
  EXPECT_THAT(accepted.err, HasSubstr("a growl that is wanted"));
  std::set<std::string> taken;
  const Json document = Json::parse(accepted.out);
  for (const Json& check : document.at("checks")) {
    if (check["accepted"].is_null()) continue;
    taken.insert(check["id"]);
    EXPECT_EQ(check["accepted"], "a growl that is wanted");
    EXPECT_FALSE(check["holds"].get<bool>());
  }
  EXPECT_TRUE(taken.contains("release"));
  for (const std::string& id : taken) EXPECT_TRUE(id == "release" || id == "limiter-tone") << id;
}

// Checks that hold are held against the file's own figures: what `plan` finds odd about those is told with the verdict.
TEST_F(Prove, WhatPlanWarnsOfIsToldWithTheVerdict) {
  write_without("continuous_power", "[accept]\nrelease = \"a growl that is wanted\"\n");
  std::string text = read("rig.toml");
  const std::string cone = "impedance = \"8 ohm\"\n";
  text.insert(text.find(cone), "continuous_power = \"9000 W\"\n");
  write("rig.toml", text);
  const Json planned = Json::parse(run("$R plan rig.toml --json").out).at("warnings");
  ASSERT_FALSE(planned.empty());
  const Result proven = run("$R prove rig.toml --json --report proof.html");
  EXPECT_EQ(proven.status, 0) << proven.err;
  Json expected = planned;
  expected.push_back(
      {{"code", "accept-unused"},
       {"text",
        "accept.release: it takes no fall here. Delete the line, unless another venue needs it: it would "
        "take a fall that nobody has looked at"}});
  EXPECT_EQ(Json::parse(proven.out).at("warnings"), expected);
  EXPECT_THAT(proven.err, HasSubstr(fmt::format("; {} warnings\n", expected.size())));
  const std::string page = read("proof.html");
  for (const Json& warning : expected) {
    EXPECT_THAT(proven.err, HasSubstr("  ! " + warning["code"].get<std::string>() + ": "));
    EXPECT_THAT(page, HasSubstr("<code>" + warning["code"].get<std::string>() + "</code>"));
  }
}

// What could not be judged does not count among what holds, and the half of a check that could not be is told too.
TEST_F(Prove, WhatCannotBeJudgedDoesNotCount) {
  const auto counts = [&] {
    const Result result = run("COLUMNS=1000 $R prove rig.toml --json --report proof.html");
    EXPECT_EQ(result.status, 0) << result.err;
    std::size_t judged = 0, all = 0;
    const Json document = Json::parse(result.out);
    for (const Json& check : document.at("checks")) {
      ++all;
      judged += check.at("judged").get<bool>();
    }
    EXPECT_LT(judged, all);
    EXPECT_THAT(result.err, HasSubstr(fmt::format("HOLDS: {} of {} checks hold, {} cannot be judged\n", judged, all,
                                                  all - judged)));
    EXPECT_THAT(read("proof.html"), HasSubstr(fmt::format("{} cannot be judged", all - judged)));
    return result.err;
  };
  EXPECT_THAT(counts(), HasSubstr("- driver-band, full.left: Cannot be judged"));
  std::string text = kRig;
  const std::string cone = "continuous_power = \"400 W\"\n";
  write("rig.toml", text.insert(text.find(cone), "lowest = \"50 Hz\"\n"));
  EXPECT_THAT(counts(),
              HasSubstr("- driver-band, full.left, in part: driver.cone.highest would let it judge the other side."));
}

TEST_F(Prove, ARecordingThatShowsLittleIsSaid) {
  test::write_audio(folder() / "quiet.wav", SF_FORMAT_WAV | SF_FORMAT_FLOAT, 1, 48000,
                    std::vector<float>(60000, 1e-4f));
  test::write_audio(folder() / "short.wav", SF_FORMAT_WAV | SF_FORMAT_FLOAT, 1, 48000, test::noise(4000, 5));
  test::write_audio(folder() / "show.wav", SF_FORMAT_WAV | SF_FORMAT_FLOAT, 1, 48000, test::noise(60000, 5));
  const Result result = run("$R prove rig.toml --json --program quiet.wav --program short.wav --program show.wav");
  ASSERT_EQ(result.status, 0) << result.err;
  std::vector<std::string> idle;
  const Json document = Json::parse(result.out);
  for (const Json& warning : document.at("warnings"))
    if (warning.at("code") == "recording-idle") idle.push_back(warning.at("text"));
  ASSERT_EQ(idle.size(), 2u);
  EXPECT_THAT(idle[0], HasSubstr("quiet.wav: no output comes within 40 dB"));
  EXPECT_THAT(idle[1], HasSubstr("short.wav: shorter than a second"));
}

TEST_F(Prove, RecordingsAreJudgedInTheOrderGiven) {
  ASSERT_EQ(
      run("$R stimulus sine -o a.wav --seconds 0.5 --quiet && $R stimulus pink -o b.wav --seconds 0.5 --quiet").status,
      0)
      << read("err");
  const Result result = run("$R prove --program a.wav --program b.wav rig.toml --json --report proof.html");
  EXPECT_EQ(result.status, 0) << result.err;
  const Json recordings = Json::parse(result.out).at("recordings");
  ASSERT_EQ(recordings.size(), 2u);
  EXPECT_EQ(recordings[0].at("file"), "a.wav");
  EXPECT_EQ(recordings[1].at("file"), "b.wav");
  EXPECT_GT(recordings[0].at("outputs")[0].at("peak_volts").get<double>(), 0);
  EXPECT_THAT(read("proof.html"), HasSubstr("data-plot=\"track 1 0\""));
}

// The same words as render's where nobody asked for another rate, and the same samples where somebody did: the wave's
// greatest swing lies in the middle of the burst, far from the ends, where only render goes on for the latency.
TEST_F(Prove, ARecordingAtAnotherRateIsConvertedAsByRenderAndOnlyWhereAsked) {
  ASSERT_EQ(run("$R stimulus burst -o cd.wav --sample-rate 44100 --seconds 1 --length 0.3 --every 0.5 --flank 0.1 "
                "--level '-20 dBFS' --quiet")
                .status,
            0);
  const Result refused = run("$R prove rig.toml --program cd.wav"), like = run("$R render rig.toml cd.wav -o out");
  EXPECT_EQ(refused.status, 2);
  EXPECT_EQ(refused.out, "");
  EXPECT_EQ(refused.err,
            "rackproof: cd.wav: is at 44100 Hz, the controller at 48000 Hz; --resample would convert it\n");
  EXPECT_THAT(like.err, HasSubstr(refused.err.substr(0, refused.err.size() - 1)));
  const Result asked = run("$R prove rig.toml --program cd.wav --resample --json");
  ASSERT_LE(asked.status, 1) << asked.err;
  const Result rendered = run("$R render rig.toml cd.wav -o out --resample --json");
  ASSERT_EQ(rendered.status, 0) << rendered.err;
  const Json proven = Json::parse(asked.out).at("recordings")[0], played = Json::parse(rendered.out);
  EXPECT_NEAR(proven.at("seconds").get<double>(), 1, 1e-9);
  ASSERT_EQ(proven.at("outputs").size(), played.at("outputs").size());
  for (std::size_t o = 0; o < played["outputs"].size(); ++o) {
    EXPECT_GT(played["outputs"][o].at("peak_volts").get<double>(), 1);
    EXPECT_EQ(proven["outputs"][o].at("peak_volts"), played["outputs"][o].at("peak_volts"));
  }
  EXPECT_EQ(run("$R stimulus pink -o same.wav --seconds 0.5 --quiet && $R prove rig.toml --program same.wav").status,
            asked.status)
      << "at the controller's own rate nothing is to be asked for";
}

TEST_F(Prove, ARecordingThatIsHeldIsToldAsInARender) {
  // 1 kHz at full scale asks 346 V peak of a limit of 100.5 V: 10.7 dB over. The power limiter takes most of it.
  const Result result =
      run("$R stimulus sine -o a.wav --seconds 3 --level '0 dBFS' --quiet && "
          "$R prove rig.toml --program a.wav --json --report proof.html");
  ASSERT_LE(result.status, 1) << result.err;
  const Json recording = Json::parse(result.out).at("recordings")[0], output = recording.at("outputs")[0];
  for (const char* key : {"peak_held_mean_db", "peak_held_p95_db", "peak_held_time_fraction", "power_held_mean_db",
                          "power_held_p95_db", "rms_volts"})
    EXPECT_TRUE(output.at(key).is_number()) << key;
  EXPECT_GT(output["peak_held_mean_db"].get<double>() + output["power_held_mean_db"].get<double>(), 7);
  EXPECT_NEAR(output["rms_volts"].get<double>() * output["rms_volts"].get<double>() / 8,
              output["mean_watts"].get<double>(), 1e-6);
  EXPECT_EQ(recording.at("advice")[0].at("code"), "feed-down");
  EXPECT_THAT(result.err, HasSubstr("> feed-down: full.left"));
  EXPECT_THAT(read("proof.html"), HasSubstr("<code>feed-down</code> full.left: more than 1 dB is held"));
}

TEST_F(Prove, ThePageSaysWhatItWasComputedFromAndWhatBecameOfTheSeal) {
  ASSERT_LE(run("$R prove rig.toml --report never.html").status, 1);
  EXPECT_THAT(read("never.html"), HasSubstr("The rig was never sealed."));
  EXPECT_THAT(read("never.html"), HasSubstr("<td>1000 W into 8 ohm</td><td>32 dB</td>"));
  ASSERT_EQ(run("$R seal rig.toml && $R prove rig.toml --report sealed.html").status, 0);
  EXPECT_THAT(read("sealed.html"), HasSubstr("The rig is as it was sealed."));
  std::string moved = kRig;
  write("rig.toml", moved.replace(moved.find("gain = \"32 dB\""), 14, "gain = \"33 dB\""));
  ASSERT_LE(run("$R prove rig.toml --report moved.html").status, 1);
  EXPECT_THAT(read("moved.html"), HasSubstr("Since the rig was sealed, "));
  EXPECT_THAT(read("moved.html"), HasSubstr("<td>33 dB</td>"));
}

TEST_F(Prove, WhatCannotBeUsedIsRefusedAndLeavesNothing) {
  write("note.txt", "no sound");
  const std::set<std::string> before = names();
  const auto refused = [&](const std::string& arguments, int status, const char* words) {
    const Result result = run("$R prove " + arguments);
    EXPECT_EQ(result.status, status) << arguments;
    EXPECT_THAT(result.err, HasSubstr(words)) << arguments;
    EXPECT_EQ(result.out, "") << arguments;
    std::set<std::string> after = names();
    EXPECT_EQ(after, before) << arguments;
  };
  refused("rig.toml --report none/proof.html", 2, "there is no folder none");
  refused("rig.toml --report .", 2, "that is a folder");
  refused("rig.toml --report rig.toml", 2, "read by this very run");
  refused("rig.toml --report ./../" + folder().filename().string() + "/rig.toml", 2, "read by this very run");
  refused("rig.toml --program note.txt --report proof.html", 2, "note.txt");
  refused("absent.toml --report proof.html", 2, "absent.toml");
  EXPECT_EQ(read("rig.toml"), kRig);
  if (::access("/dev/full", W_OK) == 0) refused("rig.toml --report /proc/proof.html", 3, "/proc");
}

}  // namespace
}  // namespace rackproof
