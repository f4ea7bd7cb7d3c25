#pragma once
/// An exported chain, built by a part's compiler from the sources that the program carries, and run on the emulated
/// part. Theorem  the same chain, part, compiler and input give the same samples and the same count of instructions.
/// Method   bare metal: own start-up and linker script, files by semihosting, a clock that goes on by a fixed time an
///          instruction. What does not fit the part, calls a heap or computes in double precision does not link. A run
///          that hangs is ended.
/// Signals  Ctrl-C and a polite kill end what runs here, remove the folder of the work, and come out as Interrupted.
/// Limits   instructions, not cycles: nothing of waiting for memory, of interrupts, or of a division's length.
#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <span>
#include <string>
#include <vector>

#include "harness/files/interruption.hpp"
#include "harness/firmware/parts.hpp"

namespace rackproof::firmware {

class EmulatedChain {
 public:
  /// What a test changes to see it fall.
  struct Variation {
    std::string flags{};                                            ///< more for the compiler, after the others
    std::string source{};                                           ///< one more file, C++
    std::uint32_t ram_bytes = 0, stack_bytes = 0, flash_bytes = 0;  ///< instead of the part's
    unsigned timeout_s = 60;
  };
  struct Job {
    std::span<const float> frames;  ///< interleaved, one value a feed
    std::size_t feeds = 1, block_frames = 64;
    std::size_t stages_left_out = 0;  ///< see harness/part/reduced_chain.hpp
    int of_output = -1;               ///< -1: of all
    unsigned lanes = 1;
  };
  struct Run {
    std::vector<float> frames;  ///< interleaved, one value an output
    std::vector<std::uint32_t> instructions_of_block;
    std::size_t stack_used_bytes = 0, state_bytes = 0;  ///< state: what the chain is lent
  };

  /// Throws MachineError that says which packages are missing, or what the compiler said; files::Interrupted.
  EmulatedChain(const Part& part, const std::string& numbers_header, const Variation& variation);
  EmulatedChain(const Part& part, const std::string& numbers_header)
      : EmulatedChain(part, numbers_header, Variation{}) {}
  ~EmulatedChain();
  EmulatedChain(const EmulatedChain&) = delete;
  EmulatedChain& operator=(const EmulatedChain&) = delete;

  /// Throws MachineError with what the part said when it did not end well; files::Interrupted.
  Run run(const Job& job) const;

  std::size_t flash_used_bytes() const { return flash_used_bytes_; }  ///< code and constants
  std::size_t ram_used_bytes() const { return ram_used_bytes_; }      ///< with the whole stack
  const std::string& compiler() const { return compiler_; }           ///< its name and version

 private:
  files::Interruption interruption_;  // stands before there is anything to be removed
  const Part& part_;
  unsigned timeout_s_;
  std::filesystem::path folder_;
  std::string compiler_;
  std::size_t flash_used_bytes_ = 0, ram_used_bytes_ = 0;
};

}  // namespace rackproof::firmware
