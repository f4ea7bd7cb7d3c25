#include "harness/firmware/parts.hpp"

#include <fmt/format.h>

#include "harness/rig/rig.hpp"

namespace rackproof::firmware {
namespace {

// Single precision in hardware alone, also where the kind is made with double: what runs so runs on both. The boards
// are the emulator's; the linker script offers less memory than they have.
constexpr std::string_view kBarePackages =
    "gcc-arm-none-eabi libnewlib-arm-none-eabi libstdc++-arm-none-eabi-newlib qemu-system-arm";
constexpr std::uint32_t kKiB = 1024, kMiB = 1024 * kKiB;
constexpr Part kParts[] = {
    {"cortex-m7", "Cortex-M7 with single precision, 512 KiB flash, 128 KiB RAM", "arm-none-eabi-",
     "-mcpu=cortex-m7 -mthumb -mfloat-abi=hard -mfpu=fpv5-sp-d16", "qemu-system-arm -M mps2-an500", kBarePackages,
     512 * kKiB, 128 * kKiB, 8 * kKiB, 400e6, 0x00000000, 0x20000000, 4 * kMiB, 4 * kMiB},
    {"cortex-m4", "Cortex-M4F, 256 KiB flash, 64 KiB RAM", "arm-none-eabi-",
     "-mcpu=cortex-m4 -mthumb -mfloat-abi=hard -mfpu=fpv4-sp-d16", "qemu-system-arm -M mps2-an386", kBarePackages,
     256 * kKiB, 64 * kKiB, 8 * kKiB, 168e6, 0x00000000, 0x20000000, 4 * kMiB, 4 * kMiB},
    {"cortex-m33", "Cortex-M33 with single precision, 512 KiB flash, 128 KiB RAM", "arm-none-eabi-",
     "-mcpu=cortex-m33 -mthumb -mfloat-abi=hard -mfpu=fpv5-sp-d16 -DRACKPROOF_SYSTICK_HZ=20000000",
     "qemu-system-arm -M mps2-an505", kBarePackages, 512 * kKiB, 128 * kKiB, 8 * kKiB, 160e6, 0x10000000, 0x38000000,
     4 * kMiB, 4 * kMiB},
    {"cortex-m55", "Cortex-M55, in one lane, 512 KiB flash, 256 KiB RAM", "arm-none-eabi-",
     "-mcpu=cortex-m55 -mthumb -mfloat-abi=hard -DRACKPROOF_SYSTICK_HZ=32000000", "qemu-system-arm -M mps3-an547",
     kBarePackages, 512 * kKiB, 256 * kKiB, 8 * kKiB, 400e6, 0x10000000, 0x30000000, 512 * kKiB, 512 * kKiB},
    {"aarch64", "64-bit Arm with Linux", "aarch64-linux-gnu-", "", "qemu-aarch64", "g++-aarch64-linux-gnu qemu-user"}};

}  // namespace

std::span<const Part> parts() { return kParts; }

const Part& part_called(std::string_view name) {
  std::string names;
  for (const Part& part : kParts) {
    if (part.name == name) return part;
    names += fmt::format("{}{}", names.empty() ? "" : ", ", part.name);
  }
  throw InputError(fmt::format("no part is called '{}'; there are {}", name, names));
}

std::vector<std::string> names_of_counting_parts() {
  std::vector<std::string> names;
  for (const Part& part : kParts)
    if (part.counts()) names.emplace_back(part.name);
  return names;
}

}  // namespace rackproof::firmware
