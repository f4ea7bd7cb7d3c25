// Must hold: what `plan` says to a person and to a program are the calibration's numbers, under the promised keys; the
// program's statuses and streams are as promised, whatever is asked of it.
#include <gmock/gmock.h>

#include <cmath>
#include <cstdio>
#include <filesystem>
#include <nlohmann/json.hpp>

#include "harness/calibration/compile.hpp"
#include "harness/verbs/table.hpp"
#include "harness/verbs/verb.hpp"
#include "tests/harness/scratch.hpp"
#include "tests/harness/verbs/shell.hpp"

namespace rackproof {
namespace {

namespace fs = std::filesystem;
using test::Result;
using testing::AllOf;
using testing::HasSubstr;
using testing::Not;

constexpr const char* kRig = R"(format = 1
title = "Prüfstand: eine Säule"
[controller]
sample_rate = "48 kHz"
output_full_scale = "+18 dBu"
[feeds]
left = 1
right = 2
[amplifier.big]
ratings = [ { power = "1000 W", load = "8 ohm" } ]
gain = "32 dB"
[driver.cone]
impedance = "8 ohm"
continuous_power = "400 W"
[crossover]
points = [ { at = "1 kHz", alignment = "linkwitz-riley", slope = "24 dB/oct" } ]
[[way]]
name = "low"
feeds = "sum"
amplifier = "big"
driver = "cone"
gain = "-3 dB"
delay = "1 ms"
highpass = { at = "40 Hz", alignment = "butterworth", slope = "24 dB/oct" }
limit = { below_clip = "2 dB" }
thermal = { below_rating = "0 dB" }
[[way]]
name = "high"
amplifier = "big"
driver = "cone"
polarity = "inverted"
)";
constexpr const char* kVenue = "format = 1\ntitle = \"Tonight\"\n[venue.feed.left]\ngain = \"-6 dB\"\n";

class Program : public testing::Test, protected test::Shell {
 protected:
  Program() {
    write("rig.toml", kRig);
    write("venue.toml", kVenue);
  }
};

TEST_F(Program, PlanSaysTheFiguresToAPerson) {
  const Result result = run("COLUMNS=100 $R plan rig.toml");
  EXPECT_EQ(result.status, 0);
  EXPECT_EQ(result.err, "");
  // 1000 W at 8 ohm, 32 dB, +18 dBu: 126.4911 V peak, -8.7506 dBFS (arithmetic worked in levels_test.cpp).
  for (const char* words : {"Prüfstand: eine Säule", "126.5   -8.75", "100.5  -10.75", "amplifier", "56.6  -12.73",
                            "1.000 ms", "0.343 m", "inverted", "-3.00 dB", "nothing", "108 samples", "+18.00 dBu",
                            "clips at +9.25 dBu in", "no-limiter", "no-power-limiter", "crossover-null"}) {
    EXPECT_THAT(result.out, HasSubstr(words));
  }
  std::istringstream lines(result.out);
  for (std::string line; std::getline(lines, line);) EXPECT_LE(display_width(line), 100u) << line;
}

// 1000 W at 8 ohm as a bridge's own: 126.5 V peak; as one side's, with half the load below any rating, twice that.
TEST_F(Program, PlanSaysHowABridgesRatingsAreTaken) {
  const auto plan_with = [&](const std::string& rated) {
    std::string text = kRig;
    text.replace(text.find("gain = \"32 dB\""), 0, "bridged = true\n" + rated);
    write("bridged.toml", text);
    return run("COLUMNS=400 $R plan bridged.toml");
  };
  const Result printed = plan_with("rated = \"bridged\"\n"), side = plan_with("rated = \"per side\"\n");
  EXPECT_THAT(printed.out, HasSubstr("ratings taken as printed for bridged use"));
  EXPECT_THAT(printed.out, HasSubstr("126.5   -8.75"));
  EXPECT_THAT(side.out, HasSubstr("ratings taken per side"));
  EXPECT_THAT(side.out, HasSubstr("253.0"));
  for (const Result* said : {&printed, &side}) EXPECT_THAT(said->out, Not(HasSubstr("bridged-rating-unsaid")));
  const Result unsaid = plan_with("");  // less 2 dB: 200.96 and 100.48 V
  EXPECT_EQ(unsaid.status, 0);
  EXPECT_THAT(unsaid.out, HasSubstr("bridged-rating-unsaid"));
  EXPECT_THAT(unsaid.out, HasSubstr("201.0 V peak"));
  EXPECT_THAT(unsaid.out, HasSubstr("100.5 V peak"));
}
// 98 dB - 20 log10(sqrt(8)) + 20 log10(100.475 / sqrt(2)) = 126.0 dB for the way that is limited at 100.475 V peak.
TEST_F(Program, PlanSaysTheLevelAtOneMetreWhereTheDriverGivesIt) {
  EXPECT_TRUE(Json::parse(run("$R plan rig.toml --json").out)["outputs"][0].at("level_at_1m_db").is_null());
  std::string text = kRig;
  text.replace(text.find("continuous_power"), 0, "sensitivity = \"98 dB\"\n");
  write("sheet.toml", text);
  EXPECT_THAT(run("COLUMNS=400 $R plan sheet.toml").out, HasSubstr("at the limit 126.0 dB at 1 m"));
  const Json document = Json::parse(run("$R plan sheet.toml --json").out);
  EXPECT_NEAR(document["outputs"][0].at("level_at_1m_db").get<double>(), 98 - 9.0309 + 37.0309, 5e-4);
}

// What the rig file chose, in the words of the file. Levels are left out where no sensitivity is given.
TEST_F(Program, PlanSaysWhatWasChosen) {
  std::string text = kRig;
  text.replace(text.find("limit = { below_clip = \"2 dB\" }"), 31,
               "limit = { below_clip = \"2 dB\", look_ahead = \"2.5 ms\", hold = \"6 ms\", release = \"120 ms\", "
               "true_peak = false }\neq = [ { type = \"notch\", at = \"90 Hz\", q = 2 } ]");
  write("chosen.toml", text);
  const Result result = run("$R plan chosen.toml --venue venue.toml");
  EXPECT_EQ(result.status, 0) << result.err;
  for (const char* words :
       {"low   high-pass           40 Hz  butterworth     24 dB/oct", "low   point 1, low side   1 kHz  linkwitz-riley",
        "high  point 1, high side  1 kHz  linkwitz-riley", "bands of eq: 1 in way.low\n",
        "low       2.5 ms  6 ms   120 ms  no                  2 s",
        "high           -     -        -  -                     -",
        "A way whose driver gives no sensitivity has no level."})
    EXPECT_THAT(result.out, HasSubstr(words));
  const Json outputs = Json::parse(run("$R plan chosen.toml --json").out).at("outputs");
  EXPECT_EQ(outputs[0].at("limiter"),
            (Json{{"look_ahead_ms", 2.5}, {"hold_ms", 6.0}, {"release_ms", 120.0}, {"true_peak", false}}));
  EXPECT_EQ(outputs[0].at("thermal_time_s"), 2.0);
  EXPECT_TRUE(outputs[1].at("limiter").is_null());
  EXPECT_TRUE(outputs[1].at("thermal_time_s").is_null());
  for (std::size_t s = 0; s < outputs[0]["sections"].size(); ++s) {
    const Json& stage = outputs[0].at("stages").at(s);
    EXPECT_EQ((Json{stage["b0"], stage["b1"], stage["b2"], stage["a1"], stage["a2"]}), outputs[0]["sections"][s]);
  }
  EXPECT_EQ(outputs[0]["stages"].size(), outputs[0]["sections"].size());
  EXPECT_EQ(outputs[0]["stages"][0].at("key"), "crossover.points[1]");
  EXPECT_EQ(outputs[0]["stages"].back().at("key"), "way.low.eq[1]");
  EXPECT_TRUE(outputs[0]["balance"].at("level_at_1m_db").is_null());
}

// No filter but the point of Linkwitz-Riley at 1 kHz: its two sides are 6.02 dB down there, both. 98 dB against 104 dB for
// 1 W into 8 ohm, and -3 dB of gain on the low way: 9 dB. A cone of 8 ohm has 98 - 9.03 dB for 1 V; full scale here is
// 346.4 V peak or 47.8 dB over 1 V RMS, at -20 dBFS 27.8; so 116.7 dB, less 3 of gain and what the mean over the band
// loses at its edge: 24 dB/oct from -6 dB at 1 kHz over 5.6 octaves, some 0.2 dB.
TEST_F(Program, PlanSaysHowTheWaysBalance) {
  std::string text = kRig;
  text.replace(text.find("highpass = "), text.find("limit = ") - text.find("highpass = "), "");
  text.replace(text.find("continuous_power"), 0, "sensitivity = \"98 dB\"\n");
  text.replace(text.find("[crossover]"), 0,
               "[driver.horn]\nimpedance = \"8 ohm\"\ncontinuous_power = \"400 W\"\nsensitivity = \"104 dB\"\n");
  text.replace(text.rfind("\"cone\""), 6, "\"horn\"");
  write("two.toml", text);
  const Json outputs = Json::parse(run("$R plan two.toml --json").out).at("outputs");
  const Json& low = outputs[0].at("balance");
  const double mean = low.at("band_gain_db").get<double>();
  EXPECT_LT(mean, -3.05);
  EXPECT_GT(mean, -3.4);
  EXPECT_NEAR(low.at("level_at_1m_db").get<double>(), 98 - 9.0309 + 47.7815 - 20 + mean, 2e-3);
  EXPECT_TRUE(low.at("over_way_below_db").is_null());
  EXPECT_NEAR(low.at("peak_limit_from_dbfs").get<double>(), -10.7506 - mean, 1e-3);
  EXPECT_NEAR(low.at("power_limit_from_dbfs").get<double>(), -12.7300 - mean, 1e-3);
  for (const std::size_t o : {1u, 2u}) {
    const Json& high = outputs[o].at("balance");
    EXPECT_NEAR(high.at("over_way_below_db").get<double>(), 9, 1e-3);
    EXPECT_EQ(high.at("point_hz"), 1000);
    EXPECT_TRUE(high.at("peak_limit_from_dbfs").is_null());
    EXPECT_TRUE(high.at("power_limit_from_dbfs").is_null());
  }
  const Result result = run("$R plan two.toml");
  EXPECT_THAT(result.out, HasSubstr("+9.0 dB at 1 kHz"));
  EXPECT_THAT(result.out, HasSubstr("Held first: low, by its power limiter, from -9."));
  // 37 dB less gain: no limiter is reached by a sine within full scale.
  text.replace(text.find("gain = \"-3 dB\""), 14, "gain = \"-40 dB\"");
  write("quiet.toml", text);
  EXPECT_THAT(run("$R plan quiet.toml").out,
              AllOf(HasSubstr("above 0 dBFS"), HasSubstr("No limiter acts on a sine within full scale.")));
  std::string open = text;
  for (const char* key : {"limit = ", "thermal = "})
    open.erase(open.find(key), open.find('\n', open.find(key)) - open.find(key));
  write("open.toml", open);
  EXPECT_THAT(run("$R plan open.toml").out, HasSubstr("No way has a limiter: nothing is held."));
  // With the left feed 6 dB down the mean of both is 2.49 dB down (half of 1 and 0.501): 9 - 6 + 2.49 and 9 + 2.49.
  const Result tonight = run("$R plan two.toml --venue venue.toml");
  EXPECT_THAT(tonight.out,
              AllOf(HasSubstr("high.left"), HasSubstr("+5.5 dB at 1 kHz"), HasSubstr("+11.5 dB at 1 kHz")));
}

// Of the demo rig with a sub: its all-pass, and neighbours of one feed, which a gain on that feed does not part.
TEST_F(Program, PlanOfThreeWaysTellsAllPassesAndNeighbours) {
  std::string text = test::bytes_of(RACKPROOF_SOURCE_DIR "/audio_fixtures/three-way-mono-sub.toml");
  write("three.toml", text);
  const std::string told = run("$R plan three.toml").out;
  for (const char* words :
       {"sub   point 2, all-pass   1.5 kHz  linkwitz-riley  24 dB/oct", "mid   point 1, high side   100 Hz",
        "high  point 1, high side   100 Hz", "bands of eq: 2 in system, 1 in way.sub\n"})
    EXPECT_THAT(told, HasSubstr(words));
  EXPECT_THAT(told.substr(told.find("How the ways balance")), Not(HasSubstr("mid.left"))) << "alike: one line";
  text.replace(text.find("phase_matched = true"), 20, "phase_matched = false");
  write("unmatched.toml", text);
  EXPECT_THAT(run("$R plan unmatched.toml").out, Not(HasSubstr("all-pass   1.5 kHz")));
  const Json alike = Json::parse(run("$R plan three.toml --json").out).at("outputs");
  const Json apart = Json::parse(run("$R plan three.toml --venue venue.toml --json").out).at("outputs");
  for (const std::size_t high : {3u, 4u}) {
    const auto over = [&](const Json& outputs) {
      return outputs[high].at("balance").at("over_way_below_db").get<double>();
    };
    EXPECT_NEAR(over(apart), over(alike), 1e-9) << high;
  }
}

// One sine on both feeds of a mix of -6 dB each adds up to 2 x 0.5012: 0.0206 dB more than one feed at 0 dB. And no
// loudspeaker's lowest way has another loudspeaker's below it.
TEST_F(Program, PlanBalancesMixesAndEachLoudspeakerByItself) {
  std::string text = test::bytes_of(RACKPROOF_SOURCE_DIR "/audio_fixtures/town-square.toml");
  write("mix.toml", text);
  const std::string mix = "{ left = \"-6 dB\", right = \"-6 dB\" }";
  ASSERT_THAT(text, HasSubstr(mix));
  write("one.toml", text.replace(text.find(mix), mix.size(), "{ left = \"0 dB\" }"));
  const Json of_mix = Json::parse(run("$R plan mix.toml --json").out).at("outputs");
  const Json of_one = Json::parse(run("$R plan one.toml --json").out).at("outputs");
  ASSERT_EQ(of_mix[5].at("name"), "fill.box");
  EXPECT_NEAR(
      of_mix[5]["balance"].at("band_gain_db").get<double>() - of_one[5]["balance"].at("band_gain_db").get<double>(),
      20 * std::log10(2 * std::pow(10, -6 / 20.0)), 1e-9);
  for (const std::size_t lowest : {0u, 5u, 6u, 7u})
    EXPECT_TRUE(of_mix[lowest]["balance"].at("over_way_below_db").is_null()) << lowest;
  EXPECT_THAT(run("$R plan mix.toml").out,
              AllOf(HasSubstr("\nfill.box "), HasSubstr("\ndelayed.box "), HasSubstr("1 in loudspeaker.fill.system")));
  write("tonight.toml", "format = 1\n[venue.loudspeaker.delayed]\nmute = true\n");
  const std::string told = run("$R plan mix.toml --venue tonight.toml").out;
  EXPECT_THAT(told, HasSubstr("delayed.box.left, MUTED"));
  EXPECT_THAT(told.substr(told.find("Held first")), Not(HasSubstr("delayed")));
}

TEST_F(Program, PlanPrintsWhatTheReadmeShows) {
  EXPECT_EQ(test::shown_in_readme("$ rackproof plan audio_fixtures/two-way-top.toml"),
            run("cd '" RACKPROOF_SOURCE_DIR "' && COLUMNS=100 $R plan audio_fixtures/two-way-top.toml").out);
}

// Of help what is ours to break: above it are the library's lines.
TEST_F(Program, PlanAndTheWordsOfItsKeysFitTheTerminal) {
  for (const std::size_t width : {60u, 80u, 120u}) {
    const std::string columns = "COLUMNS=" + std::to_string(width) + " $R ";
    const std::string help = run(columns + "help plan").out;
    ASSERT_THAT(help, HasSubstr("\nJSON (--json)"));
    std::istringstream lines(run(columns + "plan rig.toml --venue venue.toml").out + help.substr(help.find("\nJSON")));
    for (std::string line; std::getline(lines, line);) EXPECT_LE(display_width(line), width) << line;
  }
}

TEST_F(Program, PlanSaysTheFiguresToAProgram) {
  const Result result = run("$R plan rig.toml --json");
  EXPECT_EQ(result.status, 0);
  EXPECT_THAT(result.err, HasSubstr("126.5"));  // people's text
  EXPECT_EQ(result.out.back(), '\n');
  const Json document = Json::parse(result.out);
  const CompiledRig made = compile(rig::load_rig(folder() / "rig.toml"));
  EXPECT_EQ(document.at("rig"), "rig.toml");
  EXPECT_EQ(document.at("sample_rate_hz"), 48000);
  EXPECT_EQ(document.at("latency_samples"), made.latency_samples);
  ASSERT_EQ(document.at("outputs").size(), 3u);
  for (std::size_t o = 0; o < 3; ++o) {
    const Json& one = document["outputs"][o];
    const OutputPlan& plan = made.outputs[o];
    EXPECT_EQ(one.at("name"), plan.name);
    EXPECT_EQ(one.at("way"), plan.way);
    EXPECT_EQ(one.at("feed"), plan.feed);
    EXPECT_EQ(one.at("load_ohm"), plan.load_ohm);
    EXPECT_EQ(one.at("clip_volts_peak"), plan.clip_volts_peak);  // every bit of a double goes through
    EXPECT_EQ(one.at("clip_dbfs_peak"), plan.clip_dbfs_peak);
    EXPECT_EQ(one.at("limit_volts_peak"), plan.limit_volts_peak);
    EXPECT_EQ(one.at("limit_dbfs_peak"), plan.limit_dbfs_peak);
    EXPECT_EQ(one.at("limited_by"), "amplifier");
    EXPECT_EQ(one.at("delay_samples"), plan.delay_samples);
    EXPECT_EQ(one.at("gain_db"), plan.gain_db);
    EXPECT_EQ(one.at("polarity"), plan.polarity);
    ASSERT_EQ(one.at("sections").size(), plan.sections.size());
    for (std::size_t s = 0; s < plan.sections.size(); ++s) {
      const dsp::Biquad& b = plan.sections[s];
      EXPECT_EQ(one["sections"][s], (Json{b.b0, b.b1, b.b2, b.a1, b.a2}));
    }
  }
  EXPECT_NEAR(document["outputs"][0].at("thermal_dbfs_rms").get<double>(), -12.7300, 5e-5);
  EXPECT_NEAR(document["outputs"][0].at("thermal_volts_rms").get<double>(), 56.5685, 5e-5);
  EXPECT_TRUE(document["outputs"][1].at("thermal_volts_rms").is_null());
  EXPECT_TRUE(document["outputs"][1].at("thermal_dbfs_rms").is_null());
  EXPECT_EQ(document["outputs"][0]["delay_samples"], 48);
  EXPECT_EQ(document["outputs"][2]["polarity"], -1);
  ASSERT_EQ(document.at("warnings").size(), made.warnings.size());
  EXPECT_EQ(document["warnings"][0].at("code"), made.warnings[0].code);
  EXPECT_EQ(document["warnings"][0].at("text"), made.warnings[0].text);
}

TEST_F(Program, TheVenueIsOnTopAndTheMeanOfUnlikeFeedsIsTakenApart) {
  const Json document = Json::parse(run("$R plan rig.toml --venue venue.toml --json --quiet").out);
  EXPECT_EQ(document["outputs"][1]["gain_db"], -6);
  EXPECT_EQ(document["outputs"][2]["gain_db"], 0);
  EXPECT_EQ(document["outputs"][0]["gain_db"], -3);
  EXPECT_EQ(document["outputs"][0]["feed_paths"][0]["feed"], "left");
  EXPECT_EQ(document["outputs"][0]["feed_paths"][0]["gain_db"], -6);
  EXPECT_EQ(document["outputs"][0]["feed_paths"][1]["gain_db"], 0);
  EXPECT_FALSE(document["outputs"][1].contains("feed_paths"));
  EXPECT_THAT(run("$R plan rig.toml --venue venue.toml").out, HasSubstr("-6.00 dB and 0 sections on left alone"));
}

TEST_F(Program, QuietLeavesOutPeoplesTextNotErrors) {
  Result result = run("$R plan rig.toml --quiet");
  EXPECT_EQ(result.out + result.err, "");
  EXPECT_EQ(result.status, 0);
  result = run("$R plan rig.toml --quiet --json");
  EXPECT_EQ(result.err, "");
  EXPECT_FALSE(Json::parse(result.out).empty());
  result = run("$R plan nowhere.toml --quiet");
  EXPECT_EQ(result.status, 2);
  EXPECT_THAT(result.err, testing::StartsWith("rackproof: "));
}

TEST_F(Program, StatusesAndSuggestions) {
  struct Case {
    const char* arguments;
    int status;
    const char* says;
  };
  for (const Case& c :
       {Case{"", 2, "a verb is missing"}, Case{"pln", 2, "did you mean plan?"}, Case{"plan", 2, "RIG is required"},
        Case{"plan --jsn", 2, "did you mean --json?"}, Case{"plan rig.toml --venu=x", 2, "did you mean --venue?"},
        Case{"plan a b", 2, "too many"}, Case{"--jsn", 2, "--jsn"}, Case{"plan rig.toml --venue", 2, "--venue"},
        Case{"zzzzzzzz", 2, "there are plan"}, Case{"help nothing", 2, "no verb is called"},
        Case{"help mesure", 2, "did you mean measure?"},
        Case{"--json plan rig.toml", 2, "--json belongs right behind the verb: rackproof plan --json"},
        Case{"--jsn plan rig.toml", 2, "no option is called '--jsn'; did you mean --json?"},
        Case{"plan rig.toml -- --json", 2, "--json belongs right behind the verb"},
        Case{"plan --venue", 2, "--venue: read nothing behind it; right would be a file name"},
        Case{"render rig.toml in.wav -o d --start", 2, "--start: read nothing behind it; right would be a value: TIME"},
        Case{"plan nowhere.toml", 2, "nowhere.toml"}}) {
    const Result result = run("$R " + std::string(c.arguments));
    EXPECT_EQ(result.status, c.status) << c.arguments;
    EXPECT_EQ(result.out, "") << c.arguments;
    EXPECT_THAT(result.err, testing::AllOf(testing::StartsWith("rackproof: "), HasSubstr(c.says))) << c.arguments;
  }
  for (const char* arguments : {"--help", "plan --help", "--version", "help", "help plan", "help --format man"}) {
    const Result result = run("$R " + std::string(arguments));
    EXPECT_EQ(result.status, 0) << arguments;
    EXPECT_EQ(result.err, "") << arguments;
    EXPECT_THAT(result.out, HasSubstr("rackproof")) << arguments;
  }
}

TEST_F(Program, EveryVerbHasAnExampleAndTheTwoCommonOptions) {
  const Result none = run("$R");  // names them all
  ASSERT_THAT(none.err, HasSubstr("there are plan, "));
  std::istringstream names(none.err.substr(none.err.find("there are ") + 10));
  std::size_t verbs = 0;
  for (std::string verb; names >> verb && verb != "rackproof:"; ++verbs) {
    if (verb.back() == ',') verb.pop_back();
    EXPECT_THAT(run("$R " + verb + " --help").out,
                AllOf(HasSubstr("Example:\n  rackproof " + verb), HasSubstr("\n  --json "), HasSubstr("\n  --quiet ")))
        << verb;
  }
  EXPECT_GE(verbs, 12u);
}

TEST_F(Program, BadInputIsNamedAndTheMachinesFailureIsAnotherStatus) {
  std::string broken = kRig;
  broken.replace(broken.find("below_clip"), 10, "belowclip");
  write("broken.toml", broken);
  Result result = run("$R plan broken.toml --json");
  EXPECT_EQ(result.status, 2);
  EXPECT_EQ(result.out, "");
  EXPECT_THAT(result.err, testing::AllOf(HasSubstr("broken.toml:25:"), HasSubstr("belowclip")));
  result = run("$R plan rig.toml >/dev/full");
  EXPECT_EQ(result.status, 3);
  EXPECT_THAT(result.err, HasSubstr("No space left"));
}

TEST_F(Program, AClosedPipeIsNoCrash) {
  const Result result =
      run("for i in 1 2 3 4 5 6 7 8; do { $R plan rig.toml --json --quiet; echo $? >&2; } | true; done");
  EXPECT_EQ(result.err, "0\n0\n0\n0\n0\n0\n0\n0\n");
}

TEST_F(Program, TheManualAndTheCompletionComeFromTheOptions) {
  const std::string man = run("$R help --format man").out;
  EXPECT_THAT(man, testing::AllOf(testing::StartsWith(".TH RACKPROOF 1"), HasSubstr(".SS rackproof plan RIG"),
                                  HasSubstr("\\-\\-venue FILE"), HasSubstr(".SH CAUTION")));
  EXPECT_THAT(man, Not(HasSubstr("\n--")));
  // What a press of the key offers behind these words; the last may be begun.
  ASSERT_EQ(run("$R help --format bash >completion").status, 0);
  const auto offered = [this](const std::string& words) {
    return run("bash -c '. ./completion; COMP_WORDS=(rackproof " + words +
               "); COMP_CWORD=$((${#COMP_WORDS[@]} - 1)); _rackproof; echo \"${COMPREPLY[@]}\"'")
        .out;
  };
  EXPECT_EQ(offered("pl"), "plan\n");
  EXPECT_EQ(offered("plan --v"), "--venue\n");
  EXPECT_EQ(offered("help --format m"), "man\n");
  EXPECT_EQ(offered("render --bypass \"\""), "all venue system limits\n");
  EXPECT_EQ(offered("render --subtype pcm"), "pcm16 pcm24 pcm32\n");
  EXPECT_EQ(offered("stimulus --subtype d"), "double\n");
  EXPECT_EQ(offered("stimulus s"), "sweep sine\n");
  EXPECT_EQ(offered("measure --kind \"\""), "auto noise sweep\n");
  EXPECT_EQ(offered("budget --target c"), "cortex-m7 cortex-m4 cortex-m33 cortex-m55\n");
  EXPECT_EQ(offered("flatten --target \"\""), "flat\n");
  EXPECT_EQ(offered("render --start \"\""), "\n") << "a time is not one of a few words";
  EXPECT_EQ(offered("render \"\""), "\n") << "files are bash's own";
  // They are the words that the program checks for: what it refuses another word with.
  for (const auto& [verb, option] : {std::pair("render", "rig.toml in.wav -o out --bypass"),
                                     {"render", "rig.toml in.wav -o out --subtype"},
                                     {"stimulus", "pink -o p.wav --subtype"},
                                     {"stimulus", ""},
                                     {"budget", "rig.toml --target"},
                                     {"help", "--format"}}) {
    const std::string line = std::string(verb) + " " + option;
    const Result refused = run("$R " + line + " abacus");
    EXPECT_EQ(refused.status, 2) << line;
    const std::string right = "read abacus; right would be one of ";
    ASSERT_THAT(refused.err, HasSubstr(right)) << line;
    std::string words = refused.err.substr(refused.err.find(right) + right.size());
    words.resize(words.find('\n') + 1);
    std::erase(words, ',');
    EXPECT_EQ(offered(line + " \"\""), words);
  }
}

TEST(WholeFile, IsThereWhenCommittedAndNotBefore) {
  const fs::path place = fs::temp_directory_path() / ("rackproof_whole_" + std::to_string(::getpid()));
  fs::create_directories(place);
  const auto count = [&] { return std::distance(fs::directory_iterator(place), fs::directory_iterator()); };
  {
    WholeFile file(place / "a");
    file.write("half");
    EXPECT_FALSE(fs::exists(place / "a"));
    EXPECT_EQ(count(), 1);
  }
  EXPECT_EQ(count(), 0) << "what was not committed is gone";
  write_whole_file(place / "a", "one");
  write_whole_file(place / "a", "two");
  EXPECT_EQ(test::bytes_of(place / "a"), "two");
  EXPECT_EQ(count(), 1);
  EXPECT_THROW(write_whole_file(place / "no" / "where", "x"), MachineError);
  fs::remove_all(place);
}

TEST(Table, AlignsWhatIsWideInBytesAndBreaksBetweenColumns) {
  EXPECT_EQ(display_width("Säule"), 5u);
  EXPECT_EQ(display_width("a\u0308"), 1u);  // an a and a combining diaeresis
  Table table({{"name", Align::left}, {"first"}, {"second"}});
  table.row({"Säule", "1", "22"});
  table.row({"b", "333333", "4"});
  EXPECT_EQ(table.text(80), "name    first  second\nSäule       1      22\nb      333333       4\n");
  EXPECT_EQ(table.text(15),
            "name    first\nSäule       1\nb      333333\n\nname   second\nSäule      22\nb           4\n");
}
// Five columns of 3 + 2 behind one of 1 are 26 wide: in 21 there is room for four of them, but two parts of three and two
// are narrower; in 16 and 15 these two parts just fit, and in 15 no longer.
TEST(Table, PartsAreAsFewAndThenAsNarrowAsTheyCanBe) {
  Table table({{"n"}, {"aaa"}, {"bbb"}, {"ccc"}, {"ddd"}, {"eee"}});
  table.row({"1", "2", "3", "4", "5", "6"});
  const std::string two = "n  aaa  bbb  ccc\n1    2    3    4\n\nn  ddd  eee\n1    5    6\n";
  EXPECT_EQ(table.text(26), "n  aaa  bbb  ccc  ddd  eee\n1    2    3    4    5    6\n");
  for (const std::size_t width : {25u, 21u, 16u}) EXPECT_EQ(table.text(width), two) << width;
  EXPECT_EQ(table.text(15), "n  aaa  bbb\n1    2    3\n\nn  ccc  ddd\n1    4    5\n\nn  eee\n1    6\n");
}

TEST(Wrapped, ANumberStaysWithItsUnit) {
  EXPECT_EQ(wrapped("at the limit -3.5 dB at 1 m", 17), "at the limit\n-3.5 dB at 1 m\n");
  EXPECT_EQ(wrapped("at the limit x3.5 dB at 1 m", 17), "at the limit x3.5\ndB at 1 m\n");
  EXPECT_EQ(wrapped("ends in 12", 9), "ends in\n12\n");
  EXPECT_EQ(wrapped("mends 4 (these", 10), "mends 4\n(these\n");
}
TEST(Wrapped, NoLineIsWiderAndNoWordIsLost) {
  const std::string text = "one two  three four five Säulen six";
  for (std::size_t width = 10; width < 50; ++width) {
    std::istringstream lines(wrapped(text, width, "- "));
    std::string words, word;
    for (std::string line; std::getline(lines, line);) {
      EXPECT_LE(display_width(line), width);
      EXPECT_THAT(line.substr(0, 2), testing::AnyOf("- ", "  "));
      std::istringstream in(line.substr(2));
      while (in >> word) words += word + " ";
    }
    EXPECT_EQ(words, "one two three four five Säulen six ");
  }
}

}  // namespace
}  // namespace rackproof
