// Must hold: what `export` writes compiles alone and, run, holds its ceilings; `budget` says what was promised; neither
// leaves half of anything, and both say what is missing.
#include <gmock/gmock.h>

#include <filesystem>
#include <nlohmann/json.hpp>

#include "harness/files/fingerprint.hpp"
#include "tests/harness/verbs/shell.hpp"

namespace {

namespace fs = std::filesystem;
using nlohmann::json;
using rackproof::test::Result;
using testing::AllOf;
using testing::HasSubstr;
using testing::Not;

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
      "cd out && sed 's/chain.process(from, to, kFrames);/for (auto\\& o : outputs) o.fill(0.9f);/' main.cpp >loud.cpp "
      "&& c++ -std=c++20 -ffp-contract=off -I. loud.cpp chain.o -o l && ./l");
  EXPECT_EQ(loud.status, 2) << loud.err;
}

TEST_F(Firmware, TheDesignHalfCompilesWithTheCoreAloneAndDesignsTheSameNumbers) {
  ASSERT_EQ(run("$R export rig.toml -o out --core").status, 0);
  EXPECT_FALSE(fs::exists(folder() / "out/dsp/design/alignment.cpp"));
  ASSERT_EQ(run("rm -rf out; $R export rig.toml -o out --core --design").status, 0);
  // The rig's high-pass at 55 Hz, designed anew, is the one that the header holds: one of kSections' rows.
  write("out/own.cpp", R"(#include <cstdio>
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
  if (dsp::fractional_delay(0.5)[0] == 0.0f) return 1;
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
  EXPECT_THAT(names, testing::ElementsAre("door", "feed sections", "split", "output sections", "delays",
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
