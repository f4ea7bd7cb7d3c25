#include "harness/firmware/cost.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <chrono>
#include <deque>
#include <fstream>
#include <limits>
#include <numeric>
#include <random>

#include "dsp/chain/chain.hpp"
#include "dsp/chain/one_lane.hpp"
#include "harness/firmware/emulated_chain.hpp"
#include "harness/firmware/numbers.hpp"
#include "harness/part/reduced_chain.hpp"

namespace rackproof::firmware {
namespace {

constexpr std::size_t kBlocks = 400;

using PerBlock = std::vector<double>;  // what each block took
PerBlock difference(const PerBlock& with, const PerBlock& without) {
  PerBlock saved(with);
  for (std::size_t b = 0; b < saved.size(); ++b) saved[b] -= without[b];
  return saved;
}
Cost cost_of(std::string name, const PerBlock& blocks, std::size_t block_frames) {
  const auto frames = static_cast<double>(block_frames);
  const double all = std::accumulate(blocks.begin(), blocks.end(), 0.0);
  return {std::move(name), all / frames / static_cast<double>(blocks.size()),
          *std::max_element(blocks.begin(), blocks.end()) / frames};
}
/// From what the chain took without its first n stages, n = 0 .. kStages.
ChainCost chain_cost(const std::array<PerBlock, kStages + 1>& without, std::size_t block_frames) {
  ChainCost cost{cost_of("whole chain", without[0], block_frames), {cost_of("input", without[kStages], block_frames)}};
  for (std::size_t n = kStages; n-- > 0;)
    cost.stages.push_back(cost_of(kStageNames[n], difference(without[n], without[n + 1]), block_frames));
  return cost;
}

/// Chains that take turns over one programme, on this machine.
class Turns {
 public:
  Turns(const rig::Rig& rig, std::size_t outputs)
      : rig_(rig), block_(rig.controller.block_frames), blocks_(std::max(kLeastBlocks, kFrames / block_)) {
    const std::size_t feeds = rig.feeds.size();
    const std::vector<float> interleaved = programme(feeds, blocks_ * block_);
    in_.resize(feeds);
    out_.assign(outputs, std::vector<float>(block_));
    for (std::size_t n = 0; n < interleaved.size(); ++n) in_[n % feeds].push_back(interleaved[n]);
    for (std::vector<float>& row : out_) to_.push_back(row.data());
  }
  /// Which of the chains it is: the last one again where the numbers are the same.
  std::size_t add(const dsp::ChainSettings& settings) {
    const std::uint64_t print = dsp::Fingerprint::of(settings);
    if (!chains_.empty() && chains_.back().print == print) return chains_.size() - 1;
    Entry& made = chains_.emplace_back();
    made.print = print;
    made.outputs = settings.outputs.size();
    made.memory.resize(dsp::Chain::required_bytes(settings));
    if (made.memory.empty() || made.chain.configure(settings, made.memory) != dsp::Setup::ok)
      throw InputError(fmt::format("{}: is beyond what the core carries", rig_.file.string()));
    return chains_.size() - 1;
  }
  std::size_t bytes_of(std::size_t chain) const { return chains_[chain].memory.size(); }

  /// The least that each block of each chain moved `now` on by, reading `now` itself taken out. Many passes find an
  /// undisturbed one of every block; what is slow is cut short.
  template <class Now>
  std::vector<PerBlock> least(std::size_t passes, Now now) {
    constexpr std::size_t kLeastPasses = 8;
    const auto enough = std::chrono::steady_clock::now() + std::chrono::seconds(2);
    constexpr double kMuch = std::numeric_limits<double>::max();
    double idle = kMuch;
    for (int reading = 0; reading < 1000; ++reading) {
      const std::int64_t begin = now(), end = now();
      idle = std::min(idle, static_cast<double>(end - begin));
    }
    std::vector<PerBlock> least(chains_.size(), PerBlock(blocks_, kMuch));
    std::vector<const float*> from(in_.size());
    for (std::size_t pass = 0; pass < passes; ++pass) {
      if (pass >= kLeastPasses && std::chrono::steady_clock::now() > enough) break;
      for (std::size_t c = 0; c < chains_.size(); ++c) {
        dsp::Chain& chain = chains_[c].chain;
        const auto to = std::span(to_).first(chains_[c].outputs);
        chain.reset();
        for (std::size_t b = 0; b < blocks_; ++b) {
          for (std::size_t f = 0; f < in_.size(); ++f) from[f] = &in_[f][b * block_];
          const std::int64_t begin = now();
          chain.process(from, to, block_);
          const std::int64_t end = now();
          least[c][b] = std::min(least[c][b], static_cast<double>(end - begin) - idle);
        }
      }
    }
    return least;
  }

