// From reset to `main` on a Cortex-M: the floating-point unit on, memory as C++ expects it, the stack painted so that
// its use can be read, and every fault told.
#include <cstdint>

#include "harness/part/machine.hpp"

int main(int argc, char** argv);

extern "C" {
extern std::uint32_t stack_begin[], stack_end[], data_begin[], data_end[], bss_begin[], bss_end[];
extern const std::uint32_t data_from[];
[[noreturn]] void reset();
[[noreturn]] void fault();
}

namespace {
using rackproof::firmware::machine::kPaint;

/// The stack's end, then where to go: at reset, and for every fault.
[[gnu::section(".vectors"), gnu::used]] void (*const kVectors[16])() = {reinterpret_cast<void (*)()>(stack_end),
                                                                        reset,
                                                                        fault,
                                                                        fault,
                                                                        fault,
                                                                        fault,
                                                                        fault,
                                                                        fault,
                                                                        fault,
                                                                        fault,
                                                                        fault,
                                                                        fault,
                                                                        fault,
                                                                        fault,
                                                                        fault,
                                                                        fault};

constexpr int kMostArguments = 16;
char command_line[512];
char* arguments[kMostArguments + 1];

int split(char* text) {
  int count = 0;
  for (char* at = text; *at != '\0' && count < kMostArguments;) {
    arguments[count++] = at;
    while (*at != '\0' && *at != ' ') ++at;
    if (*at == ' ') *at++ = '\0';
  }
  return count;
}

[[gnu::used, noreturn]] void start() {
  const std::uint32_t* from = data_from;
  for (std::uint32_t* to = data_begin; to != data_end;) *to++ = *from++;
  for (std::uint32_t* to = bss_begin; to != bss_end;) *to++ = 0;
  rackproof::firmware::machine::command_line(command_line);
  rackproof::firmware::machine::leave(main(split(command_line), arguments));
}
[[gnu::used, noreturn]] void tell_fault() {
  const auto status = *reinterpret_cast<volatile std::uint32_t*>(0xe000ed28);  // CFSR, what kind of fault
  const bool stack = (status & 0x1010u) != 0;                                  // STKERR of bus and memory faults
  rackproof::firmware::machine::say(stack ? "fault: the stack overflowed\n" : "fault: the program went astray\n");
  rackproof::firmware::machine::leave(100);
}
}  // namespace

// Naked: no float may be touched before the unit is on, and nothing may use the stack while it is painted.
extern "C" [[gnu::naked]] void reset() {
  asm volatile(
      "ldr r0, =0xe000ed88 \n"  // CPACR: full access to the floating-point unit
      "ldr r1, [r0]        \n"
      "orr r1, r1, #0xf00000 \n"
      "str r1, [r0]        \n"
      "dsb                 \n"
      "isb                 \n"
      "ldr r0, =stack_begin \n"
      "ldr r1, =stack_end  \n"
      "ldr r2, =%c0        \n"
      "1: str r2, [r0], #4 \n"
      "cmp r0, r1          \n"
      "bne 1b              \n"
      "b %c1               \n"
      :
      : "i"(kPaint), "i"(start));
}
extern "C" [[gnu::naked]] void fault() {
  asm volatile(
      "ldr r0, =stack_end  \n"  // whatever the stack was, this one is good
      "mov sp, r0          \n"
      "b %c0               \n"
      :
      : "i"(tell_fault));
}
