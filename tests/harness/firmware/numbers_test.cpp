// Must hold: the exported header holds exactly the numbers of the chain, compiles alone, and does not compile once a
// number in it is another; whatever a rig's file is called and its title says.
#include "harness/firmware/numbers.hpp"

#include <fmt/format.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <cmath>
#include <cstdlib>
#include <cstring>
#include <deque>
#include <filesystem>
#include <map>
#include <regex>
#include <string>

#include "dsp/chain/one_lane.hpp"
#include "dsp/chain/preset.hpp"
#include "harness/firmware/cost.hpp"
#include "harness/firmware/sources.hpp"
#include "tests/harness/demo_rig.hpp"
#include "tests/harness/edited.hpp"
#include "tests/harness/scratch.hpp"
#include "tests/sanitized.hpp"

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

/// What a program of two source files says, each with an export of its own: whether both see one set of numbers, and the
/// ceilings that they see.
class TwoExports : public Numbers {
 protected:
  std::string said(const std::string& a, const std::string& b, const std::string& flags) const {
    for (const auto& [name, header] : {std::pair("a", a), std::pair("b", b)}) {
      fs::create_directories(folder_ / name);
      write_file(folder_ / name / kNumbersFile, header);
      write_file(
          folder_ / (std::string(name) + ".cpp"),
          fmt::format("#include \"{0}/chain_numbers.hpp\"\n"
                      "const void* chain_{0}() {{ return &rackproof::chain_numbers::kChain; }}\n"
                      "float ceiling_{0}() {{ return rackproof::chain_numbers::kChain.outputs[0].peak.ceiling; }}\n",
                      name));
    }
    write_file(
        folder_ / "both.cpp",
        "#include <cstdio>\nconst void *chain_a(), *chain_b();\nfloat ceiling_a(), ceiling_b();\n"
        "int main() { std::printf(\"%s %a %a\", chain_a() == chain_b() ? \"one\" : \"two\", double(ceiling_a()), "
        "double(ceiling_b())); }\n");
    const std::string line = fmt::format(
        "cd '{}' && c++ -std=c++20 -ffp-contract=off {} -I. a.cpp b.cpp both.cpp -o both 2>words && ./both >said",
        folder_.string(), flags);
    if (std::system(line.c_str()) != 0) return "does not build";
    return test::bytes_of(folder_ / "said");
  }
};

TEST_F(TwoExports, InOneProgramEachKeepsItsOwnLimits) {
  rig::Rig loud = test::demo_rig("two-way-top.toml"), quiet = loud;
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
  const float of_both = a.settings().outputs[0].peak.ceiling;
  EXPECT_EQ(said(without(of_a), without(of_b), "-O0"), fmt::format("one {0:a} {0:a}", static_cast<double>(of_both)));
  // A stated name that both have is no way around that.
  const std::string named_a = numbers_header(std::vector{NamedChain{"top", &loud, nullptr, &a}}, "tonight");
  const std::string named_b = numbers_header(std::vector{NamedChain{"top", &quiet, nullptr, &b}}, "tonight");
  for (const char* const flags : {"-O0", "-O2 -flto"}) EXPECT_EQ(said(named_a, named_b, flags), both) << flags;
  // In one source file they are an error, not one of the two.
  write_file(folder_ / "a" / kNumbersFile, of_a);
  write_file(folder_ / "b" / kNumbersFile, of_b);
  EXPECT_FALSE(compiles("#pragma once\n#include \"a/chain_numbers.hpp\"\n#include \"b/chain_numbers.hpp\"\n"));
  // Each by its own name they can be in one.
  const std::string later = numbers_header(std::vector{NamedChain{"top", &quiet, nullptr, &b}}, "later");
  write_file(folder_ / "a" / kNumbersFile, named_a);
  write_file(folder_ / "b" / kNumbersFile, later);
  write_file(folder_ / "one.cpp",
             fmt::format("#include \"a/chain_numbers.hpp\"\n#include \"b/chain_numbers.hpp\"\nusing namespace "
                         "rackproof::chain_numbers;\nstatic_assert(tonight::kChain.outputs[0].peak.ceiling == {:a}f && "
                         "later::kChain.outputs[0].peak.ceiling == {:a}f);\n",
                         a.settings().outputs[0].peak.ceiling, b.settings().outputs[0].peak.ceiling));
  EXPECT_EQ(std::system(fmt::format("cd '{}' && c++ -std=c++20 -fsyntax-only -I. one.cpp", folder_.string()).c_str()),
            0);
}

