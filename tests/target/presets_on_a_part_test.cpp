// Must hold: a project of its own, with nothing but what `export` wrote, holds three presets of two rigs on an emulated
// Cortex-M7, changes between them without a click or a sample above the ceilings, mutes, all with the bits that it has
// here, and passes its self-test; built with contracted products it does not. And two named exports in one program keep their own ceilings there.
#include <fmt/format.h>
#include <gtest/gtest.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <string>
#include <vector>

#include "harness/calibration/compile.hpp"
#include "harness/firmware/parts.hpp"
#include "harness/firmware/sources.hpp"
#include "harness/rig/rig.hpp"
#include "tests/harness/edited.hpp"
#include "tests/harness/scratch.hpp"

namespace rackproof::firmware {
namespace {

namespace fs = std::filesystem;

/// What the project's own source does: `program OUT PRESET`, PRESET the one that plays alone, or 9: all, one after
/// another, then a mute. Frames of the changes below.
constexpr const char* kProject = R"(
#include "chain_numbers.hpp"
#include "dsp/chain/preset.hpp"
#include "dsp/chain/switch.hpp"
#include "harness/part/machine.hpp"
using namespace rackproof;
using chain_numbers::kPresets;
namespace machine = firmware::machine;
constexpr dsp::SwitchPlan kPlan = [] {
  dsp::SwitchPlan plan = dsp::switch_plan(kPresets, 1);
  plan.settle_frames = 2048;
  return plan;
}();
static_assert(kPlan.outputs == 4 && kPlan.feeds == 2 && std::size(kPresets) == 3);
alignas(8) constinit std::byte memory[dsp::ChainSwitch::required_bytes(kPlan)]{};
constinit dsp::ChainSwitch chains;
constinit float in[2][64]{}, out[4][64]{}, frames[4 * 64]{};
int main(int argc, char** argv) {
  if (argc != 3) return 10;
  for (const dsp::Preset& preset : kPresets)
    if (!chain_numbers::self_test(preset, memory)) return 4;
  const int only = argv[2][0] - '0';
  if (chains.configure(kPlan, kPresets[only == 9 ? 0 : only].chain, memory, dsp::Level::lanes_1) != dsp::Setup::ok)
    return 1;
  machine::File file(argv[1], machine::Mode::write);
  if (!file.opened()) return 11;
  const float* const from[] = {in[0], in[1]};
  float* const to[] = {out[0], out[1], out[2], out[3]};
  float x = 0.0f, y = 4.0f;  // a sine 12 dB over full scale, and in the other feed a quiet one in quadrature
  for (unsigned block = 0; block < 450; ++block) {
    if (only == 9 && (block == 120 || block == 220 || block == 320)) {
      if (chains.change(kPresets[(block / 100) % 3].chain) != dsp::Change::taken) return 5;
    }
    if (only == 9 && (block == 219 || block == 319 || block == 419) && chains.busy()) return 6;
    if (only == 9 && block == 430)
      for (std::size_t o = 0; o < 4; ++o) chains.mute(o, true);
    for (unsigned n = 0; n < 64; ++n) {
      const float next = x + 0.05f * y;  // 382 Hz at 48 kHz
      y -= 0.05f * next;
      x = next;
      in[0][n] = x;
      in[1][n] = 0.01f * y;
    }
    chains.process(from, to, 64);
    for (unsigned n = 0; n < 64; ++n)
      for (unsigned o = 0; o < 4; ++o) frames[4 * n + o] = out[o][n];
    if (!file.write(frames, sizeof frames)) return 12;
  }
  return file.close() ? 0 : 13;
}
)";
constexpr std::size_t kChanges[] = {120 * 64, 220 * 64, 320 * 64}, kMuted = 430 * 64;
constexpr std::size_t kPlays[] = {0, 1, 2, 0};  // before the first change, and from each on

class ProjectOfItsOwn : public testing::Test {
 protected:
  void SetUp() override {
    folder_ = fs::temp_directory_path() / fmt::format("rackproof_project_{}", ::getpid());
    fs::remove_all(folder_);
    fs::create_directories(folder_);
    const std::string hall = test::bytes_of(fs::path(RACKPROOF_SOURCE_DIR) / "audio_fixtures/two-way-top.toml");
    write_file(folder_ / "hall.toml", hall);
    write_file(folder_ / "late.toml", test::edited(hall, "240 Hz", "300 Hz"));  // the same rig, equalised otherwise
    // Another rig: its points elsewhere, its limits 7 dB lower.
    std::string other = test::edited(hall, "1.6 kHz", "2.2 kHz");
    for (std::size_t at = 0; (at = other.find("below_clip = \"", at)) != std::string::npos; at += 14)
      other.replace(at + 14, other.find('"', at + 14) - at - 14, "9 dB");
    write_file(folder_ / "other.toml", other);
  }
  void TearDown() override { fs::remove_all(folder_); }
  int run(const std::string& line) const {
    const int status =
        std::system(fmt::format("cd '{}' && {{ {}; }} >words 2>&1 </dev/null", folder_.string(), line).c_str());
    return WIFEXITED(status) ? WEXITSTATUS(status) : 128;
  }
  std::string words() const { return test::bytes_of(folder_ / "words"); }
  int build(const std::string& sources, const std::string& flags, const std::string& chain_flags,
            const std::string& out) {
    write_sources(folder_, "harness/part/");
    const std::string common = fmt::format(
        "{}g++ -std=c++20 -O2 {} -fno-exceptions -fno-rtti -fno-threadsafe-statics -ffunction-sections -fdata-sections "
        "-DNDEBUG -Wall -Wextra -Wdouble-promotion -Werror -I.",
        part_.tools, part_.flags);
    return run(fmt::format(
        "{0} {1} -c dsp/chain/chain.cpp -o chain.o && {0} {2} {3} chain.o harness/part/start.cpp -o {4} -nostartfiles "
        "-Wl,-T,harness/part/part.ld -Wl,--gc-sections -Wl,--fatal-warnings -Wl,--defsym=FLASH_BYTES={5} "
        "-Wl,--defsym=RAM_BYTES={6} -Wl,--defsym=STACK_BYTES={7} -Wl,--defsym=FLASH_ORIGIN=0 "
        "-Wl,--defsym=RAM_ORIGIN=0x20000000",
        common, chain_flags, flags, sources, out, part_.flash_bytes, part_.ram_bytes, part_.stack_bytes));
  }
  int emulate(const std::string& program, const std::string& arguments) const {
    std::string given;
    std::istringstream each(arguments);
    for (std::string word; each >> word;) given += ",arg=" + word;
    return run(
        fmt::format("timeout --foreground --kill-after=5 60 {} -nodefaults -display none -monitor none -serial none "
                    "-chardev stdio,id=words,signal=off -semihosting-config "
                    "enable=on,target=native,chardev=words,arg=program{} -kernel {}",
                    part_.emulator, given, program));
  }
  /// One row an output.
  std::vector<std::vector<float>> rows_of(const std::string& name) const {
    const std::string bytes = test::bytes_of(folder_ / name);
    std::vector<float> all(bytes.size() / sizeof(float));
    std::copy_n(bytes.data(), all.size() * sizeof(float), reinterpret_cast<char*>(all.data()));
    std::vector<std::vector<float>> rows(4);
    for (std::size_t n = 0; n < all.size(); ++n) rows[n % 4].push_back(all[n]);
    return rows;
  }
  fs::path folder_;
  const Part& part_ = part_called("cortex-m7");
};

/// The largest second difference of the samples from `from` to before `to`.
double sharpest(const std::vector<float>& row, std::size_t from, std::size_t to) {
  double most = 0;
  for (std::size_t n = from + 2; n < to; ++n)
    most = std::max(most, std::abs(static_cast<double>(row[n]) - 2.0 * static_cast<double>(row[n - 1]) +
                                   static_cast<double>(row[n - 2])));
  return most;
}

TEST_F(ProjectOfItsOwn, ChangesPresetsOnAPartWithoutAClickAndSeesAWrongBuild) {
  ASSERT_EQ(run("'" RACKPROOF_PROGRAM "' export hall.toml late.toml other.toml -o . --core --name stage --quiet"), 0)
      << words();
  write_file(folder_ / "project.cpp", kProject);
  ASSERT_EQ(build("project.cpp", "-ffp-contract=off", "-ffp-contract=off", "right"), 0) << words();
  for (const char* const preset : {"0", "1", "2", "9"})
    ASSERT_EQ(emulate("right", fmt::format("out{0} {0}", preset)), 0) << preset << words();

  ASSERT_EQ(run("c++ -std=c++20 -O2 -DNDEBUG -ffp-contract=off -I. project.cpp dsp/chain/chain.cpp -o here && ./here "
                "here9 9"),
            0)
      << words();
  EXPECT_EQ(test::bytes_of(folder_ / "here9"), test::bytes_of(folder_ / "out9")) << "the same bits on this machine";

  std::vector<float> ceilings[3];
  for (std::size_t p = 0; p < 3; ++p) {
    const rig::Rig rig = rig::load_rig(folder_ / (std::string(std::array{"hall", "late", "other"}[p]) + ".toml"));
    const CompiledRig compiled = compile(rig);
    for (const dsp::OutputSettings& out : compiled.settings().outputs) ceilings[p].push_back(out.peak.ceiling);
  }
  ASSERT_LT(ceilings[2][0], 0.6f * ceilings[0][0]);
  const std::vector<std::vector<float>> alone[3] = {rows_of("out0"), rows_of("out1"), rows_of("out2")};
  const std::vector<std::vector<float>> changed = rows_of("out9");
  for (std::size_t o = 0; o < 4; ++o) {
    SCOPED_TRACE(o);
    ASSERT_EQ(changed[o].size(), 450u * 64);
    bool control = false;
    for (std::size_t c = 0; c < std::size(kChanges); ++c) {
      const std::size_t from = kChanges[c], to = from + 99 * 64, a = kPlays[c], b = kPlays[c + 1];
      const float greater = std::max(ceilings[a][o], ceilings[b][o]), lower = std::min(ceilings[a][o], ceilings[b][o]);
      for (std::size_t n = from; n < to; ++n) {
        ASSERT_LE(std::abs(changed[o][n]), greater) << "change " << c << ", frame " << n - from;
        const bool held = ceilings[b][o] <= ceilings[a][o] && n >= from + 256;
        if (held) ASSERT_LE(std::abs(changed[o][n]), lower) << "change " << c << ", frame " << n - from;
      }
      // Each preset alone from where it has settled. What a straight fade's two ends and a ceiling's descent in 256
      // frames add to the slope, as switch.hpp says.
      const double allowed = std::max(sharpest(alone[a][o], from, to), sharpest(alone[b][o], from, to));
      const double ends = static_cast<double>(greater) * (2.0 / 2048 + (lower < greater ? 1.0 / 256 : 0.0));
      EXPECT_LE(sharpest(changed[o], from - 64, to), allowed + ends) << "change " << c;
      // The control: the same change without a fade.
      std::vector<float> hard(alone[a][o].begin(), alone[a][o].begin() + static_cast<std::ptrdiff_t>(from + 40));
      hard.insert(hard.end(), alone[b][o].begin() + static_cast<std::ptrdiff_t>(from + 40), alone[b][o].end());
      control = control || sharpest(hard, from - 64, to) > allowed + ends;
    }
    if (o % 2 == 0) EXPECT_TRUE(control) << "a hard change would pass too";
    for (std::size_t n = kMuted + 128; n < changed[o].size(); ++n) ASSERT_EQ(changed[o][n], 0.0f) << "muted";
    EXPECT_GT(sharpest(alone[0][o], 6000, 12000), 0.0) << "nothing is heard";
  }

  ASSERT_EQ(build("project.cpp", "-ffp-contract=fast", "-ffp-contract=fast", "contracted"), 0) << words();
  EXPECT_EQ(emulate("contracted", "outc 9"), 4) << words();
  ASSERT_EQ(build("project.cpp", "-ffp-contract=off", "", "forgotten"), 0) << words();  // gcc's own default
  EXPECT_EQ(emulate("forgotten", "outc 9"), 4) << words();
}

TEST_F(ProjectOfItsOwn, TwoNamedExportsKeepTheirCeilings) {
  ASSERT_EQ(run("'" RACKPROOF_PROGRAM "' export hall.toml -o . --core --name show --quiet && '" RACKPROOF_PROGRAM
                "' export hall.toml -o a --name show --quiet && '" RACKPROOF_PROGRAM
                "' export other.toml -o b --name show --quiet"),
            0)
      << words();
  std::string want;
  for (const auto& [name, rig_name] : {std::pair("a", "hall"), std::pair("b", "other")}) {
    write_file(folder_ / (std::string(name) + ".cpp"),
               fmt::format("#include \"{0}/chain_numbers.hpp\"\nconst rackproof::dsp::Preset& preset_{0}() {{ return "
                           "rackproof::chain_numbers::show::kPresets[0]; }}\n",
                           name));
    const CompiledRig compiled = compile(rig::load_rig(folder_ / (std::string(rig_name) + ".toml")));
    want += fmt::format("{:a}f, ", compiled.settings().outputs[0].peak.ceiling);
  }
  write_file(folder_ / "both.cpp",
             "#include \"dsp/chain/preset.hpp\"\nconst rackproof::dsp::Preset &preset_a(), &preset_b();\n"
             "int main(int, char**) {\n  constexpr float want[] = {" +
                 want +
                 "};\n"
                 "  if (preset_a().chain.outputs[0].peak.ceiling != want[0]) return 1;\n"
                 "  if (preset_b().chain.outputs[0].peak.ceiling != want[1]) return 2;\n"
                 "  return preset_a().fingerprint != preset_b().fingerprint ? 0 : 3;\n}\n");
  for (const char* const flags : {"-ffp-contract=off -O0", "-ffp-contract=off -flto"}) {
    ASSERT_EQ(build("a.cpp b.cpp both.cpp", flags, "-ffp-contract=off", "both"), 0) << flags << words();
    EXPECT_EQ(emulate("both", "none"), 0) << flags << words();
  }
}

}  // namespace
}  // namespace rackproof::firmware
