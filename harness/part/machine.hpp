#pragma once
/// The machine around an emulated part: files, words and an exit status by semihosting, instructions by a timer
/// (SysTick where RACKPROOF_SYSTICK_HZ is given). On a processor with an operating system the same by the standard
/// library, without the count.
#include <cstddef>
#include <cstdint>
#if defined(__ARM_ARCH_PROFILE) && __ARM_ARCH_PROFILE == 'M'
#define RACKPROOF_BARE_METAL
#else
#include <cstdio>
#include <cstdlib>
#endif

namespace rackproof::firmware::machine {

/// What the stack is filled with before it is used.
inline constexpr std::uint32_t kPaint = 0xc5c5c5c5;
enum class Mode : std::uint32_t { read = 1, write = 5 };  ///< "rb" and "wb", by semihosting's numbers

#ifdef RACKPROOF_BARE_METAL
/// Arm's "Semihosting for AArch32 and AArch64": the operation in r0, its arguments' address in r1.
inline std::int32_t call(std::uint32_t operation, const void* arguments) {
  register std::uint32_t r0 asm("r0") = operation;
  register const void* r1 asm("r1") = arguments;
  asm volatile("bkpt 0xab" : "+r"(r0) : "r"(r1) : "memory");
  return static_cast<std::int32_t>(r0);
}
inline std::uint32_t bits(const void* pointer) { return reinterpret_cast<std::uint32_t>(pointer); }

inline void say(const char* text) { call(0x04, text); }
[[noreturn]] inline void leave(int status) {
  const std::uint32_t reason[] = {0x20026, static_cast<std::uint32_t>(status)};  // the application has exited
  for (;;) call(0x20, reason);
}
template <std::size_t N>
void command_line(char (&text)[N]) {
  const std::uint32_t room[] = {bits(text), N - 1};
  if (call(0x15, room) != 0) text[0] = '\0';
}
class File {
 public:
  File(const char* name, Mode mode) {
    std::uint32_t length = 0;
    while (name[length] != '\0') ++length;
    const std::uint32_t wanted[] = {bits(name), static_cast<std::uint32_t>(mode), length};
    handle_ = call(0x01, wanted);
  }
  bool opened() const { return handle_ != -1; }
  /// Bytes read; fewer only at the end. (Semihosting gives those that are missing.)
  std::size_t read(void* to, std::size_t bytes) { return bytes - transfer(0x06, to, bytes); }
  bool write(const void* from, std::size_t bytes) { return transfer(0x05, from, bytes) == 0; }
  bool close() {
    const std::int32_t handle[] = {handle_};
    return call(0x02, handle) == 0;
  }

 private:
  std::size_t transfer(std::uint32_t operation, const void* memory, std::size_t bytes) {
    const std::uint32_t wanted[] = {static_cast<std::uint32_t>(handle_), bits(memory), bytes};
    return static_cast<std::size_t>(call(operation, wanted));
  }
  std::int32_t handle_;
};

#ifdef RACKPROOF_SYSTICK_HZ
/// The core's own timer (Armv7-M and Armv8-M: CSR, RVR, CVR from 0xe000e010), 24 bits, counting down at the board's
/// clock. With `-icount shift=10` an instruction takes 1024 ns.
inline volatile std::uint32_t* timer() { return reinterpret_cast<volatile std::uint32_t*>(0xe000e010); }
inline void start_count() {
  timer()[1] = 0xffffff;
  timer()[0] = 5;  // on, at the processor's clock, no interrupt
}
/// From here on; what is counted until `count_is_whole` is asked must fit 24 bits, some 500 000 instructions.
inline void restart_count() {
  timer()[2] = 0;
  static_cast<void>(timer()[0]);  // which clears the mark of having run out
}
inline bool count_is_whole() { return (timer()[0] & 0x10000u) == 0; }
inline std::uint32_t ticks() { return 0xffffff - timer()[2]; }
inline std::uint32_t instructions(std::uint32_t since, std::uint32_t now) {
  constexpr std::uint64_t kTicksOf1000 = std::uint64_t{RACKPROOF_SYSTICK_HZ} * 1024 / 1000000;  // instructions
  return static_cast<std::uint32_t>((std::uint64_t{now - since} * 1000 + kTicksOf1000 / 2) / kTicksOf1000);
}
#else
/// CMSDK timer 0 of the boards: 25 MHz, counting down. With `-icount shift=10` an instruction takes 1024 ns, 25.6
/// ticks.
inline volatile std::uint32_t* timer() { return reinterpret_cast<volatile std::uint32_t*>(0x40000000); }
inline void start_count() {
  timer()[0] = 0;
  timer()[2] = 0xffffffff;
  timer()[1] = 0xffffffff;
  timer()[0] = 1;
}
inline void restart_count() {}
inline bool count_is_whole() { return true; }
inline std::uint32_t ticks() { return ~timer()[1]; }
inline std::uint32_t instructions(std::uint32_t since, std::uint32_t now) {
  return static_cast<std::uint32_t>((std::uint64_t{now - since} * 10 + 128) / 256);
}
#endif
/// A loop of 2000 instructions reads as that, and the few around it: the emulator counts as it must.
inline bool counts() {
  std::uint32_t passes = 1000;
  restart_count();
  const std::uint32_t begin = ticks();
  asm volatile("1: subs %0, #1 \n bne 1b" : "+r"(passes) : : "cc");
  const std::uint32_t counted = instructions(begin, ticks());
  return count_is_whole() && counted >= 2000 && counted < 2016;
}

extern "C" std::uint32_t stack_begin[], stack_end[];
/// Bytes of the stack that have ever been used.
inline std::size_t stack_used() {
  const std::uint32_t* at = stack_begin;
  while (at != stack_end && *at == kPaint) ++at;
  return static_cast<std::size_t>(stack_end - at) * sizeof *at;
}
inline std::size_t stack_bytes() { return static_cast<std::size_t>(stack_end - stack_begin) * sizeof *stack_begin; }
#else
inline void say(const char* text) { std::fputs(text, stdout); }
[[noreturn]] inline void leave(int status) { std::exit(status); }
class File {
 public:
  File(const char* name, Mode mode) : file_(std::fopen(name, mode == Mode::read ? "rb" : "wb")) {}
  bool opened() const { return file_ != nullptr; }
  std::size_t read(void* to, std::size_t bytes) { return std::fread(to, 1, bytes, file_); }
  bool write(const void* from, std::size_t bytes) { return std::fwrite(from, 1, bytes, file_) == bytes; }
  bool close() { return std::fclose(file_) == 0; }

 private:
  std::FILE* file_;
};
inline void start_count() {}
inline void restart_count() {}
inline bool count_is_whole() { return true; }
inline std::uint32_t ticks() { return 0; }
inline std::uint32_t instructions(std::uint32_t, std::uint32_t) { return 0; }
inline bool counts() { return true; }
inline std::size_t stack_used() { return 0; }
inline std::size_t stack_bytes() { return 0; }
#endif

}  // namespace rackproof::firmware::machine
