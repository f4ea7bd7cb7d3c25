#pragma once
/// Quantities as people write them: a number and its unit in one text, `"1.7 kHz"`, `"+18 dBu"`, `"0.72 m"`.
/// Claim    what is read is the double nearest to the decimal number written, in SI units (decibels stay decibels),
///          whatever the locale: a power of ten in the unit moves the point of the number as text, before any rounding.
///          `text_of` writes the shortest text that reads back to the same bits.
/// Spacing is free, a leading `+` and the typographic minus are read; the case of letters matters only where it
/// changes the meaning (`mV` is not `MV`, `dBV` is not `dBv`).
#include <initializer_list>
#include <string>
#include <string_view>

#include "harness/rig/rig.hpp"

namespace rackproof::rig {

/// What a unit measures. The value is in the unit in brackets.
enum class Quantity {
  frequency,    ///< [Hz] Hz, kHz
  time,         ///< [s] s, ms, us, min
  distance,     ///< [m] m, cm, mm, ft, in
  voltage,      ///< [V RMS of a sine] V, mV, dBu (0 dBu is sqrt(0.6) V), dBV
  gain,         ///< [dB] dB
  power,        ///< [W] W, kW
  impedance,    ///< [ohm] ohm
  slope,        ///< [dB/oct] dB/oct
  bandwidth,    ///< [oct] oct
  temperature,  ///< [degC] degC, degF
};

struct Measure {
  Quantity quantity = Quantity::gain;
  double value = 0;
};

/// A text that is not the quantity wanted. `read` and `right` are the two halves of `what()`, "read READ; RIGHT".
struct Misread : InputError {
  Misread(std::string what_was_read, std::string what_is_right);
  std::string read, right;
};

/// Reads a text that may be any of `wanted`, finite. `example` is what the error shows as right, with its quotes;
/// empty: an example of the unit's own. Throws Misread.
Measure read_measure(std::string_view text, std::initializer_list<Quantity> wanted, std::string_view example = {});
/// What a bare number may be where a gain is wanted, or an empty text: "; if 40 is a factor, it is \"32.04 dB\"".
std::string factor_hint(std::initializer_list<Quantity> wanted, double number);
/// The same for one kind, as its value in the unit of `Quantity`.
double read_value(std::string_view text, Quantity wanted, std::string_view example = {});

/// The shortest text that reads back to the same bits: `1.7 kHz`, `2.1 ms`, `72 cm`, `-3.5 dB`. Finite values only.
std::string text_of(Measure measure);
/// "a time", "a level or voltage": with its article.
std::string_view name_of(Quantity quantity);
/// `"2 ms"`, with its quotes.
std::string_view example_of(Quantity quantity);

}  // namespace rackproof::rig
