#pragma once
/// The parts that a chain can be built for and run on, emulated.
#include <cstddef>
#include <cstdint>
#include <span>
#include <string>
#include <string_view>
#include <vector>

namespace rackproof::firmware {

/// A processor with its memories. The Cortex-M parts are no one's product: what a small one of the kind has.
struct Part {
  std::string_view name, title;
  std::string_view tools;     ///< what its compiler's programs begin with: "arm-none-eabi-"
  std::string_view flags;     ///< that pick the processor
  std::string_view emulator;  ///< and its arguments
  std::string_view packages;  ///< Debian's, that bring compiler and emulator
  std::uint32_t flash_bytes = 0, ram_bytes = 0, stack_bytes = 0;  ///< 0: it has an operating system
  double clock_hz = 0;                                            ///< common for the kind; from memory
  std::uint32_t flash_origin = 0, ram_origin = 0;                 ///< on the emulator's board
  std::uint32_t board_flash_bytes = 0, board_ram_bytes = 0;       ///< that the board has, which is more
  bool counts() const { return ram_bytes > 0; }                   ///< its emulator counts instructions
};
std::span<const Part> parts();
/// Throws InputError that lists the names.
const Part& part_called(std::string_view name);
std::vector<std::string> names_of_counting_parts();

}  // namespace rackproof::firmware
