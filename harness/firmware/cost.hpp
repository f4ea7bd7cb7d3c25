#pragma once
/// What a chain costs: in instructions on an emulated part, stage by stage, and in time on this machine.
/// Theorem  the stages and what is left of the chain without them add up to the whole, block by block.
/// Method   the same programme through the chain, and through the chain without its last stages (see
///          harness/part/reduced_chain.hpp): a stage costs what is saved by leaving it out.
#include <cstddef>
#include <cstdint>
#include <string>
#include <vector>

#include "harness/calibration/compile.hpp"
#include "harness/firmware/parts.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof::firmware {

/// Interleaved, one value a feed: noise whose level steps from -20 dBFS to +12 dBFS and to silence, so that limiters
/// work, let go and rest. The same bits on every machine.
std::vector<float> programme(std::size_t feeds, std::size_t frames);

struct InstructionCost {
  std::string name;
  double mean = 0, worst_block = 0;  ///< instructions a frame: of all frames, and of the dearest block's
};
struct PartCost {
  InstructionCost whole;
  std::vector<InstructionCost> stages;   ///< in the order of the signal; with the door, they add up to the whole
  std::vector<InstructionCost> outputs;  ///< what each output's own stages cost, behind the split
  std::size_t state_bytes = 0;           ///< what the chain is lent
  std::size_t stack_bytes = 0;           ///< that the program used
  std::size_t flash_bytes = 0, ram_bytes = 0;
  std::string compiler;
};
/// Throws MachineError where the part cannot be built for or run.
PartCost cost_on(const Part& part, const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& compiled);

struct HostCost {
  double ns_per_frame = 0;
  double ns_per_frame_worst_block = 0;  ///< of the dearest block, each block's time being the least of several passes
  std::size_t state_bytes = 0, lanes = 0;
};
/// `output`: that one alone, with its feeds and its split; -1: the whole rig.
HostCost cost_here(const rig::Rig& rig, const CompiledRig& compiled, int output = -1);
/// Processor and register width, for a reader of the figures.
std::string this_machine();

}  // namespace rackproof::firmware