 private:
  /// The programme's levels all pass more than twice, whatever the block.
  static constexpr std::size_t kLeastBlocks = 8, kFrames = kBlocks * 64;
  struct Entry {
    std::uint64_t print = 0;
    std::size_t outputs = 0;
    std::vector<std::byte> memory;
    dsp::Chain chain;
  };
  const rig::Rig& rig_;
  std::size_t block_, blocks_;
  std::vector<std::vector<float>> in_, out_;
  std::vector<float*> to_;
  std::deque<Entry> chains_;
};

}  // namespace

std::vector<float> programme(std::size_t feeds, std::size_t frames) {
  constexpr float kLevels[] = {0.1f, 4.0f, 0.0f, 1.0f};
  constexpr std::size_t kStepFrames = 2400;
  std::mt19937 rng(5489);
  std::vector<float> x(feeds * frames);
  for (std::size_t n = 0; n < x.size(); ++n) {
    const float noise = static_cast<float>(static_cast<std::int32_t>(rng())) * 0x1p-31f;
    x[n] = noise * kLevels[n / feeds / kStepFrames % std::size(kLevels)];
  }
  return x;
}

PartCost cost_on(const Part& part, const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& compiled) {
  constexpr std::uint32_t kRoomToLinkBytes = 256u << 20;  // so that what is too large has a size, and no linker's words
  const EmulatedChain chain(part, numbers_header(rig, venue, compiled),
                            EmulatedChain::Variation{.ram_bytes = kRoomToLinkBytes, .flash_bytes = kRoomToLinkBytes});
  const std::size_t block = rig.controller.block_frames;
  const std::vector<float> signal = programme(rig.feeds.size(), kBlocks * block);
  PartCost cost;
  cost.flash_bytes = chain.flash_used_bytes();
  cost.ram_bytes = chain.ram_used_bytes();
  cost.compiler = chain.compiler();
  cost.counted = cost.ram_bytes <= part.board_ram_bytes && cost.flash_bytes <= part.board_flash_bytes;
  if (!cost.counted) return cost;
  const auto counts_without = [&](std::size_t stages, int output) {
    const EmulatedChain::Run run = chain.run({.frames = signal,
                                              .feeds = rig.feeds.size(),
                                              .block_frames = block,
                                              .stages_left_out = stages,
                                              .of_output = output});
    if (run.instructions_of_block.size() != kBlocks)
      throw MachineError(
          fmt::format("{}: counted {} blocks of {}", part.name, run.instructions_of_block.size(), kBlocks));
    if (stages == 0) {
      cost.stack_bytes = run.stack_used_bytes;
      cost.state_bytes = run.state_bytes;
    }
    return PerBlock(run.instructions_of_block.begin(), run.instructions_of_block.end());
  };

  std::array<PerBlock, kStages + 1> without;
  for (std::size_t stages = 0; stages <= kStages; ++stages) without[stages] = counts_without(stages, -1);
  cost.instructions = chain_cost(without, block);
  constexpr std::size_t kBehindTheSplit = 4;
  for (std::size_t o = 0; o < compiled.outputs.size(); ++o)
    cost.outputs.push_back(cost_of(
        compiled.outputs[o].name, difference(without[0], counts_without(kBehindTheSplit, static_cast<int>(o))), block));
  return cost;
}

HostCost cost_here(const rig::Rig& rig, const CompiledRig& compiled, InstructionCounter& counter) {
  const dsp::ChainSettings whole = compiled.settings();
  const std::size_t block = rig.controller.block_frames;
  Turns turns(rig, whole.outputs.size());
  std::array<std::size_t, kStages + 1> without{};
  ReducedChain<dsp::kMaxFeeds, dsp::kMaxLoudspeakers, dsp::kMaxOutputs> reduced;
  for (std::size_t stages = 0; stages <= kStages; ++stages) without[stages] = turns.add(reduced.reduce(whole, stages));
  std::vector<std::size_t> alone;
  for (std::size_t o = 0; o < whole.outputs.size(); ++o) {
    dsp::ChainSettings one = whole;
    one.outputs = whole.outputs.subspan(o, 1);
    alone.push_back(turns.add(one));
  }
  const auto cost_from = [&](const std::vector<PerBlock>& least) {
    std::array<PerBlock, kStages + 1> blocks;
    for (std::size_t stages = 0; stages <= kStages; ++stages) blocks[stages] = least[without[stages]];
    return chain_cost(blocks, block);
  };

  constexpr std::size_t kPasses = 40, kCountingPasses = 2;  // the first count may hold what is done only once
  const std::vector<PerBlock> ns = turns.least(
      kPasses, [] { return std::chrono::nanoseconds(std::chrono::steady_clock::now().time_since_epoch()).count(); });
  HostCost cost;
  cost.state_bytes = turns.bytes_of(without[0]);
  cost.ns = cost_from(ns);
  for (std::size_t o = 0; o < alone.size(); ++o)
    cost.alone_ns.push_back(cost_of(compiled.outputs[o].name, ns[alone[o]], block));
  if (!counter.refusal().empty()) return cost;
  const std::vector<PerBlock> counts = turns.least(kCountingPasses, [&] { return counter.now(); });
  if (counter.refusal().empty()) cost.instructions = cost_from(counts);
  return cost;
}

std::string this_machine() {
  std::ifstream info("/proc/cpuinfo");
  std::string name = "a processor without a name";
  for (std::string line; std::getline(info, line);) {
    if (!line.starts_with("model name")) continue;
    name = line.substr(line.find(':') + 2);
    break;
  }
  return fmt::format("{}, {} lanes", name, static_cast<int>(dsp::Chain::best()));
}

}  // namespace rackproof::firmware
