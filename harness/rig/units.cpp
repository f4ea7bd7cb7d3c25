#include "harness/rig/units.hpp"

#include <fmt/core.h>

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <optional>

#include "harness/rig/faults.hpp"

namespace rackproof::rig {
namespace {

enum class Scale { decimal, factor, dbu, dbv, fahrenheit };

/// One unit. `exponent`: the power of ten to the unit of Quantity; `factor`: any other multiple.
struct Unit {
  std::string_view name;
  Quantity quantity;
  Scale scale = Scale::decimal;
  int exponent = 0;
  double factor = 1;
  int fixed = -1;      ///< the letter whose case carries meaning
  bool alias = false;  ///< read, neither listed nor written
};
using enum Quantity;
constexpr double kFoot = 0.3048, kInch = 0.0254;  // international foot and inch of 1959, exact
constexpr std::array kUnits = {
    Unit{"Hz", frequency},
    Unit{"kHz", frequency, Scale::decimal, 3},
    Unit{"s", time},
    Unit{"ms", time, Scale::decimal, -3, 1, 0},
    Unit{"us", time, Scale::decimal, -6},
    Unit{"min", time, Scale::factor, 0, 60},
    Unit{"m", distance, Scale::decimal, 0, 1, 0},
    Unit{"cm", distance, Scale::decimal, -2},
    Unit{"mm", distance, Scale::decimal, -3, 1, 0},
    Unit{"ft", distance, Scale::factor, 0, kFoot},
    Unit{"in", distance, Scale::factor, 0, kInch},
    Unit{"V", voltage},
    Unit{"mV", voltage, Scale::decimal, -3, 1, 0},
    Unit{"dBu", voltage, Scale::dbu},
    Unit{"dBV", voltage, Scale::dbv, 0, 1, 2},
    Unit{"dB", gain},
    Unit{"W", power},
    Unit{"kW", power, Scale::decimal, 3},
    Unit{"ohm", impedance},
    Unit{"dB/oct", slope},
    Unit{"oct", bandwidth},
    Unit{"degC", temperature},
    Unit{"degF", temperature, Scale::fahrenheit},
    // Other spellings: the micro sign and the Greek mu; the ohm sign and the Greek omega; plurals and long forms.
    Unit{"\u00b5s", time, Scale::decimal, -6, 1, -1, true},
    Unit{"\u03bcs", time, Scale::decimal, -6, 1, -1, true},
    Unit{"\u2126", impedance, Scale::decimal, 0, 1, -1, true},
    Unit{"\u03a9", impedance, Scale::decimal, 0, 1, -1, true},
    Unit{"ohms", impedance, Scale::decimal, 0, 1, -1, true},
    Unit{"dB/octave", slope, Scale::decimal, 0, 1, -1, true},
    Unit{"octave", bandwidth, Scale::decimal, 0, 1, -1, true},
    Unit{"octaves", bandwidth, Scale::decimal, 0, 1, -1, true},
    Unit{"\u00b0C", temperature, Scale::decimal, 0, 1, -1, true},
    Unit{"\u00b0F", temperature, Scale::fahrenheit, 0, 1, -1, true},
};

struct Kind {
  std::string_view name, example;
};
constexpr std::array<Kind, 10> kKinds = {{{"a frequency", "\"1.7 kHz\""},
                                          {"a time", "\"2 ms\""},
                                          {"a distance", "\"0.72 m\""},
                                          {"a level or voltage", "\"+4 dBu\""},
                                          {"a gain", "\"-3 dB\""},
                                          {"a power", "\"300 W\""},
                                          {"an impedance", "\"8 ohm\""},
                                          {"a slope", "\"24 dB/oct\""},
                                          {"a bandwidth", "\"0.7 oct\""},
                                          {"a temperature", "\"20 degC\""}}};
constexpr const Kind& kind(Quantity quantity) { return kKinds[static_cast<std::size_t>(quantity)]; }

constexpr bool is_digit(char c) { return c >= '0' && c <= '9'; }
constexpr char lower(char c) { return c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c; }

/// Takes one of `heads` off the front of `text`.
bool take(std::string_view& text, std::initializer_list<std::string_view> heads) {
  for (const std::string_view head : heads)
    if (text.starts_with(head)) return text.remove_prefix(head.size()), true;
  return false;
}
void take_blanks(std::string_view& text) {  // blank, tab, no-break, thin and narrow no-break space
  while (take(text, {" ", "\t", "\u00a0", "\u2009", "\u202f"})) {}
}
std::string_view take_digits(std::string_view& text) {
  const auto end = std::find_if_not(text.begin(), text.end(), is_digit);
  const std::string_view digits = text.substr(0, static_cast<std::size_t>(end - text.begin()));
  text.remove_prefix(digits.size());
  return digits;
}

/// A decimal number as it was written; its value waits for the power of ten of the unit.
struct Decimal {
  std::string digits;  ///< sign, digits, point
  long exponent = 0;
  std::optional<double> times_ten_to(int power) const {
    const std::string all = fmt::format("{}e{}", digits, exponent + power);
    double value = 0;
    const auto [end, error] = std::from_chars(all.data(), all.data() + all.size(), value);
    if (error != std::errc{} || end != all.data() + all.size() || !std::isfinite(value)) return std::nullopt;
    return value == 0 ? 0.0 : value;  // no minus zero
  }
};

/// The number at the front of `text`, or nothing and `text` as it was.
std::optional<Decimal> take_number(std::string_view& text) {
  std::string_view rest = text;
  Decimal number;
  if (take(rest, {"-", "\u2212", "\u2013", "\u2014"}))
    number.digits = "-";
  else
    take(rest, {"+"});
  take_blanks(rest);
  const std::string_view whole = take_digits(rest);
  number.digits += whole;
  std::string_view fraction;
  if (take(rest, {"."})) fraction = take_digits(rest);
  if (whole.empty() && fraction.empty()) return std::nullopt;
  if (whole.empty()) number.digits += '0';
  if (!fraction.empty()) number.digits.append(".").append(fraction);
  if (std::string_view power = rest; take(power, {"e", "E"})) {
    const bool negative = take(power, {"-"});
    if (!negative) take(power, {"+"});
    if (const std::string_view digits = take_digits(power); !digits.empty()) {
      // Beyond a million every value is out of range, so the rest of the digits need not be held.
      const auto [end, error] = std::from_chars(digits.data(), digits.data() + digits.size(), number.exponent);
      if (error != std::errc{} || number.exponent > 1'000'000) number.exponent = 1'000'000;
      if (negative) number.exponent = -number.exponent;
      rest = power;
    }
  }
  text = rest;
  return number;
}

bool is_spelling_of(std::string_view text, const Unit& unit) {
  if (text.size() != unit.name.size()) return false;
  for (std::size_t i = 0; i < text.size(); ++i) {
    const bool strict = unit.fixed == static_cast<int>(i);
    if (strict ? text[i] != unit.name[i] : lower(text[i]) != lower(unit.name[i])) return false;
  }
  return true;
}

/// "s, ms, us or min"
std::string units_of(std::initializer_list<Quantity> wanted) {
  std::vector<std::string> names;
  for (const Unit& unit : kUnits)
    if (!unit.alias && std::find(wanted.begin(), wanted.end(), unit.quantity) != wanted.end())
      names.emplace_back(unit.name);
  return one_of(names);
}

/// "x40", "40x", "40 times", "40 V/V": what a gain is as a factor.
std::optional<double> factor_in(std::string_view text) {
  take_blanks(text);
  const bool ahead = take(text, {"x", "X", "\u00d7", "*"});
  take_blanks(text);
  const std::optional<Decimal> number = take_number(text);
  if (!number) return std::nullopt;
  take_blanks(text);
  const bool behind = take(text, {"x", "X", "\u00d7", "times", "V/V", "v/v"});
  take_blanks(text);
  if (!text.empty() || !(ahead || behind)) return std::nullopt;
  const std::optional<double> value = number->times_ten_to(0);
  return value && *value > 0 ? value : std::nullopt;
}

std::optional<double> value_of(const Decimal& number, const Unit& unit) {
  std::optional<double> value = number.times_ten_to(unit.exponent);
  if (!value) return value;
  switch (unit.scale) {
    case Scale::decimal:
      break;
    case Scale::factor:
      *value *= unit.factor;
      break;
    case Scale::dbu:
      *value = std::sqrt(0.6) * std::pow(10.0, *value / 20.0);
      break;
    case Scale::dbv:
      *value = std::pow(10.0, *value / 20.0);
      break;
    case Scale::fahrenheit:
      *value = (*value - 32.0) / 1.8;
      break;
  }
  return std::isfinite(*value) ? value : std::nullopt;
}

}  // namespace

Misread::Misread(std::string what_was_read, std::string what_is_right)
    : InputError(fmt::format("read {}; {}", what_was_read, what_is_right)),
      read(std::move(what_was_read)),
      right(std::move(what_is_right)) {}

std::string_view name_of(Quantity quantity) { return kind(quantity).name; }
std::string_view example_of(Quantity quantity) { return kind(quantity).example; }

Measure read_measure(std::string_view text, std::initializer_list<Quantity> wanted, std::string_view example) {
  const std::string quoted = fmt::format("\"{}\"", excerpt(text));
  std::string wish;
  for (const Quantity quantity : wanted) wish.append(wish.empty() ? "" : " or ").append(name_of(quantity));
  wish += fmt::format(" is wanted here, such as {}", example.empty() ? example_of(*wanted.begin()) : example);

  std::string_view rest = text;
  take_blanks(rest);
  if (rest.empty()) throw Misread(quoted + ", an empty text", wish);
  if (std::find(wanted.begin(), wanted.end(), gain) != wanted.end()) {
    if (const std::optional<double> factor = factor_in(text))
      throw Misread(quoted + ", a factor",
                    fmt::format("as a gain it is \"{:.2f} dB\"; {}", 20 * std::log10(*factor), wish));
  }
  const std::optional<Decimal> number = take_number(rest);
  if (!number) throw Misread(quoted + ", which does not start with a number", wish);
  if (rest.size() >= 2 && rest[0] == ',' && is_digit(rest[1]))
    throw Misread(quoted + ", a number with a comma",
                  "write a point for decimals and nothing between thousands; " + wish);
  take_blanks(rest);
  std::string_view spelling = rest;
  for (const std::string_view blank : {" ", "\t", "\u00a0", "\u2009", "\u202f"})
    while (spelling.ends_with(blank)) spelling.remove_suffix(blank.size());
  if (spelling.empty())
    throw Misread(quoted + ", a number without a unit",
                  wish + factor_hint(wanted, number->times_ten_to(0).value_or(0)));
  if (is_digit(spelling[0]) || spelling[0] == '.' || spelling[0] == '\'')
    throw Misread(quoted + ", a number in pieces", "write it in one piece; " + wish);

  const auto unit =
      std::find_if(kUnits.begin(), kUnits.end(), [&](const Unit& u) { return is_spelling_of(spelling, u); });
  if (unit == kUnits.end()) {
    std::string reason;
    const auto folded = std::find_if(kUnits.begin(), kUnits.end(), [&](Unit u) {
      u.fixed = -1;
      return is_spelling_of(spelling, u);
    });
    if (folded != kUnits.end() && folded->scale == Scale::dbv)
      reason = "some mean dBu by it, others dBV; ";
    else if (folded != kUnits.end())
      reason = fmt::format("a capital M is mega: write {}; ", folded->name);
    throw Misread(fmt::format("{}, whose unit \"{}\" is not known", quoted, excerpt(spelling)),
                  fmt::format("{}{} (units: {})", reason, wish, units_of(wanted)));
  }
  if (std::find(wanted.begin(), wanted.end(), unit->quantity) == wanted.end())
    throw Misread(fmt::format("{}, {}", quoted, name_of(unit->quantity)), wish);
  const std::optional<double> value = value_of(*number, *unit);
  if (!value) throw Misread(quoted + ", a number beyond all bounds", wish);
  return {unit->quantity, *value};
}

std::string factor_hint(std::initializer_list<Quantity> wanted, double number) {
  // Below 10 a person means decibels; above, an amplifier's gain is written either way.
  if (std::find(wanted.begin(), wanted.end(), gain) == wanted.end() || !(number >= 10)) return {};
  return fmt::format("; if {:g} is a factor, it is \"{:.2f} dB\"", number, 20 * std::log10(number));
}

double read_value(std::string_view text, Quantity wanted, std::string_view example) {
  return read_measure(text, {wanted}, example).value;
}

std::string text_of(Measure measure) {
  std::string best;
  for (const Unit& unit : kUnits) {
    if (unit.quantity != measure.quantity || unit.scale != Scale::decimal || unit.alias) continue;
    // The shortest digits of the value, then the point moved by the unit's power of ten: no arithmetic, no rounding.
    std::array<char, 64> buffer{};
    const auto written =
        std::to_chars(buffer.data(), buffer.data() + buffer.size(), measure.value, std::chars_format::scientific);
    std::string_view all(buffer.data(), static_cast<std::size_t>(written.ptr - buffer.data()));
    const std::size_t e = all.find('e');
    int power = 0;
    std::from_chars(all.data() + e + (all[e + 1] == '+' ? 2 : 1), all.data() + all.size(), power);
    const bool negative = all[0] == '-';
    std::string digits;
    for (const char c : all.substr(0, e))
      if (is_digit(c)) digits += c;
    int point = power + 1 - unit.exponent;  // how many of the digits stand ahead of the point
    if (measure.value == 0) point = 1;
    if (point < -5 || point > 21) {
      digits = fmt::format("{}{}{}e{}", digits[0], digits.size() > 1 ? "." : "", digits.substr(1), point - 1);
    } else {
      if (point <= 0) {
        digits.insert(0, static_cast<std::size_t>(1 - point), '0');
        point = 1;
      }
      const auto whole = static_cast<std::size_t>(point);
      if (whole >= digits.size())
        digits.append(whole - digits.size(), '0');
      else
        digits.insert(whole, 1, '.');
    }
    const std::string text = fmt::format("{}{} {}", negative && measure.value != 0 ? "-" : "", digits, unit.name);
    if (best.empty() || text.size() <= best.size()) best = text;  // as short: the prefix, 1.7 kHz
  }
  return best;
}

}  // namespace rackproof::rig
