// Must hold: the exported header holds exactly the numbers of the chain, compiles alone, and does not compile once a
// number in it is another; whatever a rig's file is called and its title says.
#include "harness/firmware/numbers.hpp"

#include <fmt/format.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <regex>

#include "harness/firmware/cost.hpp"
#include "harness/firmware/sources.hpp"

namespace rackproof::firmware {
namespace {

namespace fs = std::filesystem;
using testing::HasSubstr;
using testing::Not;

class Numbers : public testing::Test {
 protected:
  void SetUp() override {
    folder_ = fs::temp_directory_path() / fmt::format("rackproof_numbers_{}", ::getpid());
    fs::create_directories(folder_);
    write_sources(folder_, "dsp/");
  }
  void TearDown() override { fs::remove_all(folder_); }
  bool compiles(const std::string& header) const {
    write_file(folder_ / kNumbersFile, header);
    write_file(folder_ / "use.cpp",
               "#include \"chain_numbers.hpp\"\nchar memory[rackproof::chain_numbers::kMemoryBytes];\n");
    return std::system(
               fmt::format("cd '{}' && c++ -std=c++20 -ffp-contract=off -Wall -Wextra -Werror -fsyntax-only -I. "
                           "use.cpp >words 2>&1",
                           folder_.string())
                   .c_str()) == 0;
  }
  fs::path folder_;
};

rig::Rig demo(const char* name) { return rig::load_rig(fs::path(RACKPROOF_SOURCE_DIR) / "audio_fixtures" / name); }

/// What a program of two source files says, each with an export of its own: whether both see one set of numbers, and the
/// ceilings that they see.
class TwoExports : public Numbers {
 protected:
  std::string said(const std::string& a, const std::string& b, const std::string& flags) const {
    for (const auto& [name, header] : {std::pair("a", a), std::pair("b", b)}) {
      fs::create_directories(folder_ / name);
      write_file(folder_ / name / kNumbersFile, header);
      write_file(folder_ / (std::string(name) + ".cpp"),
                 fmt::format("#include \"{0}/chain_numbers.hpp\"\n"
                             "const rackproof::dsp::ChainSettings* chain_{0}() {{ return "
                             "&rackproof::chain_numbers::kChain; }}\n"
                             "float ceiling_{0}() {{ return chain_{0}()->outputs[0].peak.ceiling; }}\n",
                             name));
    }
    write_file(
        folder_ / "both.cpp",
        "#include <cstdio>\n#include \"dsp/chain/chain_settings.hpp\"\n"
        "const rackproof::dsp::ChainSettings *chain_a(), *chain_b();\nfloat ceiling_a(), ceiling_b();\n"
        "int main() { std::printf(\"%s %a %a\", chain_a() == chain_b() ? \"one\" : \"two\", double(ceiling_a()), "
        "double(ceiling_b())); }\n");
    const std::string line = fmt::format(
        "cd '{}' && c++ -std=c++20 -ffp-contract=off {} -I. a.cpp b.cpp both.cpp -o both 2>words && ./both >said",
        folder_.string(), flags);
    if (std::system(line.c_str()) != 0) return "does not build";
    std::ifstream in(folder_ / "said");
    return {std::istreambuf_iterator<char>(in), {}};
  }
};

TEST_F(TwoExports, InOneProgramEachKeepsItsOwnLimits) {
  rig::Rig loud = demo("two-way-top.toml"), quiet = loud;
  for (rig::Way& way : quiet.ways) way.limit->below_clip_db += 7;
  const CompiledRig a = compile(loud), b = compile(quiet);
  const std::string of_a = numbers_header(loud, nullptr, a), of_b = numbers_header(quiet, nullptr, b);
  const std::string both = fmt::format("two {:a} {:a}", static_cast<double>(a.settings().outputs[0].peak.ceiling),
                                       static_cast<double>(b.settings().outputs[0].peak.ceiling));
  for (const char* const flags : {"-O0", "-O2", "-O2 -flto"}) EXPECT_EQ(said(of_a, of_b, flags), both) << flags;
  // The control: without names of their own the linker keeps one set of numbers for both, and says nothing.
  const auto without = [](const std::string& header) {
    return std::regex_replace(header, std::regex("inline namespace numbers_[0-9a-f]+"), "inline namespace numbers");
  };
  EXPECT_THAT(said(without(of_a), without(of_b), "-O0"), testing::StartsWith("one "));
  // In one source file they are an error, not one of the two.
  write_file(folder_ / "a" / kNumbersFile, of_a);
  write_file(folder_ / "b" / kNumbersFile, of_b);
  EXPECT_FALSE(compiles("#pragma once\n#include \"a/chain_numbers.hpp\"\n#include \"b/chain_numbers.hpp\"\n"));
}

TEST_F(Numbers, DoNotCompileWhereProductsMayBeChanged) {
  const rig::Rig rig = demo("two-way-top.toml");
  const std::string header = numbers_header(rig, nullptr, compile(rig));
  EXPECT_TRUE(compiles(header));
  EXPECT_FALSE(compiles("#define __FAST_MATH__ 1\n" + header));
}

TEST_F(Numbers, CompileAndNoOtherNumberDoes) {
  for (const char* name : {"two-way-top.toml", "three-way-mono-sub.toml"}) {
    const rig::Rig rig = demo(name);
    const CompiledRig compiled = compile(rig);
    const std::string header = numbers_header(rig, nullptr, compiled);
    EXPECT_EQ(header, numbers_header(rig, nullptr, compiled));
    EXPECT_TRUE(compiles(header)) << "its own fingerprint is checked by the compiler";
    EXPECT_THAT(header, HasSubstr(fmt::format("{:#018x}", fingerprint(compiled))));
    const std::size_t digit = header.find("0x1.", header.find("kSections1")) + 4;
    std::string other = header;
    other[digit] = other[digit] == '0' ? '1' : '0';
    EXPECT_FALSE(compiles(other)) << "a coefficient was changed by hand";
    const std::regex decimal("[0-9]\\.[0-9]+f[,}]");  // a hexadecimal one has an exponent ahead of the f
    EXPECT_FALSE(std::regex_search(header, decimal)) << "a float in decimal digits may be rounded";
  }
}

TEST_F(Numbers, NoTextGetsOutOfItsComment) {
  rig::Rig rig = demo("two-way-top.toml");
  rig.title = "one\nint two;\\";
  rig.file = "a\nfile\\";
  const std::string header = numbers_header(rig, nullptr, compile(rig));
  EXPECT_THAT(header, HasSubstr("// one int two; \n"));
  EXPECT_THAT(header, HasSubstr("from a file ."));
  EXPECT_TRUE(compiles(header));
}

TEST_F(Numbers, OneWayAndAVenue) {
  rig::Rig rig = demo("two-way-top.toml");
  rig.points.clear();
  rig.ways.pop_back();
  rig::Venue venue;
  venue.file = "tonight.toml";
  venue.all.gain_db = -3;
  const CompiledRig plain = compile(rig), tonight = compile(rig, &venue);
  EXPECT_NE(fingerprint(plain), fingerprint(tonight));
  const std::string header = numbers_header(rig, &venue, tonight);
  EXPECT_THAT(header, HasSubstr("and tonight.toml"));
  EXPECT_THAT(header, Not(HasSubstr("kPoints")));
  EXPECT_TRUE(compiles(header));
}

// Two feeds of 3 sections; a split of 2 low-pass and 2 high-pass sections each; a high-pass of 2 on each low output.
TEST(Sections, CountOnceWhatWaysShare) { EXPECT_EQ(sections_in_one_lane(compile(demo("two-way-top.toml"))), 18u); }

TEST(Programme, IsTheSameEverywhereAndReachesEveryLevel) {
  const std::vector<float> x = programme(2, 9600);
  ASSERT_EQ(x.size(), 19200u);
  // The first number of std::mt19937 with its default seed is 3499211612 (C++ standard, by its 10000th value, fixes
  // all).
  EXPECT_EQ(x[0], static_cast<float>(static_cast<std::int32_t>(3499211612u)) * 0x1p-31f * 0.1f);
  float greatest[4] = {};
  for (std::size_t n = 0; n < x.size(); ++n) greatest[n / 4800] = std::max(greatest[n / 4800], std::abs(x[n]));
  EXPECT_NEAR(greatest[0], 0.1, 0.001);
  EXPECT_NEAR(greatest[1], 4.0, 0.04);
  EXPECT_EQ(greatest[2], 0.0f);
  EXPECT_NEAR(greatest[3], 1.0, 0.01);
}

TEST(Parts, AreCalledByTheirNames) {
  EXPECT_TRUE(part_called("cortex-m7").counts());
  EXPECT_FALSE(part_called("aarch64").counts());
  EXPECT_THROW(part_called("abacus"), InputError);
  EXPECT_EQ(names_of_counting_parts(),
            (std::vector<std::string>{"cortex-m7", "cortex-m4", "cortex-m33", "cortex-m55"}));
  EXPECT_THROW(source("harness/part/nothing.cpp"), MachineError);
}

}  // namespace
}  // namespace rackproof::firmware
