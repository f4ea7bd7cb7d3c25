// Must hold: `export --biquads` lists every section of every output as `plan` has it, in the order of the signal; its
// codes are the numbers rounded; what a format cannot hold is refused with section, key, coefficient and a format that
// holds it, and nothing is written; limits in the text are never above those computed.
#include <gmock/gmock.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "tests/harness/verbs/shell.hpp"

namespace {

namespace fs = std::filesystem;
using nlohmann::json;
using rackproof::test::Result;
using testing::AllOf;
using testing::HasSubstr;
using testing::Not;

constexpr const char* kBiquadRigs[] = {"two-way-top", "three-way-mono-sub", "town-square", "lantern-room-96k",
                                       "unmeasured-top"};

class Biquads : public testing::Test, protected rackproof::test::Shell {
 protected:
  Biquads() {
    for (const char* const name : kBiquadRigs)
      write(std::string(name) + ".toml",
            rackproof::test::bytes_of(std::string(RACKPROOF_SOURCE_DIR "/audio_fixtures/") + name + ".toml"));
  }
  Result list(const std::string& rig, const std::string& format, const std::string& more = "") const {
    return run("rm -rf out; $R export " + rig + ".toml -o out --biquads " + format + " --json " + more);
  }
  json document() const { return json::parse(read("out/biquads.json")); }
};

TEST_F(Biquads, AreThePlansSectionsInTheirOrderRounded) {
  const std::vector<std::string> places{"feed", "loudspeaker", "split", "way", "output"};
  for (const char* const rig : kBiquadRigs) {
    const Result made = list(rig, "q4.28");
    ASSERT_EQ(made.status, 0) << made.err;
    const json plan = json::parse(run("$R plan " + std::string(rig) + ".toml --json --quiet").out), told = document();
    EXPECT_EQ(told.at("number_format"), "q4.28");
    ASSERT_EQ(told.at("outputs").size(), plan.at("outputs").size());
    std::size_t count = 0;
    for (std::size_t o = 0; o < told.at("outputs").size(); ++o) {
      const json &out = told["outputs"][o], &planned = plan["outputs"][o];
      EXPECT_EQ(out.at("name"), planned.at("name"));
      ASSERT_EQ(out.at("sections").size(), planned.at("stages").size());
      std::size_t place = 0;
      for (std::size_t s = 0; s < out.at("sections").size(); ++s, ++count) {
        const json &one = out["sections"][s], &stage = planned["stages"][s];
        for (const auto& [key, value] : stage.items()) EXPECT_EQ(one.at(key), value) << key;
        for (const char* const c : {"b0", "b1", "b2", "a1", "a2"}) {
          // Worked here a second time: the code as a 32-bit integer, its distance at most half a step.
          const auto code =
              static_cast<std::int32_t>(std::stoul(one.at("codes").at(c).get<std::string>(), nullptr, 16));
          EXPECT_EQ(one.at("held").at(c).get<double>(), code * 0x1p-28);
          EXPECT_LE(std::abs(code * 0x1p-28 - stage.at(c).get<double>()), 0x1p-29);
        }
        const auto found =
            std::find(places.begin() + static_cast<std::ptrdiff_t>(place), places.end(), one.at("place"));
        ASSERT_NE(found, places.end()) << "out of the signal's order: " << one;
        place = static_cast<std::size_t>(found - places.begin());
        EXPECT_LT(one.at("pole_radius"), 1);
        EXPECT_LT(one.at("noise_direct_form_1_dbfs"), one.at("noise_transposed_direct_form_2_dbfs"));
      }
      for (const char* const key : {"gain_db", "polarity", "delay_samples", "limit_volts_peak", "limit_dbfs_peak",
                                    "thermal_volts_rms", "thermal_dbfs_rms", "thermal_time_s", "limiter", "muted"})
        EXPECT_EQ(out.at(key), planned.at(key)) << key;
    }
    const json summary = json::parse(made.out).at("biquads");
    EXPECT_EQ(summary.at("sections"), count) << rig;
    EXPECT_EQ(summary.at("number_format"), "q4.28");
  }
}

TEST_F(Biquads, OfAPlacesKeyAreWhereTheKeySays) {
  write("venue.toml",
        "format = 1\n[venue]\neq = [ { type = \"peaking\", at = \"1 kHz\", gain = \"-1 dB\", q = 1 } ]\n"
        "[venue.feed.left]\neq = [ { type = \"notch\", at = \"2 kHz\", q = 4 } ]\n"
        "[venue.loudspeaker.fill]\neq = [ { type = \"notch\", at = \"3 kHz\", q = 4 } ]\n");
  ASSERT_EQ(list("town-square", "q4.28", "--venue venue.toml").status, 0);
  std::size_t seen = 0;
  const auto check = [&](const json& sections) {
    for (const json& one : sections) {
      const std::string key = one.at("key"), place = one.at("place");
      const bool loudspeaker = key.find(".system.") != key.npos || key.starts_with("venue.loudspeaker");
      const char* const right = key.starts_with("venue") && !loudspeaker ? "feed"
                                : loudspeaker                            ? "loudspeaker"
                                : key.find(".crossover") != key.npos     ? "split"
                                : key.find(".output.") != key.npos       ? "output"
                                                                         : "way";
      EXPECT_EQ(place, right) << key;
      ++seen;
    }
  };
  bool unlike = false;
  const json told = document();
  for (const json& out : told.at("outputs")) {
    check(out.at("sections"));
    if (!out.contains("feed_paths")) continue;
    for (const json& path : out.at("feed_paths")) {
      check(path.at("sections"));
      unlike = unlike || !path.at("sections").empty();
    }
  }
  EXPECT_TRUE(unlike) << "no feed has sections of its own";
  EXPECT_GT(seen, 40u);
  EXPECT_THAT(read("out/biquads.txt"), AllOf(HasSubstr("-- feed left, "), HasSubstr("-- added up, then:")));
}

TEST_F(Biquads, BeyondTheFormatAreRefusedWithOneThatHoldsThem) {
  for (const char* const rig : kBiquadRigs) {
    const Result refused = list(rig, "q1.31");
    EXPECT_EQ(refused.status, 2);
    EXPECT_FALSE(fs::exists(folder() / "out")) << "something was written";
    EXPECT_THAT(refused.err, AllOf(HasSubstr(std::string(rig) + ".toml: "),
                                   HasSubstr("the format holds -1 to 0.999999"), HasSubstr("right would be q")));
    const std::size_t named = refused.err.find("right would be ") + 15;
    const std::string right = refused.err.substr(named, refused.err.find_first_of(" \n", named) - named);
    EXPECT_EQ(list(rig, right).status, 0) << right;
    // The control: one bit less ahead of the point does not.
    const int integer_bits = std::atoi(right.c_str() + 1);
    EXPECT_EQ(list(rig, "q" + std::to_string(integer_bits - 1) + "." + std::to_string(33 - integer_bits)).status, 2);
  }
  const std::string words = list("two-way-top", "q1.31").err;
  EXPECT_THAT(words, AllOf(HasSubstr("system.eq[1]"), HasSubstr("at 240 Hz"), HasSubstr("has b1 = -1."),
                           HasSubstr("24 of 24 sections are beyond it"), HasSubstr("output low.left")));
}

TEST_F(Biquads, UnstableAreRefusedWithAFormatThatKeepsThemStable) {
  const Result refused = list("three-way-mono-sub", "q2.14");
  EXPECT_EQ(refused.status, 2);
  EXPECT_THAT(refused.err, AllOf(HasSubstr("way.sub.highpass"), HasSubstr("unstable"), HasSubstr("2 of 32"),
                                 HasSubstr("right would be q2.17")));
  EXPECT_EQ(list("three-way-mono-sub", "q2.16").status, 2);
  EXPECT_EQ(list("three-way-mono-sub", "q2.17").status, 0);
}

TEST_F(Biquads, OffByMoreThanATenthAreWarnedOfWithAFormatThatIsNot) {
  const Result coarse = list("three-way-mono-sub", "q2.22");
  ASSERT_EQ(coarse.status, 0);
  EXPECT_THAT(coarse.out, HasSubstr("biquad-rounding"));
  EXPECT_THAT(read("out/biquads.txt"), HasSubstr("! biquad-rounding"));
  EXPECT_THAT(coarse.out, HasSubstr("q2.24 keeps all within 0.1 dB"));
  const Result fine = list("three-way-mono-sub", "q2.24");
  EXPECT_THAT(fine.out, Not(HasSubstr("biquad-rounding")));
  EXPECT_LE(json::parse(fine.out).at("biquads").at("worst_error_db"), 0.1);
  EXPECT_THAT(list("three-way-mono-sub", "q2.23").out, HasSubstr("biquad-rounding"));
}

TEST_F(Biquads, InTextRoundNoLimitUpAndTellWhatAListDoesNotCarry) {
  ASSERT_EQ(list("town-square", "q2.30").status, 0);
  std::string text = read("out/biquads.txt");
  std::replace(text.begin(), text.end(), '\n', ' ');  // words that stand on two lines are words
  EXPECT_THAT(text,
              AllOf(HasSubstr("- a1 y[n-1] - a2 y[n-2]"), HasSubstr("as far as 2.4"), HasSubstr("polarity normal"),
                    HasSubstr("look-ahead 4 ms, hold 20 ms, release 250 ms, true peak"),
                    HasSubstr("time constant of the driver's heat 4 s"), HasSubstr("81.821582 ms = 3927.43"),
                    HasSubstr("holds for this project's core, not for that processor"), HasSubstr("no ceiling"),
                    HasSubstr("hazardous voltage")));
  std::size_t at = 0;
  const auto number_behind = [&](const char* words) {
    at = text.find(words, at) + std::string(words).size();
    return std::stod(text.substr(at));
  };
  const json told = document();
  for (const json& out : told.at("outputs")) {
    ASSERT_NE(text.find("peak limiter: threshold ", at), text.npos);
    const double volts = number_behind("peak limiter: threshold "), dbfs = number_behind(" = ");
    EXPECT_LE(volts, out.at("limit_volts_peak"));
    EXPECT_GT(volts, out.at("limit_volts_peak").get<double>() - 0.011);
    EXPECT_LE(dbfs, out.at("limit_dbfs_peak"));
    EXPECT_GT(dbfs, out.at("limit_dbfs_peak").get<double>() - 0.011);
    const double rms = number_behind("power limiter: threshold "), rms_dbfs = number_behind(" = ");
    EXPECT_LE(rms, out.at("thermal_volts_rms"));
    EXPECT_LE(rms_dbfs, out.at("thermal_dbfs_rms"));
  }
}

TEST_F(Biquads, StandBesideTheHeaderAndAreOfTheSet) {
  ASSERT_EQ(list("two-way-top", "Q2.30").status, 0);
  EXPECT_TRUE(fs::exists(folder() / "out/chain_numbers.hpp"));
  const json files = json::parse(read("out/export.json")).at("files");
  EXPECT_THAT(files.dump(), AllOf(HasSubstr("biquads.txt"), HasSubstr("biquads.json")));
  EXPECT_THAT(run("$R export two-way-top.toml -o out").out,
              AllOf(HasSubstr("not-of-this-set"), HasSubstr("biquads.txt")));
  // A person's own file of that name is no list of biquads.
  EXPECT_EQ(run("rm -rf out && mkdir out && echo mine >out/biquads.txt && "
                "$R export two-way-top.toml -o out --biquads q2.30")
                .status,
            2);
  EXPECT_EQ(read("out/biquads.txt"), "mine\n");
  for (const char* const none : {"q0.31", "q2.63", "q1.14", "float16", "30", "\"\""}) {
    const Result refused = list("two-way-top", none);
    EXPECT_EQ(refused.status, 2) << none;
    EXPECT_THAT(refused.err, HasSubstr("--biquads: read ")) << none;
  }
}

TEST_F(Biquads, OfSeveralRigsAreAFileOfEach) {
  const Result made = run("$R export two-way-top.toml three-way-mono-sub.toml -o out --biquads q5.23 --json");
  ASSERT_EQ(made.status, 0) << made.err;
  const json presets = json::parse(made.out).at("presets");
  ASSERT_EQ(presets.size(), 2u);
  EXPECT_TRUE(json::parse(made.out).at("biquads").is_null());
  for (const json& preset : presets) {
    const std::string name = preset.at("name");
    const json told = json::parse(read("out/" + name + ".biquads.json"));
    EXPECT_EQ(told.at("rig"), preset.at("rig"));
    EXPECT_EQ(told.at("outputs").size(), preset.at("outputs").get<std::size_t>());
    EXPECT_THAT(read("out/" + name + ".biquads.txt"), HasSubstr("# Biquads of a rig"));
    EXPECT_GT(preset.at("biquads").at("sections"), 20);
  }
  EXPECT_THAT(made.out, HasSubstr("three_way_mono_sub: in q5.23")) << "its warning names it";
}

}  // namespace
