#include "harness/firmware/instruction_counter.hpp"

#include <linux/perf_event.h>
#include <sys/syscall.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>
#include <utility>

namespace rackproof::firmware {
namespace {

std::string words_for(int error) {
  switch (error) {
    case EACCES:
    case EPERM:
      return "the system lets no program read the counter (kernel.perf_event_paranoid above 2, or a container)";
    case ENOENT:
    case ENODEV:
    case EOPNOTSUPP:
      return "this machine has no counter for them, as is usual of a virtual one";
    default:
      return std::string("the system refuses the counter: ") + std::strerror(error);
  }
}

}  // namespace

InstructionCounter::InstructionCounter() : InstructionCounter(PERF_TYPE_HARDWARE, PERF_COUNT_HW_INSTRUCTIONS) {}

InstructionCounter::InstructionCounter(std::uint32_t type, std::uint64_t config) {
  perf_event_attr event{};
  event.size = sizeof event;
  event.type = type;
  event.config = config;
  event.exclude_kernel = 1;
  event.exclude_hv = 1;
  event.pinned = 1;  // never shared with other events by turns: a count is whole, or reading it fails
  constexpr int kThisThread = 0, kAnyProcessor = -1, kNoGroup = -1;
  file_ = static_cast<int>(
      ::syscall(SYS_perf_event_open, &event, kThisThread, kAnyProcessor, kNoGroup, PERF_FLAG_FD_CLOEXEC));
  if (file_ < 0) {
    refuse(words_for(errno));
    return;
  }
  const std::int64_t before = now();
  for (volatile int turn = 0; turn < 1000;) turn = turn + 1;
  if (now() <= before) refuse("the machine's counter stands still");
}

InstructionCounter::~InstructionCounter() { refuse({}); }

void InstructionCounter::refuse(std::string why) {
  if (file_ >= 0) ::close(std::exchange(file_, -1));
  refusal_ = std::move(why);
}

std::int64_t InstructionCounter::now() {
  if (file_ < 0) return 0;
  std::int64_t count = 0;
  if (::read(file_, &count, sizeof count) == sizeof count) return count;
  refuse("the machine's counter was taken away");
  return 0;
}

}  // namespace rackproof::firmware
