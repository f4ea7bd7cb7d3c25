// Must hold: what `export` writes compiles alone and, run, holds its ceilings; `budget` says what was promised; neither
// leaves half of anything, and both say what is missing.
#include <gmock/gmock.h>

#include <filesystem>
#include <nlohmann/json.hpp>
#include <sstream>

#include "harness/files/fingerprint.hpp"
#include "tests/harness/verbs/shell.hpp"

namespace {

namespace fs = std::filesystem;
namespace test = rackproof::test;
using nlohmann::json;
using rackproof::test::Result;
using testing::AllOf;
using testing::HasSubstr;
using testing::Not;

/// Words as they come, without the breaks that the width put there.
std::string one_line(const std::string& text) {
  std::string line;
  std::istringstream words(text);
  for (std::string word; words >> word;) line += (line.empty() ? "" : " ") + word;
  return line;
}

class Firmware : public testing::Test, protected rackproof::test::Shell {
 protected:
  Firmware() { with_rig(); }
};

TEST_F(Firmware, TheExportCompilesAloneAndHoldsItsCeilings) {
  const Result result = run("$R export rig.toml -o out --core --json --quiet");
  ASSERT_EQ(result.status, 0) << result.err;
  const json document = json::parse(result.out);
  EXPECT_EQ(document.at("outputs"), 4);
  EXPECT_EQ(document.at("sections"), 18);
  EXPECT_THAT(read("out/chain_numbers.hpp"), HasSubstr(document.at("fingerprint").get<std::string>()));
  for (const json& file : document.at("files")) EXPECT_TRUE(fs::exists(folder() / file.get<std::string>())) << file;
  const Result built = run(
      "cd out && c++ -std=c++20 -O1 -DNDEBUG -ffp-contract=off -Wall -Wextra -Werror -I. -c main.cpp dsp/chain/chain.cpp "
      "&& c++ main.o chain.o -o m && ./m");
  EXPECT_EQ(built.status, 0) << built.err;
  // The control: a chain whose limiter is out of the way passes the ceiling that the numbers name, and says so.
  const Result loud = run(
      "cd out && sed 's/chains.process(from, to, kFrames);/for (auto\\& o : outputs) o.fill(0.9f);/' main.cpp >loud.cpp "
      "&& c++ -std=c++20 -ffp-contract=off -I. loud.cpp chain.o -o l && ./l");
  EXPECT_EQ(loud.status, 2) << loud.err;
  // Relays that close ahead of the ramp, and a late block that is forgotten, are seen.
  for (const char* const wrong : {"s/relays_closed = has_begun/relays_closed = true/",
                                  "s/if (next_block_is_due)/was_late = next_block_is_due; if (false)/"}) {
    const Result relays = run(std::string("cd out && sed '") + wrong +
                              "' main.cpp >relays.cpp && ! cmp -s main.cpp relays.cpp && c++ -std=c++20 "
                              "-ffp-contract=off -I. relays.cpp chain.o -o r && ./r");
    EXPECT_EQ(relays.status, 8) << wrong << relays.err;
  }
}
// `prove` passes it: nothing is heard, as the file says.
TEST_F(Firmware, ARigThatIsMutedRunsTooAndSoDoesOneChainAtATime) {
  std::string muted = read("rig.toml");
  for (std::size_t at = 0; (at = muted.find("[[way]]\n", at)) != std::string::npos; at += 8)
    muted.insert(at + 8, "mute = true\n");
  write("muted.toml", muted);
  std::string late = read("rig.toml");
  late.replace(late.find("240 Hz"), 6, "300 Hz");
  write("late.toml", late);
  ASSERT_EQ(run("$R export rig.toml late.toml muted.toml -o out --core --quiet").status, 0);
  for (const char* const how : {"s/kChains = 2/kChains = 1/", "s/kFirst = 0/kFirst = 2/",
                                "s/kChains = 2/kChains = 1/;s/kFirst = 0/kFirst = 2/"}) {
    const Result built =
        run(std::string("cd out && sed '") + how +
            "' main.cpp >own.cpp && ! cmp -s main.cpp own.cpp && { test -f chain.o || c++ -std=c++20 -O1 "
            "-DNDEBUG -ffp-contract=off -I. -c dsp/chain/chain.cpp; } && c++ -std=c++20 -O1 -DNDEBUG "
            "-ffp-contract=off -Wall -Wextra -Werror -I. own.cpp chain.o -o m && ./m");
    EXPECT_EQ(built.status, 0) << how << built.err;
  }
}
TEST_F(Firmware, SaysWhatTakesAStopAndThatNothingIsProven) {
  EXPECT_THAT(run("$R export rig.toml -o one").out, HasSubstr("\nNot proven here: run 'rackproof prove RIG'.\n"));
  EXPECT_THAT(read("one/chain_numbers.hpp"), HasSubstr("// Not proven here: run 'rackproof prove RIG'.\n"));
  std::string fast = read("rig.toml");
  const std::string rate = "sample_rate = \"48 kHz\"";
  ASSERT_NE(fast.find(rate), std::string::npos);
  fast.replace(fast.find(rate), rate.size(), "sample_rate = \"96 kHz\"");
  write("fast.toml", fast);
  const std::string of_rates = one_line(run("$R export rig.toml fast.toml -o two").out);
  EXPECT_THAT(of_rates, AllOf(HasSubstr("converter's clock must change (48 kHz, 96 kHz): mute, stop, set the clock"),
                              Not(HasSubstr("other things are wired"))));
  // The same names, and a horn of an eighth of the power.
  std::string weak = read("rig.toml");
  const std::string power = "continuous_power = \"60 W\"";
  ASSERT_NE(weak.find(power), std::string::npos);
  weak.replace(weak.find(power), power.size(), "continuous_power = \"8 W\"");
  write("weak.toml", weak);
  const Result of_drivers = run("$R export rig.toml weak.toml -o three");
  ASSERT_EQ(of_drivers.status, 0) << of_drivers.err;
  EXPECT_THAT(one_line(of_drivers.out),
              AllOf(HasSubstr("rig; weak."), HasSubstr("other things are wired"), Not(HasSubstr("all of them"))));
}

TEST_F(Firmware, SeveralRigsAreATableOfPresets) {
  const std::string square = test::bytes_of(RACKPROOF_SOURCE_DIR "/audio_fixtures/three-way-mono-sub.toml");
  write("sub.toml", square);
  std::string other = read("rig.toml");
  other.replace(other.find("240 Hz"), 6, "300 Hz");
  write("2nd-night.toml", other);
  const Result result = run("$R export rig.toml sub.toml 2nd-night.toml -o out --core --json --name tour");
  ASSERT_EQ(result.status, 0) << result.err;
  EXPECT_THAT(result.err, HasSubstr("rig, rig_2nd_night; sub"));
  const json document = json::parse(result.out);
  EXPECT_TRUE(document.at("rig").is_null());
  EXPECT_EQ(document.at("name"), "tour");
  std::vector<std::string> names;
  for (const json& preset : document.at("presets")) {
    names.push_back(preset.at("name"));
    EXPECT_THAT(read("out/chain_numbers.hpp"), HasSubstr(preset.at("fingerprint").get<std::string>()));
    EXPECT_EQ(preset.at("group"), names.back() == "sub" ? 2 : 1);
  }
  EXPECT_THAT(names, testing::ElementsAre("rig", "sub", "rig_2nd_night"));
  EXPECT_EQ(json::parse(read("out/export.json")).at("presets").size(), 3u);
  // The same main.cpp runs them: self-test, every preset of the first one's group, a mute.
  const Result built = run(
      "cd out && c++ -std=c++20 -O1 -DNDEBUG -ffp-contract=off -Wall -Wextra -Werror -I. main.cpp dsp/chain/chain.cpp "
      "-o m && ./m");
  EXPECT_EQ(built.status, 0) << built.err;
  // Presets of one name, and a name that is none.
  EXPECT_EQ(run("mkdir a && cp sub.toml a/rig.toml && $R export rig.toml a/rig.toml -o no").status, 2);
  EXPECT_EQ(run("$R export rig.toml -o no --name class").status, 2);
  EXPECT_FALSE(fs::exists(folder() / "no"));
}
TEST_F(Firmware, AVenueLiesOnEveryRigAndFitsEach) {
  write("tonight.toml", "format = 1\n[venue]\ngain = \"-3 dB\"\n");
  write("sub.toml", test::bytes_of(RACKPROOF_SOURCE_DIR "/audio_fixtures/three-way-mono-sub.toml"));
  const Result with = run("$R export rig.toml sub.toml -o with --json --quiet --venue tonight.toml");
  ASSERT_EQ(with.status, 0) << with.err;
  const Result without = run("$R export rig.toml sub.toml -o without --json --quiet");
  for (std::size_t p = 0; p < 2; ++p)
    EXPECT_NE(json::parse(with.out).at("presets")[p].at("fingerprint"),
              json::parse(without.out).at("presets")[p].at("fingerprint"));
  // A feed that one of them has not got.
  std::string mono = read("sub.toml");
  mono.replace(mono.find("right = 2"), 9, "other = 2");
  write("mono.toml", mono);
  write("tonight.toml", "format = 1\n[venue.feed.right]\ngain = \"-3 dB\"\n");
  EXPECT_EQ(run("$R export rig.toml -o one --quiet --venue tonight.toml").status, 0);
  EXPECT_EQ(run("$R export rig.toml mono.toml -o no --quiet --venue tonight.toml").status, 2);
  EXPECT_FALSE(fs::exists(folder() / "no"));
}

TEST_F(Firmware, TheDesignHalfCompilesWithTheCoreAloneAndDesignsTheSameNumbers) {
  ASSERT_EQ(run("$R export rig.toml -o out --core").status, 0);
  EXPECT_FALSE(fs::exists(folder() / "out/dsp/design/alignment.cpp"));
  ASSERT_EQ(run("rm -rf out; $R export rig.toml -o out --core --design").status, 0);
  // The rig's high-pass at 55 Hz, designed anew, is the one that the header holds: one of kSections' rows.
  write("out/own.cpp", R"(#include <array>
#include <cstdio>
#include "chain_numbers.hpp"
#include "dsp/design/alignment.hpp"
#include "dsp/design/eq.hpp"
#include "dsp/design/fractional_delay.hpp"
#include "dsp/design/response.hpp"
#include "dsp/design/time_constants.hpp"
using namespace rackproof;
int main() {
  dsp::SectionList made;
  dsp::Section cut;
  if (!dsp::design({dsp::Alignment::butterworth, dsp::Pass::high, 4, 55.0}, 48000.0, made)) return 1;
  if (!dsp::design(dsp::EqSettings{dsp::EqType::peaking, 240.0, -3.5, dsp::EqWidth::q, 1.4}, 48000.0, cut)) return 1;
  std::array<float, dsp::kFractionTaps> taps{};
  if (!dsp::fractional_delay(0.5, taps) || taps[0] == 0.0f) return 1;
  const auto& output = chain_numbers::kChain.outputs[0].sections;
  return output.size() == made.count && output[0] == made.sections[0] && output[1] == made.sections[1] ? 0 : 2;
})");
  const Result built =
      run("cd out && c++ -std=c++20 -O1 -ffp-contract=off -Wall -Wextra -Werror -I. own.cpp "
          "dsp/design/alignment.cpp dsp/design/eq.cpp dsp/design/exact_section.cpp "
          "dsp/design/fractional_delay.cpp -o own && ./own");
  EXPECT_EQ(built.status, 0) << built.err;
  const Result alone = run("$R export rig.toml -o other --design");
  EXPECT_EQ(alone.status, 2);
  EXPECT_THAT(alone.err, HasSubstr("--core"));
}

TEST_F(Firmware, TheExampleIsKeptTheNumbersAreNot) {
  ASSERT_EQ(run("$R export rig.toml -o out && echo mine >out/main.cpp && echo '// old' >out/chain_numbers.hpp").status,
            0);
  const Result again = run("$R export rig.toml -o out");
  EXPECT_EQ(again.status, 0);
  EXPECT_THAT(again.out, HasSubstr("kept"));
  EXPECT_EQ(read("out/main.cpp"), "mine\n");
  EXPECT_THAT(read("out/chain_numbers.hpp"), HasSubstr("kFingerprint"));
}

TEST_F(Firmware, TheFolderHoldsAListOfItsSetAndSaysWhatIsNotOfIt) {
  ASSERT_EQ(run("$R export rig.toml -o out --core").status, 0);
  const json list = json::parse(read("out/export.json"));
  EXPECT_EQ(list.at("rig").at("file"), "rig.toml");
  EXPECT_GT(list.at("files").size(), 5u);
  for (const json& file : list.at("files")) {
    const std::string bytes = read("out/" + file.at("file").get<std::string>());
    EXPECT_EQ(file.at("bytes"), bytes.size());
    EXPECT_EQ(file.at("xxh128"), rackproof::files::fingerprint_of(bytes)) << file;
    EXPECT_NE(file.at("file"), "main.cpp");  // a person's own from now on
  }
  EXPECT_THAT(read("out/chain_numbers.hpp"), HasSubstr(list.at("chain").get<std::string>()));
  // Without the core: its sources are left from before, which is said; an unfinished set is said.
  EXPECT_THAT(run("$R export rig.toml -o out").out, AllOf(HasSubstr("not-of-this-set"), HasSubstr("dsp/pack.hpp")));
  EXPECT_THAT(run("rm out/export.json && $R export rig.toml -o out").out, HasSubstr("earlier-set-not-whole"));
  EXPECT_THAT(run("$R export rig.toml -o out").out, Not(HasSubstr("earlier-set-not-whole")));
}

// Drift does not count the order of tables, and a board is wired in their order.
TEST_F(Firmware, AnOutputThatMovedToAnotherSlotIsSaid) {
  const Result first = run("$R export rig.toml -o out");
  EXPECT_THAT(first.out, HasSubstr("inputs: left, right"));
  EXPECT_THAT(first.out, HasSubstr("outputs: low.left, low.right, high.left, high.right"));
  EXPECT_THAT(json::parse(read("out/export.json")).at("presets").at(0).at("outputs"),
              json({"low.left", "low.right", "high.left", "high.right"}));
  EXPECT_THAT(run("$R export rig.toml -o out").out, Not(HasSubstr("slots-moved")));
  const Result other =
      run("sed -e 's/^left = 1/right = 2/;t' -e 's/^right = 2/left = 1/' rig.toml > other.toml && "
          "$R export other.toml -o out --json --quiet");
  ASSERT_EQ(other.status, 0) << other.err;
  std::vector<std::string> said;
  const json document = json::parse(other.out);
  for (const json& warning : document.at("warnings"))
    if (warning.at("code") == "slots-moved") said.push_back(warning.at("text"));
  ASSERT_EQ(said.size(), 2u) << other.out;
  EXPECT_THAT(said[0], HasSubstr("1 was low.left and is low.right"));
  EXPECT_THAT(said[1], HasSubstr("1 was left and is right"));
}

TEST_F(Firmware, ABadRigLeavesNothing) {
  EXPECT_EQ(run("echo nonsense >>rig.toml; $R export rig.toml -o out").status, 2);
  EXPECT_FALSE(fs::exists(folder() / "out"));
  EXPECT_EQ(run("$R export rig.toml -o rig.toml/out").status == 0, false);
  fs::copy_file(fs::path(RACKPROOF_SOURCE_DIR) / "audio_fixtures/two-way-top.toml", folder() / "good.toml");
  fs::create_directories(folder() / "in_the_way/dsp/chain/chain.hpp");  // of the last file, found after the first
  EXPECT_EQ(run("$R export good.toml -o in_the_way --core").status, 2);
  EXPECT_EQ(std::distance(fs::recursive_directory_iterator(folder() / "in_the_way"), {}), 3);
}

TEST_F(Firmware, BudgetSaysWhatWasPromised) {
  const Result result = run("$R budget rig.toml --json");
  ASSERT_EQ(result.status, 0) << result.err;
  const json document = json::parse(result.out);
  EXPECT_EQ(document.at("rig"), "rig.toml");
  EXPECT_EQ(document.at("block"), 64);
  const double ns = document.at("ns_per_frame");
  EXPECT_GT(ns, 1);
  EXPECT_GE(document.at("ns_per_frame_worst_block"), ns);
  EXPECT_NEAR(document.at("realtime_share").get<double>(), ns * 48e-6, 1e-9 * ns);
  EXPECT_GT(document.at("state_bytes"), 20000);
  ASSERT_EQ(document.at("outputs").size(), 4u);
  EXPECT_EQ(document.at("outputs")[0].at("name"), "low.left");
  EXPECT_EQ(document.at("outputs")[0].at("sections"), 7);
  EXPECT_GT(document.at("outputs")[0].at("ns_per_frame"), 0);
  EXPECT_FALSE(document.at("machine").get<std::string>().empty());
  EXPECT_THAT(result.err, HasSubstr("high.right"));
  // A virtual machine often shows no counter: then every count is null, and the text says why.
  const bool counts = !document.at("instructions_per_frame").is_null();
  EXPECT_EQ(result.err.find("Instructions are not counted: ") == std::string::npos, counts);
  EXPECT_EQ(document.at("instructions_per_frame_worst_block").is_null(), !counts);
  std::vector<std::string> names;
  double sum_of_blocks = 0;
  for (const json& block : document.at("blocks")) {
    names.push_back(block.at("name"));
    sum_of_blocks += block.at("ns_per_frame").get<double>();
    EXPECT_GE(block.at("ns_per_frame_worst_block"), block.at("ns_per_frame")) << block;
    EXPECT_EQ(block.at("instructions_per_frame").is_null(), !counts) << block;
    EXPECT_EQ(block.at("instructions_per_frame_worst_block").is_null(), !counts) << block;
    EXPECT_THAT(result.err, HasSubstr("\n" + names.back() + "  "));
  }
  EXPECT_THAT(names, testing::ElementsAre("input", "feed sections", "split", "output sections", "delays",
                                          "peak limiters", "power limiters"));
  EXPECT_NEAR(sum_of_blocks, ns, 1e-12 * ns);  // the same times, summed in another order
  EXPECT_THAT(document.at("what_a_block_is").get<std::string>(), HasSubstr("leaving it out saves"));
}

TEST_F(Firmware, BudgetOfAnotherBlockSaysItsLatency) {
  const auto of = [&](const std::string& options) {
    return json::parse(run("$R budget rig.toml --json --quiet " + options).out);
  };
  const json as_written = of(""), short_block = of("--block 16");
  EXPECT_EQ(as_written.at("block"), 64);
  EXPECT_EQ(as_written.at("buffer_latency_samples"), 128) << "one block fills while one plays";
  EXPECT_EQ(short_block.at("block"), 16);
  EXPECT_EQ(short_block.at("buffer_latency_samples"), 32);
  EXPECT_EQ(short_block.at("latency_samples"), as_written.at("latency_samples"));
  EXPECT_EQ(json::parse(run("$R plan rig.toml --json --quiet").out).at("latency_samples"),
            as_written.at("latency_samples"));
  EXPECT_EQ(run("$R budget rig.toml --block 0").status, 2);
  EXPECT_EQ(run("$R budget rig.toml --block 65537").status, 2);
}

TEST_F(Firmware, BudgetReadsSizesAndRefusesWhatIsNone) {
  EXPECT_EQ(run("$R budget rig.toml --ram 65536").status, 2) << "of which part?";
  for (const char* const size :
       {"0", "-1", "64K", "64 kib", "1e5", "5000 MiB", "99999999999999999999", "KiB", "64.5 KiB"}) {
    const Result refused =
        run(std::string("PATH=/nonexistent \"$R\" budget rig.toml --target cortex-m4 --ram '") + size + "'");
    EXPECT_EQ(refused.status, 2) << size;
    EXPECT_THAT(refused.err, HasSubstr("64 KiB")) << size;
  }
  for (const char* const size : {"1", "65536", "64 KiB", "64KiB", "128 kB", "1 MiB", "4096 MiB"})  // on to the compiler
    EXPECT_EQ(
        run(std::string("PATH=/nonexistent \"$R\" budget rig.toml --target cortex-m4 --flash '") + size + "'").status,
        3)
        << size;
}

TEST_F(Firmware, BudgetSaysWhatAPartTakes) {
  const Result without = run("PATH=/nonexistent \"$R\" budget rig.toml --target cortex-m4");
  EXPECT_EQ(without.status, 3);
  EXPECT_THAT(without.err, HasSubstr("gcc-arm-none-eabi"));
  EXPECT_THAT(without.err, HasSubstr("qemu-system-arm"));
  EXPECT_EQ(run("$R budget rig.toml --target abacus").status, 2);
  EXPECT_EQ(run("$R budget rig.toml --at-most 9").status, 2);
  EXPECT_EQ(run("$R budget rig.toml --target cortex-m4 --clock-mhz -1").status, 2);
}

}  // namespace
