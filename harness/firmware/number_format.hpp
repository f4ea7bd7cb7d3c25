#pragma once
/// The numbers of a processor that takes biquads: fixed point of any width, or IEEE 754 binary floating point.
/// Notation  qI.F has I bits ahead of the point, the sign among them, and F behind it: a code is a two's complement
///           integer of I + F bits, its value is code x 2^-F, and it holds -2^(I-1) to 2^(I-1) - 2^-F.
/// Claim     `held` is the nearest number that the format has (a tie: away from zero in fixed point, to even in
///           floating point), or nothing where that is beyond it. Nothing saturates, nothing wraps.
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

namespace rackproof::firmware {

struct NumberFormat {
  static constexpr int kLeastBits = 16, kMostBits = 64;

  bool floating = false;
  int integer_bits = 2;    ///< fixed point: with the sign, 1 or more
  int fraction_bits = 30;  ///< fixed point: 1 or more; floating point: those that are stored, 23 or 52

  int bits() const { return floating ? (fraction_bits == 23 ? 32 : 64) : integer_bits + fraction_bits; }
  std::string name() const;  ///< `q2.30`, `float32`
  /// Step between the numbers of fixed point; of floating point the one from 0.5 to 1, next below full scale.
  double step() const;
  double least() const;
  double greatest() const;

  friend bool operator==(const NumberFormat&, const NumberFormat&) = default;
};

/// `qI.F`, I + F from 16 to 64, `float32` or `float64`, in letters of either case. Nothing where the text is none.
std::optional<NumberFormat> number_format_from(std::string_view text);

/// A number as a format has it.
struct Held {
  double value = 0;        ///< exactly; never -0 in fixed point
  std::uint64_t code = 0;  ///< the `bits()` lowest: two's complement, or the bits of IEEE 754
};
/// Of a finite `x`.
std::optional<Held> held(double x, const NumberFormat& format);
/// The code in as many hexadecimal digits as the format has, with 0x.
std::string hex_of(const Held& held, const NumberFormat& format);
/// The code of fixed point as a decimal integer; of floating point the value, in the fewest digits that read back.
std::string decimal_of(const Held& held, const NumberFormat& format);

/// Fixed point of the same width with the most fraction bits that hold all from `least` to `greatest`; nothing where no
/// fraction bit is left. Of floating point: the format itself.
std::optional<NumberFormat> widened(const NumberFormat& format, double least, double greatest);

}  // namespace rackproof::firmware
