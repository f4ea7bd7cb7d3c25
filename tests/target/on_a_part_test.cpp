// Must hold: the core on a microcontroller makes the bits that it makes here, within the memory, the stack and the
// instructions of a small part; and everything that would break that is seen: a contracted product, a heap, double
// precision, too much memory, a run away.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/wait.h>
#include <unistd.h>

#include <bit>
#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <limits>
#include <map>
#include <memory>
#include <nlohmann/json.hpp>
#include <regex>
#include <string>
#include <vector>

#include "harness/audio/reader.hpp"
#include "harness/audio/writer.hpp"
#include "harness/calibration/compile.hpp"
#include "harness/firmware/cost.hpp"
#include "harness/firmware/emulated_chain.hpp"
#include "harness/firmware/numbers.hpp"
#include "harness/firmware/sources.hpp"
#include "tests/harness/scratch.hpp"

namespace rackproof::firmware {
namespace {

namespace fs = std::filesystem;
using nlohmann::json;
using testing::HasSubstr;
using Variation = EmulatedChain::Variation;

const fs::path kSource = RACKPROOF_SOURCE_DIR;
constexpr const char* kRigs[] = {"two-way-top", "three-way-mono-sub"};
fs::path rig_file(const std::string& name) { return kSource / "audio_fixtures" / (name + ".toml"); }
/// The demo rig with power limits 12 dB below the drivers' ratings and quick coils, so that a second heats them.
std::string hot_rig(const std::string& name) {
  const std::string lower = std::regex_replace(test::bytes_of(rig_file(name)), std::regex("below_rating = \"[^\"]*\""),
                                               "below_rating = \"12 dB\"");
  return std::regex_replace(lower, std::regex("thermal_time = \"[^\"]*\""), "thermal_time = \"0.3 s\"");
}
std::string header_of(const std::string& name) {
  const rig::Rig rig = rig::parse_rig(hot_rig(name), rig_file(name));
  return numbers_header(rig, nullptr, compile(rig));
}

std::vector<std::vector<float>> read_file(const fs::path& file) {
  audio::Reader reader(file);
  std::vector<std::vector<float>> channels(reader.channels(), std::vector<float>(reader.frames()));
  std::vector<std::uint32_t> picks;
  std::vector<float*> to;
  for (std::uint32_t c = 0; c < reader.channels(); ++c) {
    picks.push_back(c);
    to.push_back(channels[c].data());
  }
  if (reader.read(picks, to, reader.frames()) != reader.frames()) throw std::runtime_error("cut short");
  return channels;
}

struct Shell {
  int status = -1;
  std::string out;
};
Shell shell(const std::string& arguments) {
  const fs::path out = fs::temp_directory_path() / ("rackproof_part_" + std::to_string(::getpid()) + ".out");
  const int status = std::system(("'" RACKPROOF_PROGRAM "' " + arguments + " >'" + out.string() + "'").c_str());
  Shell result{WIFEXITED(status) ? WEXITSTATUS(status) : 128, test::bytes_of(out)};
  fs::remove(out);
  return result;
}

/// A recorded voice on each side (see audio_fixtures/PROVENANCE.md), raised until every limiter works and some of it
/// is beyond what is admitted, over low tones that the voice does not have; in the middle silence, long enough for
/// quiet states, and samples that are none.
std::vector<float> excerpt() {
  const std::vector<std::vector<float>> voice = read_file(kSource / "build/recordings/speech.wav");
  std::vector<float> x;
  for (std::size_t n = 0; n < voice[0].size(); ++n)
    for (std::size_t f = 0; f < 2; ++f) {
      const float turn =
          std::fmod(static_cast<float>(n) * static_cast<float>(f + 1), 800.0f) / 800.0f;  // 60 and 120 Hz
      x.push_back(60.0f * voice[f][n] + 6.0f * (turn < 0.5f ? 4.0f * turn - 1.0f : 3.0f - 4.0f * turn));
    }
  for (std::size_t n = 2 * 20000; n < 2 * 32000; ++n) x[n] = 0.0f;
  x[2 * 34001] = std::numeric_limits<float>::quiet_NaN();
  x[2 * 34002 + 1] = -std::numeric_limits<float>::infinity();
  x[2 * 34003] = 0x1p-140f;
  x[2 * 34004] = -90.0f;
  return x;
}

/// What the program makes of the excerpt on this machine.
struct Golden {
  std::vector<float> in;  ///< with the silence that render adds
  std::vector<std::vector<float>> outputs;
  json document;
};
const Golden& golden(const std::string& name) {
  static std::map<std::string, Golden> made;
  if (const auto found = made.find(name); found != made.end()) return found->second;
  Golden& g = made[name];
  const fs::path folder = fs::temp_directory_path() / ("rackproof_part_" + std::to_string(::getpid()));
  fs::create_directories(folder);
  g.in = excerpt();
  audio::Writer writer(folder / "in.wav", {.sample_rate_hz = 48000, .channels = 2});
  writer.write(g.in);
  writer.keep();
  std::ofstream(folder / "rig.toml") << hot_rig(name);
  const Shell render = shell("render '" + (folder / "rig.toml").string() + "' '" + (folder / "in.wav").string() +
                             "' -o '" + (folder / "out").string() + "' --json --quiet");
  if (render.status != 0) throw std::runtime_error("render failed");
  g.document = json::parse(render.out);
  for (const json& output : g.document.at("outputs"))
    g.outputs.push_back(read_file(output.at("file").get<std::string>())[0]);
  g.in.resize(2 * g.outputs[0].size(), 0.0f);
  fs::remove_all(folder);
  return g;
}
/// `length`: frames of the excerpt that were run; all of them where none is given.
std::size_t samples_that_differ(const Golden& g, const std::vector<float>& frames, std::size_t length = 0) {
  const std::size_t outputs = g.outputs.size();
  if (frames.size() != outputs * (length > 0 ? length : g.outputs[0].size())) return frames.size() + 1;
  std::size_t count = 0;
  for (std::size_t n = 0; n < frames.size(); ++n)
    count +=
        std::bit_cast<std::uint32_t>(frames[n]) != std::bit_cast<std::uint32_t>(g.outputs[n % outputs][n / outputs]);
  return count;
}

class EveryRig : public testing::TestWithParam<std::tuple<const char*, const char*>> {
 protected:
  std::string rig = std::get<0>(GetParam());
  const Part& part = part_called(std::get<1>(GetParam()));
};
std::string words(const testing::TestParamInfo<std::tuple<const char*, const char*>>& info) {
  std::string name = std::string(std::get<0>(info.param)) + "_on_" + std::get<1>(info.param);
  std::replace(name.begin(), name.end(), '-', '_');
  return name;
}
INSTANTIATE_TEST_SUITE_P(, EveryRig,
                         testing::Combine(testing::ValuesIn(kRigs),
                                          testing::Values("cortex-m7", "cortex-m4", "aarch64")),
                         words);
/// The same core with other instructions: a second, which has all that is hostile in the excerpt.
INSTANTIATE_TEST_SUITE_P(ASecond, EveryRig,
                         testing::Values(std::tuple{"two-way-top", "cortex-m33"},
                                         std::tuple{"three-way-mono-sub", "cortex-m55"}),
                         words);
constexpr std::size_t kSecondFrames = 48000;
/// The delays of eight outputs, two of them for 29 m, do not go into the smaller part's 64 KiB.
INSTANTIATE_TEST_SUITE_P(EightOutputs, EveryRig,
                         testing::Combine(testing::Values("town-square"), testing::Values("cortex-m7", "aarch64")),
                         words);

TEST_P(EveryRig, TheSamplesAreTheBitsOfThisMachine) {
  const Golden& g = golden(rig);
  for (const json& output : g.document.at("outputs")) {
    EXPECT_GT(output.at("max_peak_reduction_db").get<double>(), 1)
        << "the excerpt leaves " << output.at("name") << " idle";
    EXPECT_GT(output.at("max_power_reduction_db").get<double>(), 1)
        << "the excerpt leaves " << output.at("name") << " cold";
  }
  EXPECT_GT(g.document.at("bad_samples").get<int>(), 0);
  EXPECT_GT(g.document.at("bounded_samples").get<int>(), 0);
  const EmulatedChain chain(part, header_of(rig));
  struct Way {
    std::size_t block;
    unsigned lanes;
  };
  std::vector<Way> ways{{64, 1}, {17, 1}};
  if (!part.counts()) ways.push_back({64, 4});
  const bool whole = part.name != "cortex-m33" && part.name != "cortex-m55";
  const std::size_t length = whole ? g.outputs[0].size() : kSecondFrames;
  for (const Way way : ways) {
    const EmulatedChain::Run run = chain.run(
        {.frames = std::span(g.in).first(2 * length), .feeds = 2, .block_frames = way.block, .lanes = way.lanes});
    EXPECT_EQ(samples_that_differ(g, run.frames, length), 0u)
        << "of " << run.frames.size() << ", " << way.lanes << " lanes";
    if (part.counts()) {
      EXPECT_GT(run.stack_used_bytes, 200u);
      EXPECT_LE(run.stack_used_bytes, 3072u) << "bytes of stack";
      std::printf("%s on %s: stack %zu bytes, RAM %zu, flash %zu\n", rig.c_str(), part.name.data(),
                  run.stack_used_bytes, chain.ram_used_bytes(), chain.flash_used_bytes());
    }
  }
}

TEST(OnAPart, ContractedProductsAreSeen) {
  const Golden& g = golden("two-way-top");
  for (const char* name : {"cortex-m4", "aarch64"}) {
    const EmulatedChain chain(part_called(name), header_of("two-way-top"), Variation{.flags = "-ffp-contract=fast"});
    EXPECT_GT(samples_that_differ(g, chain.run({.frames = g.in, .feeds = 2}).frames), 1000u) << name;
  }
}

/// What the builder or the runner says of a chain that is varied; "ran" where nothing stops it.
std::string said(const Variation& variation, const char* part = "cortex-m4") {
  const std::vector<float> silence(2 * 640);
  try {
    EmulatedChain(part_called(part), header_of("two-way-top"), variation).run({.frames = silence, .feeds = 2});
  } catch (const MachineError& error) {
    return error.what();
  }
  return "ran";
}
// -u: it is wanted, so the linker does not leave it out.
constexpr const char* kWanted = "-Wl,-u,wanted";
constexpr const char* kInstead = "-Wl,--wrap=main";

TEST(OnAPart, NothingElseStopsAChain) {
  EXPECT_EQ(said({}), "ran");
  EXPECT_EQ(said({.flags = kWanted, .source = "extern \"C\" float wanted(float x) { return x * x; }"}), "ran");
}
TEST(OnAPart, AHeapDoesNotLink) {
  EXPECT_THAT(said({.flags = kWanted, .source = "extern \"C\" int* wanted() { return new int[40]; }"}),
              testing::AnyOf(HasSubstr("heap"), HasSubstr("_sbrk")));
  EXPECT_THAT(
      said({.flags = kWanted, .source = "#include <cstdlib>\nextern \"C\" void* wanted() { return std::malloc(9); }"}),
      testing::AnyOf(HasSubstr("heap"), HasSubstr("_sbrk")));
}
TEST(OnAPart, DoublePrecisionDoesNotLink) {
  const auto sum = [](const char* expression, const char* part) {
    const std::string head = "extern \"C\" double wanted(double x, double y) { return ";
    return said({.flags = kWanted, .source = head + expression + "; }"}, part);
  };
  EXPECT_THAT(sum("x + y", "cortex-m4"), HasSubstr("double precision"));
  EXPECT_THAT(sum("x < y", "cortex-m4"), HasSubstr("double precision"));
  EXPECT_THAT(sum("x * y", "cortex-m7"), HasSubstr("double precision"));
}
TEST(OnAPart, MoreMemoryThanThePartHasDoesNotLink) {
  EXPECT_THAT(said({.ram_bytes = 24 << 10}), HasSubstr("overflowed"));
  EXPECT_THAT(said({.flags = kWanted, .source = "extern \"C\" { char wanted[65536]{}; }"}), HasSubstr("overflowed"));
}
/// What the compiler says of a source file that includes the core's own, as the program carries them.
Shell compiled_for(const char* part, const std::string& source, const std::string& more = "") {
  const fs::path folder = fs::temp_directory_path() / ("rackproof_compiled_" + std::to_string(::getpid()));
  write_sources(folder, "dsp/");
  write_file(folder / "one.cpp", source);
  const fs::path words = folder / "words";
  const std::string line = "cd '" + folder.string() + "' && arm-none-eabi-g++ " + std::string(part_called(part).flags) +
                           " -std=c++20 -O2 -ffp-contract=off -fno-exceptions -fno-rtti -fno-threadsafe-statics"
                           " -DNDEBUG -Wall -Wextra -Werror -I. -c one.cpp " +
                           more + " >words 2>&1";
  const int status = std::system(line.c_str());
  Shell result{WIFEXITED(status) ? WEXITSTATUS(status) : 128, test::bytes_of(words)};
  fs::remove_all(folder);
  return result;
}
TEST(OnAPart, SeveralLanesAreRefusedWhereCompilersMakeWrongCodeOfThem) {
  const auto with = [](int lanes) {
    return "#include \"dsp/pack.hpp\"\nrackproof::dsp::Pack<" + std::to_string(lanes) + "> x;\n";
  };
  EXPECT_EQ(compiled_for("cortex-m55", with(1)).status, 0);
  const Shell refused = compiled_for("cortex-m55", with(4));
  EXPECT_NE(refused.status, 0);
  EXPECT_THAT(refused.out, HasSubstr("compilers make wrong code of several lanes"));
  EXPECT_EQ(compiled_for("cortex-m33", with(4)).status, 0) << "it has no vectors to be wrong";
}
TEST(OnAPart, TheDesignHalfIsFourFilesOfSomeKilobytes) {
  for (const char* const part : {"cortex-m4", "cortex-m7", "cortex-m33", "cortex-m55"}) {
    const Shell built = compiled_for(part, "",
                                     "dsp/design/alignment.cpp dsp/design/eq.cpp dsp/design/exact_section.cpp "
                                     "dsp/design/fractional_delay.cpp && arm-none-eabi-size -t *.o | tail -1");
    ASSERT_EQ(built.status, 0) << built.out;
    std::printf("design on %s: %s", part, built.out.c_str());
    const int bytes = std::stoi(built.out);
    EXPECT_GT(bytes, 4000);
    EXPECT_LT(bytes, 20000) << "README.md says 14 kB";
  }
}

TEST(OnAPart, AnObjectThatIsMadeAtStartUpDoesNotLink) {
  EXPECT_THAT(said({.flags = kWanted,
                    .source = "int f();\nint wanted_too = f();\nint f() { return *new int(3); }\n"
                              "extern \"C\" int wanted() { return wanted_too; }"}),
              testing::AnyOf(HasSubstr("start-up"), HasSubstr("heap"), HasSubstr("_sbrk")));
}
TEST(OnAPart, AStackThatOverflowsFaults) { EXPECT_THAT(said({.stack_bytes = 768}), HasSubstr("fault")); }
TEST(OnAPart, AFaultAndAHangAreFailures) {
  EXPECT_THAT(
      said({.flags = kInstead, .source = "extern \"C\" int __wrap_main() { asm volatile(\"udf #0\"); return 0; }"}),
      HasSubstr("fault"));
  EXPECT_THAT(said({.flags = kInstead,
                    .source = "extern \"C\" int __wrap_main() { for (;;) asm volatile(\"\"); }",
                    .timeout_s = 2}),
              HasSubstr("did not end within 2 s"));
  EXPECT_THAT(said({.flags = kInstead, .source = "extern \"C\" int __wrap_main() { return 7; }"}),
              HasSubstr("ended with 7"));
}

/// Instructions a frame in the dearest block, as measured; README.md shows the same. Debian 12's compiler and emulator.
struct Measured {
  const char *rig, *part;
  double instructions;
};
constexpr Measured kMeasured[] = {
    {"two-way-top", "cortex-m7", 1163.9},        {"two-way-top", "cortex-m4", 1140.6},
    {"two-way-top", "cortex-m33", 1224.1},       {"two-way-top", "cortex-m55", 1225.8},
    {"three-way-mono-sub", "cortex-m7", 1302.5}, {"three-way-mono-sub", "cortex-m4", 1282.6}};
constexpr double kRoom = 0.05;  // another release of the compiler may place its registers otherwise

class Budget : public testing::TestWithParam<Measured> {};
INSTANTIATE_TEST_SUITE_P(, Budget, testing::ValuesIn(kMeasured), [](const auto& info) {
  return words({{info.param.rig, info.param.part}, info.index});
});

TEST_P(Budget, IsKeptAndOneInstructionLessIsNot) {
  const Measured& known = GetParam();
  const std::string verb = "budget '" + rig_file(known.rig).string() + "' --json --quiet --target " + known.part;
  const Shell first = shell(verb);
  ASSERT_EQ(first.status, 0);
  const json document = json::parse(first.out), &target = document.at("target");
  const double worst = target.at("instructions_per_frame_worst_block"), mean = target.at("instructions_per_frame");
  std::printf("%s on %s: %.1f instructions a frame, %.1f in the dearest block\n", known.rig, known.part, mean, worst);
  EXPECT_LE(worst, known.instructions * (1 + kRoom));
  EXPECT_GE(worst, known.instructions * (1 - kRoom))
      << "cheaper than the figure here and in README.md says: change both";
  EXPECT_LE(worst, 1.05 * mean) << "the cost hangs on the signal";

  double sum_of_blocks = 0;
  ASSERT_EQ(target.at("blocks").size(), document.at("blocks").size());
  for (std::size_t b = 0; b < target.at("blocks").size(); ++b) {
    const json& block = target.at("blocks")[b];
    EXPECT_EQ(block.at("name"), document.at("blocks")[b].at("name")) << "called otherwise on this machine";
    EXPECT_GE(block.at("instructions_per_frame").get<double>(), 0) << block;
    sum_of_blocks += block.at("instructions_per_frame").get<double>();
  }
  EXPECT_NEAR(sum_of_blocks, mean, 1e-6 * mean);
  EXPECT_LE(target.at("ram_bytes"), target.at("ram_bytes_of_part"));
  EXPECT_LE(target.at("flash_bytes"), target.at("flash_bytes_of_part"));

  if (std::string_view(known.part) != "cortex-m4" || std::string_view(known.rig) != kRigs[0]) return;
  const Shell allowed = shell(verb + " --at-most " + std::to_string(worst));
  EXPECT_EQ(allowed.status, 0);
  EXPECT_EQ(json::parse(allowed.out).at("target").at("instructions_per_frame_worst_block"), worst) << "counted anew";
  EXPECT_EQ(shell(verb + " --at-most " + std::to_string(worst - 1)).status, 1);
}

TEST(BudgetOfMemory, SaysByHowMuchAChainIsTooLargeAndWhatWouldHelp) {
  const std::string verb = "budget '" + rig_file("two-way-top").string() + "' --json --quiet --target cortex-m4 ";
  const json whole = json::parse(shell(verb).out).at("target");
  EXPECT_EQ(whole.at("fits"), true);
  EXPECT_EQ(whole.at("over_ram_bytes"), 0);
  EXPECT_TRUE(whole.at("would_help").empty());
  const std::size_t ram = whole.at("ram_bytes"), flash = whole.at("flash_bytes");
  // As much as it takes is enough, one byte less is not.
  EXPECT_EQ(shell(verb + "--ram " + std::to_string(ram) + " --flash " + std::to_string(flash)).status, 0);
  const Shell less = shell(verb + "--ram " + std::to_string(ram - 1));
  EXPECT_EQ(less.status, 1);
  const json target = json::parse(less.out).at("target");
  EXPECT_EQ(target.at("fits"), false);
  EXPECT_EQ(target.at("over_ram_bytes"), 1);
  EXPECT_EQ(target.at("over_flash_bytes"), 0);
  EXPECT_EQ(target.at("instructions_per_frame"), whole.at("instructions_per_frame")) << "the same chain";
  ASSERT_FALSE(target.at("would_help").empty());
  EXPECT_EQ(target.at("would_help")[0].at("enough"), true);
  const Shell no_flash = shell(verb + "--flash " + std::to_string(flash - 1));
  EXPECT_EQ(no_flash.status, 1);
  EXPECT_EQ(json::parse(no_flash.out).at("target").at("over_flash_bytes"), 1);
  // A demo rig that is too large for this part: no linker's words.
  const Shell square = shell("budget '" + rig_file("town-square").string() + "' --target cortex-m4");
  EXPECT_EQ(square.status, 1);
  EXPECT_THAT(square.out, testing::AllOf(HasSubstr("falls: cortex-m4 does not hold this chain"),
                                         HasSubstr("loudspeaker.delayed.delay"), HasSubstr("too many"),
                                         testing::Not(HasSubstr("overflowed"))));
}
TEST(BudgetOfMemory, WhatASavingSaysIsSavedOnThePart) {
  const auto ram_of = [](const std::string& text) {
    const fs::path file = fs::temp_directory_path() / ("rackproof_saving_" + std::to_string(::getpid()) + ".toml");
    std::ofstream(file) << text;
    const json target =
        json::parse(shell("budget '" + file.string() + "' --json --quiet --target cortex-m4 --ram 1").out).at("target");
    fs::remove(file);
    return target;
  };
  const std::string text = test::bytes_of(rig_file("two-way-top"));
  const json before = ram_of(text);
  const json after = ram_of(std::regex_replace(text, std::regex("block = 64"), "block = 32"));
  const std::size_t saved = before.at("ram_bytes").get<std::size_t>() - after.at("ram_bytes").get<std::size_t>();
  bool seen = false;
  for (const json& one : before.at("would_help")) {
    if (one.at("key") != "controller.block") continue;
    seen = true;
    EXPECT_EQ(one.at("bytes"), saved);
  }
  EXPECT_TRUE(seen);
}

/// Instructions a frame on a Cortex-M7 by the length of a block, the dearest block; README.md shows the same.
TEST(BudgetOfBlocks, IsAsReadmeSays) {
  for (const auto& [block, instructions] : {std::pair{256, 1153.6}, {64, 1163.9}, {16, 1527.0}}) {
    const Shell counted = shell("budget '" + rig_file("two-way-top").string() +
                                "' --json --quiet --target cortex-m7 --block " + std::to_string(block));
    ASSERT_EQ(counted.status, 0);
    const double worst = json::parse(counted.out).at("target").at("instructions_per_frame_worst_block");
    std::printf("blocks of %d: %.1f\n", block, worst);
    EXPECT_NEAR(worst, instructions, kRoom * instructions) << "change README.md too";
  }
}

}  // namespace
}  // namespace rackproof::firmware
