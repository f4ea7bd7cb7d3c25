#include "dsp/design/eq.hpp"

namespace rackproof::dsp {
namespace {

/// 1/Q, whichever way the width is stated; a NaN where it has none. `a` is the square root of the gain.
double inverse_q(const EqSettings& eq, double a, double sample_rate_hz) noexcept {
  if (eq.width == EqWidth::q) return 1.0 / eq.width_value;
  if (eq.width == EqWidth::bandwidth_oct) {
    const double w0 = 2.0 * std::numbers::pi * eq.at_hz / sample_rate_hz;
    return 2.0 * std::sinh(std::numbers::ln2 / 2.0 * eq.width_value * w0 / std::sin(w0));
  }
  return std::sqrt((a + 1.0 / a) * (1.0 / eq.width_value - 1.0) + 2.0);
}

bool is_shelf(EqType type) noexcept { return type == EqType::lowshelf || type == EqType::highshelf; }
bool has_gain(EqType type) noexcept { return is_shelf(type) || type == EqType::peaking; }
double root_of_gain(const EqSettings& eq) noexcept {
  return has_gain(eq.type) ? std::pow(10.0, eq.gain_db / 40.0) : 1.0;
}

}  // namespace

double q_of(const EqSettings& eq, double sample_rate_hz) noexcept {
  return eq.width == EqWidth::q ? eq.width_value : 1.0 / inverse_q(eq, root_of_gain(eq), sample_rate_hz);
}

bool design(const EqSettings& eq, double sample_rate_hz, ExactSection& out) noexcept {
  const bool shelf = is_shelf(eq.type), with_gain = has_gain(eq.type);
  const double a = root_of_gain(eq);
  const double g = prewarped(eq.at_hz, sample_rate_hz), k = inverse_q(eq, a, sample_rate_hz);
  if (!(eq.width_value > 0.0) || !(k > 0.0) || !(g > 0.0)) return false;
  if (eq.width == EqWidth::shelf_slope && !shelf) return false;
  if (with_gain && !(std::fabs(eq.gain_db) <= kMaxGainDb)) return false;

  ExactSection s;
  switch (eq.type) {
    case EqType::lowpass:
      s = second_order(g, k, {.low = 1.0});
      break;
    case EqType::highpass:
      s = second_order(g, k, {.high = 1.0});
      break;
    case EqType::bandpass:
      s = second_order(g, k, {.band = k});
      break;
    case EqType::notch:
      s = second_order(g, k, {.high = 1.0, .low = 1.0});
      break;
    case EqType::allpass:
      s = second_order(g, k, {1.0, -k, 1.0});
      break;
    case EqType::peaking:
      s = second_order(g, k / a, {1.0, k * a, 1.0});
      break;
    // The shelves' s is scaled by the square root of `a`, so that the denominator is s^2 + k s + 1.
    case EqType::lowshelf:
      s = second_order(g / std::sqrt(a), k, {1.0, k * a, a * a});
      break;
    case EqType::highshelf:
      s = second_order(g * std::sqrt(a), k, {a * a, k * a, 1.0});
      break;
    default:
      return false;
  }
  if (!is_usable(s)) return false;
  out = with_gain && eq.gain_db == 0.0 ? ExactSection{} : s;
  return true;
}

bool design(const EqSettings& eq, double sample_rate_hz, Section& out) noexcept {
  ExactSection exact;
  const bool ok = design(eq, sample_rate_hz, exact);
  if (ok) out = rounded(exact);
  return ok;
}

}  // namespace rackproof::dsp
