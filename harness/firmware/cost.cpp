#include "harness/firmware/cost.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <chrono>
#include <fstream>
#include <limits>
#include <numeric>
#include <random>

#include "dsp/chain/chain.hpp"
#include "harness/firmware/emulated_chain.hpp"
#include "harness/firmware/numbers.hpp"
#include "harness/part/reduced_chain.hpp"

namespace rackproof::firmware {
namespace {

constexpr std::size_t kBlocks = 400, kPasses = 9;

using Counts = std::vector<std::int64_t>;  // instructions of each block
Counts difference(const Counts& with, const Counts& without) {
  Counts saved(with);
  for (std::size_t b = 0; b < saved.size(); ++b) saved[b] -= without[b];
  return saved;
}
InstructionCost cost_of(std::string name, const Counts& counts, std::size_t block_frames) {
  const auto frames = static_cast<double>(block_frames);
  const auto all = static_cast<double>(std::accumulate(counts.begin(), counts.end(), std::int64_t{0}));
  return {std::move(name), all / frames / static_cast<double>(counts.size()),
          static_cast<double>(*std::max_element(counts.begin(), counts.end())) / frames};
}

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
  const EmulatedChain chain(part, numbers_header(rig, venue, compiled));
  const std::size_t block = rig.controller.block_frames;
  const std::vector<float> signal = programme(rig.feeds.size(), kBlocks * block);
  PartCost cost;
  const auto counts_without = [&](std::size_t stages, int output) {
    const EmulatedChain::Run run = chain.run({.frames = signal,
                                              .feeds = rig.feeds.size(),
                                              .block_frames = block,
                                              .stages_left_out = stages,
                                              .of_output = output});
    if (run.instructions_of_block.size() != kBlocks)
      throw MachineError(
          fmt::format("{}: counted {} blocks of {}", part.name, run.instructions_of_block.size(), kBlocks));
    if (stages == 0) cost.stack_bytes = run.stack_used_bytes, cost.state_bytes = run.state_bytes;
    return Counts(run.instructions_of_block.begin(), run.instructions_of_block.end());
  };

  const Counts whole = counts_without(0, -1);
  cost.whole = cost_of("whole chain", whole, block);
  Counts with = whole;
  for (std::size_t stages = 1; stages <= kStages; ++stages) {
    const Counts without = counts_without(stages, -1);
    cost.stages.push_back(cost_of(kStageNames[stages - 1], difference(with, without), block));
    with = without;
  }
  cost.stages.push_back(cost_of("door", with, block));
  std::reverse(cost.stages.begin(), cost.stages.end());
  constexpr std::size_t kBehindTheSplit = 4;
  for (std::size_t o = 0; o < compiled.outputs.size(); ++o)
    cost.outputs.push_back(cost_of(compiled.outputs[o].name,
                                   difference(whole, counts_without(kBehindTheSplit, static_cast<int>(o))), block));
  cost.flash_bytes = chain.flash_used_bytes(), cost.ram_bytes = chain.ram_used_bytes();
  cost.compiler = chain.compiler();
  return cost;
}

HostCost cost_here(const rig::Rig& rig, const CompiledRig& compiled, int output) {
  dsp::ChainSettings settings = compiled.settings();
  if (output >= 0) settings.outputs = settings.outputs.subspan(static_cast<std::size_t>(output), 1);
  const std::size_t block = rig.controller.block_frames, feeds = settings.feeds.size();
  const dsp::Level level = dsp::Chain::best();
  std::vector<std::byte> memory(dsp::Chain::required_bytes(settings, level));
  dsp::Chain chain;
  if (memory.empty() || chain.configure(settings, memory, level) != dsp::Setup::ok)
    throw InputError(fmt::format("{}: is beyond what the core carries", rig.file.string()));

  const std::vector<float> interleaved = programme(feeds, kBlocks * block);
  std::vector<std::vector<float>> in(feeds), out(settings.outputs.size(), std::vector<float>(block));
  for (std::size_t f = 0; f < feeds; ++f)
    for (std::size_t n = f; n < interleaved.size(); n += feeds) in[f].push_back(interleaved[n]);
  std::vector<const float*> from(feeds);
  std::vector<float*> to;
  for (std::vector<float>& row : out) to.push_back(row.data());

  using Clock = std::chrono::steady_clock;
  std::vector<double> least(kBlocks, std::numeric_limits<double>::max());
  for (std::size_t pass = 0; pass < kPasses; ++pass) {
    chain.reset();
    for (std::size_t b = 0; b < kBlocks; ++b) {
      for (std::size_t f = 0; f < feeds; ++f) from[f] = &in[f][b * block];
      const Clock::time_point begin = Clock::now();
      chain.process(from, to, block);
      const std::chrono::duration<double, std::nano> took = Clock::now() - begin;
      least[b] = std::min(least[b], took.count());
    }
  }
  const auto frames = static_cast<double>(block);
  return {std::accumulate(least.begin(), least.end(), 0.0) / frames / kBlocks,
          *std::max_element(least.begin(), least.end()) / frames, memory.size(), static_cast<std::size_t>(level)};
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
