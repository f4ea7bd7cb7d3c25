#pragma once
/// Instructions that this thread runs, as the processor counts them, without those that the system runs for it. Many a
/// virtual machine has no such counter and many a system lets no program have it: then it says why.
#include <cstdint>
#include <string>

namespace rackproof::firmware {

class InstructionCounter {
 public:
  InstructionCounter();
  /// Counts another of the system's events: `type` and `config` as in linux/perf_event.h.
  InstructionCounter(std::uint32_t type, std::uint64_t config);
  ~InstructionCounter();
  InstructionCounter(const InstructionCounter&) = delete;
  InstructionCounter& operator=(const InstructionCounter&) = delete;

  /// Why it does not count, or did not from some point on; empty where it counts.
  const std::string& refusal() const { return refusal_; }
  /// Since it was made; 0 where it does not count.
  std::int64_t now();

 private:
  void refuse(std::string why);
  int file_ = -1;
  std::string refusal_;
};

}  // namespace rackproof::firmware
