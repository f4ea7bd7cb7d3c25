// Must hold: the chain's cost does not depend on what it hears. Silence, noise, limiting and a decay through the
// subnormal numbers take the same instructions a block, the worst block at most 1.15 times the mean of all; a switch
// takes at most 2.15 chains while two of them run, 1.05 while one does; and unless it is sent subnormal numbers it
// computes none, which would cost a hundred cycles where an instruction costs one. Under a constant input, filters may
// pass through them until they have settled on it.
// Instructions are counted by valgrind's callgrind, which runs this program once more, for each width that it knows.
#include <fcntl.h>
#include <gtest/gtest.h>
#include <sys/wait.h>
#include <unistd.h>
#if defined(__SSE__)
#include <xmmintrin.h>
#endif

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <map>
#include <numeric>
#include <string>
#include <vector>

#include "dsp/chain/switch.hpp"
#include "tests/dsp/chain/test_rig.hpp"
#if __has_include(<valgrind/callgrind.h>)
#include <valgrind/callgrind.h>
#endif
#if defined(__has_feature)
#if __has_feature(address_sanitizer)
#define RACKPROOF_WATCHED
#endif
#endif
#if defined(__SANITIZE_ADDRESS__)
#define RACKPROOF_WATCHED
#endif

namespace rackproof::dsp {
namespace {

using namespace rackproof::dsp::test;

constexpr std::size_t kBlock = kGridFrames, kBlocks = 60;

/// Two feeds of it. Noise stays below every limiter, limiting has bursts that they work on; decay halves every 12
/// frames, from full scale to the least subnormal number and beyond; after `stop` filters ring
/// and limiters let go by themselves; faint are normal numbers, but no product of two of them; offset is constant.
Signals signal(const std::string& name, std::size_t blocks = kBlocks) {
  Signals all(2, std::vector<float>(blocks * kBlock));
  for (std::size_t f = 0; f < 2; ++f) {
    std::mt19937 rng(static_cast<unsigned>(f) + 7);
    for (std::size_t n = 0; n < all[f].size(); ++n) {
      const double noise = uniform(rng), burst = n / 700 % 2 == 0 ? 2.0 : 0.3;
      const double shape = name == "noise"      ? 0.01 * noise
                           : name == "limiting" ? burst * noise
                           : name == "stop"     ? (n < 1000 ? 2.0 * noise : 0.0)
                           : name == "faint"    ? std::copysign(0x1p-110, noise)
                           : name == "offset"   ? 0.5
                           : name == "decay"    ? noise * std::exp2(-static_cast<double>(n) / 12.0)
                                                : 0.0;
      all[f][n] = static_cast<float>(shape);
    }
  }
  return all;
}
/// `around(work)` has to run `work`, which is one block.
template <class Around>
void every_block(Level level, const Signals& in, Around&& around) {
  const TestRig rig(2, 3, true);
  LentChain lent(rig.settings, level);
  ASSERT_EQ(lent.setup, Setup::ok);
  Signals out(lent.chain.outputs(), std::vector<float>(kBlock));
  std::vector<const float*> from(in.size());
  std::vector<float*> to;
  for (auto& output : out) to.push_back(output.data());
  for (std::size_t n = 0; n + kBlock <= in[0].size(); n += kBlock) {
    for (std::size_t f = 0; f < in.size(); ++f) from[f] = &in[f][n];
    around([&] { lent.chain.process(from, to, kBlock); });
  }
}

#if defined(CALLGRIND_ZERO_STATS) && !defined(RACKPROOF_WATCHED)
constexpr const char* kSignals[] = {"silence", "noise", "limiting", "decay"};

/// A dump of what `work` takes, under a name.
template <class Work>
void dump(const char* name, Work&& work) {
  CALLGRIND_ZERO_STATS;
  CALLGRIND_TOGGLE_COLLECT;
  work();
  CALLGRIND_TOGGLE_COLLECT;
  CALLGRIND_DUMP_STATS_AT(name);
}
/// A switch under the loud signal: blocks in which one chain runs, and all of a change.
void count_switch(Level level) {
  const TestRig rig(2, 3, true);
  SwitchPlan plan =
      SwitchPlan::of({&rig.settings, 1}, [&](const ChainSettings& s) { return Chain::required_bytes(s, level); });
  plan.settle_frames = 0;
  std::vector<std::byte> memory(ChainSwitch::required_bytes(plan));
  ChainSwitch made;
  if (made.configure(plan, rig.settings, memory, level) != Setup::ok) return;
  const Signals in = signal("limiting", 200);
  Signals out(made.outputs(), std::vector<float>(kBlock));
  std::vector<const float*> from(in.size());
  std::vector<float*> to;
  for (auto& output : out) to.push_back(output.data());
  for (std::size_t block = 0; block < 200; ++block) {
    for (std::size_t f = 0; f < in.size(); ++f) from[f] = &in[f][block * kBlock];
    if (block == 120) static_cast<void>(made.change(rig.settings));
    const auto work = [&] { made.process(from, to, kBlock); };
    if (block < 100)
      work();
    else if (block < 120)
      dump("one of two", work);
    else if (made.busy())
      dump("both of two", work);
  }
}
/// What callgrind runs: a dump a block, named by its signal.
void be_counted(Level level) {
  for (const char* name : kSignals) every_block(level, signal(name), [&](auto&& work) { dump(name, work); });
  count_switch(level);
}
using Counts = std::map<std::string, std::vector<double>>;
/// Instructions of each block, in no order.
Counts count(Level level) {
  namespace fs = std::filesystem;
  std::string folder = (fs::temp_directory_path() / "flat-cost-XXXXXX").string();
  if (::mkdtemp(folder.data()) == nullptr) return {};
  const std::string self = fs::read_symlink("/proc/self/exe").string();
  const pid_t child = ::fork();
  if (child == 0) {
    const int log = ::open((folder + "/log").c_str(), O_CREAT | O_WRONLY, 0600);
    ::dup2(log, STDOUT_FILENO), ::dup2(log, STDERR_FILENO);
    const std::string out = "--callgrind-out-file=" + folder + "/dump", lanes = std::to_string(static_cast<int>(level));
    ::execlp("valgrind", "valgrind", "--tool=callgrind", "--collect-atstart=no", out.c_str(), self.c_str(),
             "--be-counted", lanes.c_str(), nullptr);
    ::_exit(127);
  }
  int status = 0;
  ::waitpid(child, &status, 0);
  Counts counts;
  for (const auto& entry : fs::directory_iterator(folder)) {
    std::ifstream file(entry.path());
    std::string signal, line;
    while (std::getline(file, line)) {
      constexpr const char* kTrigger = "desc: Trigger: Client Request: ";
      if (line.starts_with(kTrigger)) signal = line.substr(std::string(kTrigger).size());
      if (line.starts_with("totals: ") && !signal.empty()) counts[signal].push_back(std::stod(line.substr(8)));
    }
  }
  if (status != 0) {
    std::ifstream log(folder + "/log");
    ADD_FAILURE() << "valgrind (Debian package of that name) ended with status " << status << ":\n" << log.rdbuf();
  }
  fs::remove_all(folder);
  return counts;
}

class FlatCost : public testing::TestWithParam<Level> {};
// 16 lanes are instructions that valgrind does not know; their code is that of 8.
INSTANTIATE_TEST_SUITE_P(, FlatCost, testing::Values(Level::lanes_1, Level::lanes_8),
                         [](const auto& level) { return "lanes_" + std::to_string(static_cast<int>(level.param)); });
TEST_P(FlatCost, EveryBlockOfEverySignalTakesTheSameInstructions) {
  if (!Chain::has(GetParam())) return;  // nothing of that width runs here
  const Counts counts = count(GetParam());
  double sum = 0, blocks = 0;
  for (const char* name : kSignals) {
    ASSERT_TRUE(counts.contains(name)) << name;
    ASSERT_EQ(counts.at(name).size(), kBlocks) << name;
    for (const double instructions : counts.at(name)) {
      sum += instructions;
      blocks += 1;
    }
  }
  for (const char* name : kSignals) {
    const auto& of = counts.at(name);
    const double worst = *std::ranges::max_element(of), mean = std::accumulate(of.begin(), of.end(), 0.0) / kBlocks;
    std::printf("%-9s %8.0f instructions a block, worst %8.0f: %.3f of the mean of all\n", name, mean, worst,
                worst * blocks / sum);
    EXPECT_GT(mean, 1000) << name;  // something has been counted
    EXPECT_LE(worst, 1.15 * sum / blocks) << name;
    EXPECT_GE(mean, sum / blocks / 1.15) << name;
  }
  const double chain = sum / blocks;
  const auto most = [&](const char* name) {
    return counts.contains(name) ? *std::ranges::max_element(counts.at(name)) / chain : 0.0;
  };
  std::printf("switch: %.3f chains while one is heard, %.3f while two run\n", most("one of two"), most("both of two"));
  EXPECT_GT(most("one of two"), 0.9);
  EXPECT_LE(most("one of two"), 1.05);  // the wishes, once a cell
  EXPECT_GT(most("both of two"), 1.8);
  EXPECT_LE(most("both of two"), 2.15);  // and a pass over the outputs, heat handed over
}
#elif !defined(RACKPROOF_WATCHED)
TEST(FlatCost, IsCountedByCallgrind) { FAIL() << "built without valgrind/callgrind.h: install valgrind"; }
#endif

#if defined(__SSE__)
class NoSubnormals : public testing::TestWithParam<Level> {};
INSTANTIATE_TEST_SUITE_P(, NoSubnormals,
                         testing::Values(Level::lanes_1, Level::lanes_4, Level::lanes_8, Level::lanes_16),
                         [](const auto& level) { return "lanes_" + std::to_string(static_cast<int>(level.param)); });
TEST_P(NoSubnormals, NothingThatIsComputedIs) {
  if (!Chain::has(GetParam())) return;
  // 3500 blocks: the limiter of this rig lets go in 0.05 s, and 87 times that is 2^-126. Its slowest filter is a
  // high-pass at 32 Hz, a pole of which falls by 400 dB in 0.6 s: 450 blocks.
  constexpr std::size_t kSettled = 450;
  const std::map<std::string, std::size_t> sent_in{{"silence", 100}, {"limiting", 100}, {"decay", 200},
                                                   {"faint", 1000},  {"stop", 3500},    {"offset", 3500}};
  for (const auto& pair : sent_in) {
    const std::string& name = pair.first;
    const std::size_t blocks = pair.second;
    const Signals in = signal(name, blocks);
    std::size_t block = 0, clean = 0;
    every_block(GetParam(), in, [&](auto&& work) {
      _mm_setcsr(_mm_getcsr() & ~unsigned{_MM_EXCEPT_MASK});
      work();
      const bool subnormal = (_mm_getcsr() & _MM_EXCEPT_UNDERFLOW) != 0;
      // What is sent in that small is passed on that small, through plain factors alone.
      const bool sent = std::ranges::any_of(in, [&](const std::vector<float>& feed) {
        return std::any_of(&feed[block * kBlock], &feed[block * kBlock] + kBlock,
                           [](float x) { return x != 0.0f && std::fabs(x) < 0x1p-120f; });
      });
      if (name != "offset" || block >= kSettled) EXPECT_FALSE(subnormal && !sent) << name << ", block " << block;
      clean += sent ? 0 : 1;
      ++block;
    });
    EXPECT_GE(clean + 10, blocks) << name;
  }
}
#endif

}  // namespace
}  // namespace rackproof::dsp

int main(int argc, char** argv) {
#if defined(CALLGRIND_ZERO_STATS) && !defined(RACKPROOF_WATCHED)
  if (argc == 3 && std::string(argv[1]) == "--be-counted") {
    rackproof::dsp::be_counted(static_cast<rackproof::dsp::Level>(std::atoi(argv[2])));
    return 0;
  }
#endif
  testing::InitGoogleTest(&argc, argv);
  return RUN_ALL_TESTS();
}
