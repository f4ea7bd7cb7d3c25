#pragma once
/// What a chain costs, stage by stage: in instructions on an emulated part, in time and, where the machine counts them,
/// in instructions here.
/// Theorem  the stages and what is left of the chain without them, its input stage, add up to the whole, block by block.
/// Method   the same programme through the chain, and through the chain without its last stages (see
///          harness/part/reduced_chain.hpp): a stage costs what is saved by leaving it out. Here the chains take turns,
///          and a block's time is the least of all turns. So a stage's time is a difference of two that each have
///          noise: one that costs next to nothing may read a little below 0. One that the rig does not have reads 0.
#include <cstddef>
#include <optional>
#include <string>
#include <vector>

#include "harness/calibration/compile.hpp"
#include "harness/firmware/instruction_counter.hpp"
#include "harness/firmware/parts.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof::firmware {

/// Interleaved, one value a feed: noise whose level steps from -20 dBFS to +12 dBFS and to silence, so that limiters
/// work, let go and rest. The same bits on every machine.
std::vector<float> programme(std::size_t feeds, std::size_t frames);

struct Cost {
  std::string name;
  double mean = 0, worst_block = 0;  ///< a frame: of all frames, and of the dearest block's
};
struct ChainCost {
  Cost whole;
  std::vector<Cost> stages;  ///< from the input on, the last to be left out first; they add up to the whole
};
struct PartCost {
  bool counted = true;  ///< false: more memory than even the emulator's board has; no instructions then
  ChainCost instructions;
  std::vector<Cost> outputs;    ///< what each output's own stages cost, behind the split
  std::size_t state_bytes = 0;  ///< what the chain is lent
  std::size_t stack_bytes = 0;  ///< that the program used
  std::size_t flash_bytes = 0, ram_bytes = 0;
  std::string compiler;
};
/// Built with as much memory as the emulator's board has: what the part itself has is the caller's to compare. Throws
/// MachineError where the part cannot be built for or run.
PartCost cost_on(const Part& part, const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& compiled);

struct HostCost {
  ChainCost ns;
  std::optional<ChainCost> instructions;  ///< nothing where the counter refuses
  std::vector<Cost> alone_ns;             ///< of each output as the only one of the rig, with its feeds and its split
  std::size_t state_bytes = 0;
};
HostCost cost_here(const rig::Rig& rig, const CompiledRig& compiled, InstructionCounter& counter);
/// Processor and register width, for a reader of the figures.
std::string this_machine();

}  // namespace rackproof::firmware
