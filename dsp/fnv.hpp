#pragma once
/// FNV-1a with 64 bits: one number for a run of bytes (G. Fowler, L. C. Noll, K.-P. Vo, D. Eastlake, IETF
/// draft-eastlake-fnv). It tells other bytes apart, not a forger's.
#include <bit>
#include <cstdint>

#include "dsp/compiler.hpp"
namespace rackproof::dsp {

/// The number, byte by byte.
class Fnv1a {
 public:
  /// One byte.
  constexpr void add_byte(std::uint8_t byte) noexcept { value_ = (value_ ^ byte) * 0x100000001b3u; }
  /// Its bytes from the lowest to the highest, whatever the machine's order.
  constexpr void add(std::uint32_t number) noexcept {
    for (int byte = 0; byte < 4; ++byte) add_byte(static_cast<std::uint8_t>(number >> 8 * byte & 0xffu));
  }
  /// Its bits, as a number.
  constexpr void add(float number) noexcept { add(std::bit_cast<std::uint32_t>(number)); }
  /// Of all bytes so far.
  constexpr std::uint64_t value() const noexcept { return value_; }

 private:
  std::uint64_t value_ = 0xcbf29ce484222325u;
};

}  // namespace rackproof::dsp