TEST_F(Numbers, DoNotCompileWhereProductsMayBeChanged) {
  const rig::Rig rig = test::demo_rig("two-way-top.toml");
  const std::string header = numbers_header(rig, nullptr, compile(rig));
  EXPECT_TRUE(compiles(header));
  EXPECT_FALSE(compiles("#define __FAST_MATH__ 1\n" + header));
}

TEST_F(Numbers, CompileAndNoOtherNumberDoes) {
  for (const char* name : {"two-way-top.toml", "three-way-mono-sub.toml"}) {
    const rig::Rig rig = test::demo_rig(name);
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
  rig::Rig rig = test::demo_rig("two-way-top.toml");
  rig.title = "one\nint two;\\";
  rig.file = "a\nfile\\";
  const std::string header = numbers_header(rig, nullptr, compile(rig));
  EXPECT_THAT(header, HasSubstr("// one int two; \n"));
  EXPECT_THAT(header, HasSubstr("from a file ."));
  EXPECT_TRUE(compiles(header));
}

TEST_F(Numbers, OneWayAndAVenue) {
  rig::Rig rig = test::demo_rig("two-way-top.toml");
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

/// Rigs compiled and named, that stay where they are.
struct Chains {
  std::deque<rig::Rig> rigs;
  std::deque<CompiledRig> compiled;
  std::vector<NamedChain> all;
  void add(const std::string& name, rig::Rig rig) {
    rigs.push_back(std::move(rig));
    compiled.push_back(compile(rigs.back()));
    all.push_back({name, &rigs.back(), nullptr, &compiled.back()});
  }
};
std::size_t count_in(const std::string& text, const std::string& what) {
  std::size_t count = 0;
  for (std::size_t at = 0; (at = text.find(what, at)) != std::string::npos; at += what.size()) ++count;
  return count;
}

TEST_F(Numbers, WhatPresetsShareStandsOnce) {
  Chains chains;
  chains.add("a", test::demo_rig("two-way-top.toml"));
  const std::string one = numbers_header(chains.all);
  rig::Rig quiet = test::demo_rig("two-way-top.toml");
  for (rig::Way& way : quiet.ways) way.limit->below_clip_db += 7;
  chains.add("b", quiet);
  const std::string two = numbers_header(chains.all, "tonight");
  EXPECT_TRUE(compiles(two));
  const auto lists = [&](const char* type) {
    return std::pair(count_in(one, fmt::format("inline constexpr {} k", type)),
                     count_in(two, fmt::format("inline constexpr {} k", type)));
  };
  // Other limits alone: one more list of outputs, and of nothing else.
  for (const char* type : {"dsp::Section", "std::array<float, dsp::kFractionTaps>", "dsp::PointSettings",
                           "dsp::FeedSettings", "dsp::LoudspeakerSettings"}) {
    EXPECT_EQ(lists(type).first, lists(type).second) << type;
    EXPECT_GT(lists(type).first, 0u) << type;
  }
  EXPECT_EQ(lists("dsp::OutputSettings"), std::pair(std::size_t{1}, std::size_t{2}));
  // The control: another band makes another list of sections.
  rig::Rig other = test::demo_rig("two-way-top.toml");
  other.system_eq[0].gain_db -= 1;
  chains.add("c", other);
  EXPECT_EQ(count_in(numbers_header(chains.all), "inline constexpr dsp::Section k"), lists("dsp::Section").first + 1);
  // What fits to one another, and memory for the largest.
  chains.add("d", test::demo_rig("three-way-mono-sub.toml"));
  EXPECT_EQ(fade_groups(chains.all), (std::vector<std::uint8_t>{1, 1, 1, 2}));
  const std::string four = numbers_header(chains.all) +
                           "static_assert([] { for (auto& p : rackproof::chain_numbers::kPresets) if (p.memory_bytes > "
                           "rackproof::chain_numbers::kMemoryBytes) return false; return true; }());\n"
                           "static_assert(rackproof::chain_numbers::kMemoryBytes == "
                           "rackproof::chain_numbers::d::kMemoryBytes);\n";
  EXPECT_TRUE(compiles(four));
  chains.all.back().name = "a";
  EXPECT_THROW(numbers_header(chains.all), InputError) << "two of one name";
}

TEST_F(Numbers, OnlyPresetsThatDriveTheSameAreFaded) {
  Chains chains;
  chains.add("a", test::demo_rig("two-way-top.toml"));
  const auto group_of = [&](auto&& change) {
    rig::Rig rig = test::demo_rig("two-way-top.toml");
    change(rig);
    chains.add("b", rig);
    const std::uint8_t group = fade_groups(chains.all).back();
    chains.all.pop_back();
    return static_cast<int>(group);
  };
  EXPECT_EQ(group_of([](rig::Rig&) {}), 1);
  EXPECT_EQ(group_of([](rig::Rig& r) { r.ways[0].limit->below_clip_db += 7; }), 1);
  // Each of these has four outputs at 48 kHz too.
  EXPECT_EQ(group_of([](rig::Rig& r) { r.ways[1].name = "horn"; }), 2) << "another way's name";
  EXPECT_EQ(group_of([](rig::Rig& r) { std::swap(r.ways[0].name, r.ways[1].name); }), 2) << "lows where highs were";
  EXPECT_EQ(group_of([](rig::Rig& r) { std::swap(r.feeds[0].name, r.feeds[1].name); }), 2) << "left for right";
  EXPECT_EQ(group_of([](rig::Rig& r) { r.amplifiers[0].gain_db = *r.amplifiers[0].gain_db - 1; }), 2)
      << "another gain: other volts at full scale";
  // The same names, and something else behind them.
  const std::string driver = test::demo_rig("two-way-top.toml").ways[1].driver;
  const auto of_driver = [&](auto&& change) {
    return group_of([&](rig::Rig& r) {
      for (rig::Driver& one : r.drivers)
        if (one.name == driver) change(one);
    });
  };
  EXPECT_EQ(of_driver([](rig::Driver&) {}), 1);
  EXPECT_EQ(of_driver([](rig::Driver& d) { d.continuous_power_watts *= 0.5; }), 2);
  EXPECT_EQ(of_driver([](rig::Driver& d) { d.peak_power_watts = 1234; }), 2);
  EXPECT_EQ(of_driver([](rig::Driver& d) { d.impedance_ohm += 1; }), 2);
  EXPECT_EQ(of_driver([](rig::Driver& d) { d.thermal_time_s *= 2; }), 2);
  EXPECT_EQ(of_driver([](rig::Driver& d) { d.lowest_hz = 1234; }), 2);
  EXPECT_EQ(of_driver([](rig::Driver& d) { d.highest_hz = 12345; }), 2);
  EXPECT_EQ(group_of([&](rig::Rig& r) {
              for (rig::Driver& one : r.drivers)
                if (one.name == driver) one.name = r.ways[1].driver = "another";
            }),
            2);
  EXPECT_EQ(group_of([](rig::Rig& r) { r.ways[0].drivers += 1; }), 2) << "how many there are";
  EXPECT_EQ(group_of([](rig::Rig& r) { r.ways[0].in_series = !r.ways[0].in_series; }), 2);
  EXPECT_EQ(group_of([](rig::Rig& r) { r.amplifiers[0].ratings[0].power_watts += 1; }), 2);
  EXPECT_EQ(group_of([](rig::Rig& r) {
              for (rig::Way& way : r.ways)
                if (way.amplifier == r.amplifiers[0].name) way.amplifier = "another";
              r.amplifiers[0].name = "another";
            }),
            2);
  // Another rate: wired alike, and not to be faded.
  rig::Rig other_rate = test::demo_rig("two-way-top.toml");
  other_rate.controller.sample_rate_hz = 96000;
  chains.add("b", other_rate);
  EXPECT_EQ(fade_groups(chains.all).back(), 2);
  EXPECT_TRUE(are_wired_alike(chains.all[0], chains.all[1]));
}
TEST_F(Numbers, SayThatTheyAreNotProvenAndWhatComputedThem) {
  Chains chains;
  chains.add("a", test::demo_rig("two-way-top.toml"));
  EXPECT_THAT(numbers_header(chains.all, "", "rackproof 9.8.7"),
              testing::AllOf(HasSubstr("// Computed by rackproof 9.8.7 from two-way-top.toml.\n"),
                             HasSubstr("// Not proven here: run 'rackproof prove RIG'.\n")));
  chains.add("b", test::demo_rig("three-way-mono-sub.toml"));
  EXPECT_THAT(numbers_header(chains.all, "", "rackproof 9.8.7"),
              testing::AllOf(HasSubstr("Computed by rackproof 9.8.7 from three-way-mono-sub.toml.\n"),
                             HasSubstr("// Not proven here: run 'rackproof prove RIG'.\n")));
}

TEST_F(Numbers, ANumberOfAPresetIsCheckedToo) {
  Chains chains;
  chains.add("a", test::demo_rig("two-way-top.toml"));
  chains.add("b", test::demo_rig("three-way-mono-sub.toml"));
  std::string header = numbers_header(chains.all);
  const std::size_t digit = header.rfind("0x1.", header.find("{true, 0x1.")) + 4;
  EXPECT_TRUE(compiles(header));
  header[digit] = header[digit] == '0' ? '1' : '0';
  EXPECT_FALSE(compiles(header));
}

TEST_F(Numbers, SayInWordsWhatTheyAre) {
  const rig::Rig rig = test::demo_rig("two-way-top.toml");
  const CompiledRig compiled = compile(rig);
  const std::string header = numbers_header(rig, nullptr, compiled);
  for (const char* said : {"// peaking 240 Hz -3.5 dB, Q 1.4; system.eq[1]\n",
                           "// 1.6 kHz Linkwitz-Riley 24 dB/oct low-pass, 2 of 2; crossover.points[1]\n",
                           "// 55 Hz Butterworth 24 dB/oct high-pass, 1 of 2; way.low.highpass\n",
                           "look-ahead 3 ms, hold 10 ms, release 150 ms, true peak\n", "thermal time 3 s\n"})
    EXPECT_THAT(header, HasSubstr(said));
  // A limit's figure is never above the limit itself, nor a hundredth below.
  const std::regex ceiling("ceiling (-?[0-9.]+) dBFS = ([0-9.]+) V peak"), power("power ([0-9.]+) V RMS = (-?[0-9.]+)");
  std::size_t o = 0;
  for (std::sregex_iterator at(header.begin(), header.end(), ceiling), end; at != end; ++at, ++o) {
    const double is = static_cast<double>(compiled.settings().outputs[o].peak.ceiling);
    const double dbfs = 20 * std::log10(is), volts = is * compiled.outputs[o].full_scale_volts_peak;
    EXPECT_LE(std::stod((*at)[1]), dbfs);
    EXPECT_GT(std::stod((*at)[1]), dbfs - 0.0101);
    EXPECT_LE(std::stod((*at)[2]), volts);
    EXPECT_GT(std::stod((*at)[2]), volts - 0.0101);
  }
  EXPECT_EQ(o, 4u);
  o = 0;
  for (std::sregex_iterator at(header.begin(), header.end(), power), end; at != end; ++at, ++o) {
    const double volts = static_cast<double>(compiled.settings().outputs[o].power.threshold_rms) *
                         compiled.outputs[o].full_scale_volts_peak;
    EXPECT_LE(std::stod((*at)[1]), volts);
    EXPECT_GT(std::stod((*at)[1]), volts - 0.0101);
  }
  EXPECT_EQ(o, 4u);
  // Words for every demo rig: what does not fit its number would throw.
  for (const char* name : {"three-way-mono-sub.toml", "town-square.toml", "lantern-room-96k.toml"}) {
    const rig::Rig other = test::demo_rig(name);
    EXPECT_NO_THROW(numbers_header(other, nullptr, compile(other))) << name;
  }
}

TEST(Names, AreThoseThatANamespaceMayHave) {
  for (const char* right : {"tonight", "stage_2", "a", "Show"}) EXPECT_NO_THROW(must_be_name(right)) << right;
  for (const char* wrong : {"", "2nd", "_a", "a__b", "a-b", "a b", "class", "dsp", "kChain", "NULL", "linux",
                            "numbers_1", "h\xc3\xb6he", "a;b"}) {
    try {
      must_be_name(wrong);
      ADD_FAILURE() << wrong;
    } catch (const InputError& error) {
      EXPECT_THAT(error.what(), testing::AllOf(HasSubstr("--name"), HasSubstr("stage_2"))) << wrong;
    }
  }
  for (const auto& [file, name] :
       {std::pair("two-way-top.toml", "two_way_top"), std::pair("x/2nd.toml", "rig_2nd"),
        std::pair("class.toml", "rig_class"), std::pair("__a--b_.toml", "a_b"), std::pair("\xc3\xb6.toml", "rig")}) {
    EXPECT_EQ(preset_name(file), name);
    EXPECT_NO_THROW(must_be_name(preset_name(file)));
  }
}

/// For tests whose time goes into what g++ builds of an export; what writes the export runs under sanitizers in others.
constexpr const char* kNotWatched = "what is built and run here has no sanitizer";

/// The self-test of an export in one program, built so, that does `first` before it: 0 where it passes.
class SelfTest : public Numbers {
 protected:
  int passes(const std::string& rig_name, const std::string& flags, const std::string& chain_flags,
             const std::string& first = "") {
    const rig::Rig rig = test::demo_rig(rig_name + ".toml");
    write_file(folder_ / kNumbersFile, numbers_header(rig, nullptr, compile(rig)));
    write_file(folder_ / "self.cpp",
               fmt::format("#include \"chain_numbers.hpp\"\nusing namespace rackproof::chain_numbers;\n"
                           "alignas(8) std::byte memory[kMemoryBytes];\n"
                           "int main() {{ {} return self_test(kPresets[0], memory) ? 0 : 1; }}\n",
                           first));
    const std::string cxx = fmt::format("cd '{}' && c++ -std=c++20 -O2 -DNDEBUG -I. ", folder_.string());
    const auto [chain, is_new] = built_.try_emplace(chain_flags, fmt::format("chain_{}.o", built_.size()));
    const std::string& object = chain->second;
    if (is_new &&
        std::system(fmt::format("{} {} -c dsp/chain/chain.cpp -o {} 2>words", cxx, chain_flags, object).c_str()) != 0)
      return 100;
    if (std::system(fmt::format("{} {} self.cpp {} -o self 2>words", cxx, flags, object).c_str()) != 0) return 100;
    return std::system(fmt::format("'{}/self'", folder_.string()).c_str()) == 0 ? 0 : 1;
  }

 private:
  std::map<std::string, std::string> built_;  ///< the chain's object by its flags: a build takes seconds
};

TEST_F(SelfTest, PassesAndFailsWhereProductsAreContracted) {
  if (test::kSanitized) GTEST_SKIP() << kNotWatched;
  if (!__builtin_cpu_supports("fma")) GTEST_SKIP() << "this processor has no fused products";
  for (const char* rig : {"two-way-top", "three-way-mono-sub"}) {
    EXPECT_EQ(passes(rig, "-ffp-contract=off", "-ffp-contract=off"), 0) << rig;
    EXPECT_EQ(passes(rig, "-ffp-contract=off", "-ffp-contract=off -mfma"), 0) << rig;
    EXPECT_EQ(passes(rig, "-ffp-contract=off", "-ffp-contract=fast -mfma"), 1) << rig << ": the chain";
    EXPECT_EQ(passes(rig, "-ffp-contract=fast -mfma", "-ffp-contract=off"), 1) << rig << ": the source that calls it";
  }
}
TEST_F(SelfTest, SeesALineThatComputesOtherwiseInEveryBlock) {
  if (test::kSanitized) GTEST_SKIP() << kNotWatched;
  struct Plant {
    const char *file, *right, *wrong;
    const char* rig = "three-way-mono-sub";
  };
  constexpr Plant kPlants[] = {
      {"dsp/blocks/delay_line.hpp", "sum[i] = fma(tap, load<W, 1>(window + i * W + k + 1), sum[i]);",
       "sum[i] = tap * load<W, 1>(window + i * W + k + 1) + sum[i];", "two-way-top"},  // its delay has a fraction
      {"dsp/blocks/delay_line.hpp", "sum = fma(taps[kHistory - k], window[n + k], sum);",
       "sum = taps[kHistory - k] * window[n + k] + sum;", "two-way-top"},
      {"dsp/chain/engine.hpp", "mean_[n] = sum / count;", "mean_[n] = sum * (1.0f / count) * 0x1.000002p0f;"},
      {"dsp/pack/arithmetic.hpp", "return __builtin_fmaf(a, b, c);", "return a * b + c;"}};
  // All of them in one core, which takes long to build: `planted` says which one counts, 0 none.
  const auto put = [&](const std::string& file, const std::string& from, const std::string& to) {
    write_file(folder_ / file, test::edited(test::bytes_of(folder_ / file), from, to));
  };
  put("dsp/compiler.hpp", "#pragma once\n", "#pragma once\ninline int planted = 0;\n");
  int number = 0;
  for (const Plant& one : kPlants)
    put(one.file, one.right, fmt::format("if (planted == {}) {{ {} }} else {{ {} }}", ++number, one.wrong, one.right));
  number = 0;
  for (const Plant& one : kPlants) {
    EXPECT_EQ(passes(one.rig, "-ffp-contract=off -mfma", "-ffp-contract=off -mfma"), 0) << one.rig;
    EXPECT_EQ(
        passes(one.rig, "-ffp-contract=off -mfma", "-ffp-contract=off -mfma", fmt::format("planted = {};", ++number)),
        1)
        << one.wrong;
  }
}
TEST_F(SelfTest, EveryStageChangesTheAnswer) {
  const rig::Rig rig = test::demo_rig("three-way-mono-sub.toml");
  const CompiledRig compiled = compile(rig);
  const dsp::ChainSettings& settings = compiled.settings();
  const auto answer = [](const dsp::ChainSettings& chain) {
    std::vector<std::byte> memory(dsp::bytes_in_one_lane(chain) + 65536);
    return dsp::answer_of<dsp::kMaxFeeds, dsp::kMaxOutputs>(chain, memory);
  };
  const std::uint64_t right = answer(settings);
  EXPECT_NE(right, 0u);
  EXPECT_EQ(right, self_test_answer(compiled));
  // One number of each stage off by its last bit, or by one.
  std::vector<dsp::Section> sections;
  const auto nudged = [&](std::span<const dsp::Section> list) {
    sections.assign(list.begin(), list.end());
    sections.back().rate = std::nextafter(sections.back().rate, 1.0f);
    return std::span<const dsp::Section>(sections);
  };
  const auto with_output = [&](auto change) {
    std::vector<dsp::OutputSettings> outputs(settings.outputs.begin(), settings.outputs.end());
    change(outputs.back());
    dsp::ChainSettings other = settings;
    other.outputs = outputs;
    return answer(other);
  };
  std::vector<dsp::FeedSettings> feeds(settings.feeds.begin(), settings.feeds.end());
  feeds[0].sections = nudged(feeds[0].sections);
  dsp::ChainSettings other = settings;
  other.feeds = feeds;
  EXPECT_NE(answer(other), right) << "a feed's section";
  std::vector<dsp::LoudspeakerSettings> boxes(settings.loudspeakers.begin(), settings.loudspeakers.end());
  for (const bool low : {false, true}) {
    std::vector<dsp::PointSettings> points(boxes[0].points.begin(), boxes[0].points.end());
    std::vector<dsp::LoudspeakerSettings> changed = boxes;
    (low ? points[0].low_pass : points[0].high_pass) = nudged(low ? points[0].low_pass : points[0].high_pass);
    for (dsp::LoudspeakerSettings& box : changed) box.points = points;
    other = settings;
    other.loudspeakers = changed;
    EXPECT_NE(answer(other), right) << "the split";
  }
  EXPECT_NE(with_output([](dsp::OutputSettings& out) { out.gain = std::nextafter(out.gain, 0.0f); }), right);
  EXPECT_NE(with_output([](dsp::OutputSettings& out) { ++out.delay.whole_samples; }), right);
  EXPECT_NE(with_output([](dsp::OutputSettings& out) { out.peak.ceiling = std::nextafter(out.peak.ceiling, 0.0f); }),
            right);
  EXPECT_NE(with_output(
                [](dsp::OutputSettings& out) { out.peak.release_keep = std::nextafter(out.peak.release_keep, 0.0f); }),
            right);
  EXPECT_NE(with_output([](dsp::OutputSettings& out) { out.power.enabled = false; }), right)
      << "the power limiter is idle";
  EXPECT_NE(with_output([](dsp::OutputSettings& out) { out.peak.true_peak = false; }), right);
  // An output that begins muted is heard there, so that nothing of it is left unlooked at.
  EXPECT_EQ(with_output([](dsp::OutputSettings& out) { out.muted = true; }), right);
}
/// A copy of settings of which every list can be written to.
struct OwnSettings {
  std::deque<std::vector<dsp::Section>> sections;
  std::deque<std::vector<dsp::PointSettings>> points;
  std::deque<std::vector<float>> mixes;
  std::vector<dsp::FeedSettings> feeds;
  std::vector<dsp::LoudspeakerSettings> boxes;
  std::vector<dsp::OutputSettings> outputs;
  dsp::ChainSettings chain;

  explicit OwnSettings(const dsp::ChainSettings& from)
      : feeds(from.feeds.begin(), from.feeds.end()),
        boxes(from.loudspeakers.begin(), from.loudspeakers.end()),
        outputs(from.outputs.begin(), from.outputs.end()),
        chain(from) {
    for (dsp::FeedSettings& feed : feeds) own(sections, feed.sections);
    for (dsp::LoudspeakerSettings& box : boxes) {
      own(sections, box.sections);
      own(mixes, box.mix);
      std::vector<dsp::PointSettings>& mine = own(points, box.points);
      for (dsp::PointSettings& point : mine)
        for (auto* const list : {&point.low_pass, &point.high_pass, &point.all_pass}) own(sections, *list);
    }
    for (dsp::OutputSettings& out : outputs) own(sections, out.sections);
    chain.feeds = feeds;
    chain.loudspeakers = boxes;
    chain.outputs = outputs;
  }
  OwnSettings(const OwnSettings&) = delete;
  OwnSettings& operator=(const OwnSettings&) = delete;

  /// use(bytes, bits, name) for every number; of a bool the one bit that a bool has.
  template <class Use>
  void each_number(Use&& use) {
    const auto number = [&](auto& one, const std::string& name) {
      const bool flag = std::is_same_v<std::remove_reference_t<decltype(one)>, bool>;
      use(reinterpret_cast<unsigned char*>(&one), flag ? 1 : 8 * static_cast<int>(sizeof one), name);
    };
    for (auto& list : sections)
      for (dsp::Section& s : list)
        for (float* const one : {&s.mix_v, &s.mix_1, &s.mix_2, &s.rate, &s.damp, &s.cross}) number(*one, "section");
    for (auto& list : mixes)
      for (float& one : list) number(one, "mix");
    for (dsp::FeedSettings& feed : feeds) number(feed.gain, "feed gain");
    for (dsp::LoudspeakerSettings& box : boxes) {
      number(box.source, "source");
      number(box.gain, "loudspeaker gain");
    }
    for (dsp::OutputSettings& out : outputs) {
      number(out.loudspeaker, "loudspeaker");
      number(out.way, "way");
      number(out.gain, "gain");
      number(out.delay.whole_samples, "delay");
      number(out.delay.fractional, "fractional");
      for (float& tap : out.delay.taps) number(tap, "tap");
      number(out.power.enabled, "power");
      number(out.power.threshold_rms, "threshold");
      number(out.power.forget, "forget");
      number(out.peak.enabled, "peak");
      number(out.peak.ceiling, "ceiling");
      number(out.peak.look_ahead_samples, "look-ahead");
      number(out.peak.hold_samples, "hold");
      number(out.peak.release_keep, "release");
      number(out.peak.true_peak, "true peak");
      number(out.muted, "muted");
    }
    number(chain.sample_rate_hz, "sample rate");
    number(chain.latency_samples, "latency");
  }
  /// use(span, name) for every list.
  template <class Use>
  void each_list(Use&& use) {
    for (dsp::FeedSettings& feed : feeds) use(feed.sections, "feed sections");
    for (dsp::LoudspeakerSettings& box : boxes) {
      use(box.sections, "loudspeaker sections");
      use(box.mix, "mix");
      use(box.points, "points");
    }
    for (auto& list : points)
      for (dsp::PointSettings& point : list)
        for (auto* const one : {&point.low_pass, &point.high_pass, &point.all_pass}) use(*one, "point");
    for (dsp::OutputSettings& out : outputs) use(out.sections, "output sections");
    use(chain.feeds, "feeds");
    use(chain.loudspeakers, "loudspeakers");
    use(chain.outputs, "outputs");
  }

 private:
  template <class T>
  static std::vector<T>& own(std::deque<std::vector<T>>& store, std::span<const T>& list) {
    std::vector<T>& mine = store.emplace_back(list.begin(), list.end());
    list = mine;
    return mine;
  }
};
// What cannot be looked at so: an address (what it then points to is read; out of all memory it faults), a list that
// became longer (likewise), the seven bits of a bool that no bool has, padding, and of the preset its names, sizes and
// group, which play nothing.
TEST_F(SelfTest, EveryFlippedBitOfTheNumbersIsRefused) {
  for (const char* const name : {"two-way-top.toml", "three-way-mono-sub.toml", "town-square.toml"}) {
    const CompiledRig compiled = compile(test::demo_rig(name));
    OwnSettings own(compiled.settings());
    const dsp::Preset preset{"a", own.chain, {}, fingerprint(compiled), self_test_answer(compiled), 64, 0, 1};
    const auto passes = [&] {
      dsp::Preset now = preset;
      now.chain = own.chain;
      std::vector<std::byte> memory(2 * dsp::bytes_in_one_lane(compiled.settings()) + 65536);
      return dsp::self_test<dsp::kMaxFeeds, dsp::kMaxOutputs>(now, memory);
    };
    ASSERT_TRUE(passes());
    std::size_t flips = 0;
    std::map<std::string, int> passed;
    own.each_number([&](unsigned char* bytes, int bits, const std::string& what) {
      for (int bit = 0; bit < bits; ++bit, ++flips) {
        bytes[bit / 8] = static_cast<unsigned char>(bytes[bit / 8] ^ 1u << bit % 8);
        if (passes()) ++passed[what];
        bytes[bit / 8] = static_cast<unsigned char>(bytes[bit / 8] ^ 1u << bit % 8);
      }
    });
    own.each_list([&](auto& list, const std::string& what) {
      const auto whole = list;
      for (std::size_t bit = 1; bit <= whole.size(); bit *= 2, ++flips) {
        if ((whole.size() & bit) == 0) continue;
        list = whole.first(whole.size() - bit);
        if (passes()) ++passed[what + ", fewer"];
      }
      list = whole;
    });
    EXPECT_THAT(passed, testing::IsEmpty()) << name;
    EXPECT_GT(flips, 5000u);
    EXPECT_TRUE(passes()) << "all was put back";
  }
}
// The compiler knows a table of constants: it must read them nevertheless.
TEST_F(SelfTest, SeesABitThatFlippedInTheProgramItself) {
  if (test::kSanitized) GTEST_SKIP() << kNotWatched;
  const CompiledRig compiled = compile(test::demo_rig("two-way-top.toml"));
  const dsp::OutputSettings& out = compiled.settings().outputs[2];
  std::string threshold(8, '\0');  // beside it the thermal time: nothing but the table has both
  std::memcpy(threshold.data(), &out.power.threshold_rms, 4);
  std::memcpy(threshold.data() + 4, &out.power.forget, 4);
  for (const char* const flags : {"-ffp-contract=off", "-ffp-contract=off -O3 -flto"}) {
    ASSERT_EQ(passes("two-way-top", flags, flags), 0) << flags;
    const std::string program = test::bytes_of(folder_ / "self");
    std::size_t found = 0;
    const auto ends_of = [&](const std::string& bytes) {
      write_file(folder_ / "copy", bytes);
      fs::permissions(folder_ / "copy", fs::perms::owner_all);
      return WEXITSTATUS(std::system(fmt::format("'{}/copy'", folder_.string()).c_str()));
    };
    EXPECT_EQ(ends_of(program), 0) << flags;
    for (std::size_t at = 0; (at = program.find(threshold, at)) != std::string::npos; ++at, ++found) {
      std::string damaged = program;
      damaged[at + 2] = static_cast<char>(damaged[at + 2] ^ 0x40);  // a quarter more, or less
      EXPECT_EQ(ends_of(damaged), 1) << flags;
    }
    EXPECT_GT(found, 0u) << flags;
  }
}
TEST_F(SelfTest, TooLittleMemoryIsNoPass) {
  const rig::Rig rig = test::demo_rig("two-way-top.toml");
  const CompiledRig compiled = compile(rig);
  const dsp::Preset preset{"a", compiled.settings(), {}, fingerprint(compiled), self_test_answer(compiled), 64, 0, 1};
  std::vector<std::byte> memory(dsp::bytes_in_one_lane(compiled.settings()));
  EXPECT_TRUE((dsp::self_test<2, 4>(preset, memory)));
  EXPECT_FALSE((dsp::self_test<2, 4>(preset, std::span(memory).first(memory.size() - 1))));
  EXPECT_FALSE((dsp::self_test<2, 3>(preset, memory))) << "more outputs than it has room for";
  EXPECT_FALSE((dsp::self_test<1, 4>(preset, memory)));
}

TEST_F(Numbers, ACompilerThatIsTooOldOrToldWrongSaysSo) {
  write_file(folder_ / "first.cpp", "#include \"dsp/chain/chain.hpp\"\n");
  const auto said = [&](const std::string& flags) {
    const int status = std::system(
        fmt::format("cd '{}' && c++ {} -fsyntax-only -I. first.cpp 2>words", folder_.string(), flags).c_str());
    return (status == 0 ? "built: " : "") + test::bytes_of(folder_ / "words").substr(0, 800);
  };
  EXPECT_EQ(said("-std=c++20"), "built: ");
  EXPECT_THAT(said("-std=c++17"), HasSubstr("Build with -std=c++20"));
  EXPECT_THAT(said("-std=c++20 -ffast-math"), HasSubstr("-ffast-math the samples"));
  EXPECT_THAT(said("-std=c++20 -ffinite-math-only"), HasSubstr("-ffinite-math-only a bad sample"));
  EXPECT_THAT(said("-std=c++20 -U__GNUC__ -D__GNUC__=10"), HasSubstr("this g++ is too old"));
}

// Two feeds of 3 sections; a split of 2 low-pass and 2 high-pass sections each; a high-pass of 2 on each low output.
TEST(Sections, CountOnceWhatWaysShare) {
  EXPECT_EQ(sections_in_one_lane(compile(test::demo_rig("two-way-top.toml"))), 18u);
}

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
