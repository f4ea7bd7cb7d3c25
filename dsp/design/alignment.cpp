#include "dsp/design/alignment.hpp"

#include "dsp/design/response.hpp"

namespace rackproof::dsp {
namespace {

/// A pair of poles s^2 + damping scale s + scale^2, or, where `damping` is 0, the single pole -scale.
struct Poles {
  double damping = 0.0, scale = 1.0;
};
using PoleList = ListOf<Poles>;

/// Roots of the reverse Bessel polynomials, sum over i of (2n-i)! / (2^(n-i) i! (n-i)!) s^i, over the frequency at
/// which |H|^2 = 1/2: found at 40 digits by polynomial root finding. Orders 2 to 8, low Q first.
constexpr Poles kBessel[7][4] = {
    {{1.73205080756887729, 1.27201964951406896}},
    {{0, 1.32267579991044477}, {1.44708035989041337, 1.44761713314698732}},
    {{1.91594892371821631, 1.43017155999399047}, {1.24140593009899569, 1.60335751621697308}},
    {{0, 1.50231627144747899}, {1.77451071946274013, 1.55634712229692364}, {1.09113441141697903, 1.75537777663709676}},
    {{1.95956314183675857, 1.60391912877379872},
     {1.63614025208180536, 1.68916826762046054},
     {0.977217203244868803, 1.90470761230276235}},
    {{0, 1.68436817927318017},
     {1.87844331139045324, 1.71635604487086465},
     {1.51326820862095013, 1.82241747885799588},
     {0.887896384906124738, 2.04949090026910742}},
    {{1.97631946585696028, 1.77846591177464907},
     {1.78696144185721728, 1.83209260119858275},
     {1.40676244179972086, 1.95319575902206481},
     {0.815880676526610327, 2.18872623052743879}}};

/// Pole number i of B_n, from the real axis outwards: number 0 of an odd n is the real one.
Poles butterworth(int n, int i) noexcept {
  const int quarter_turns = 2 * i + (n % 2 == 0 ? 1 : 0);
  return {quarter_turns == 0 ? 0.0 : 2.0 * std::cos(std::numbers::pi / 2.0 * quarter_turns / n), 1.0};
}
constexpr int pole_count(int n) noexcept { return (n + 1) / 2; }

/// None where there is no such alignment.
PoleList poles_of(Alignment alignment, int order) noexcept {
  PoleList list;
  if (order < 1 || order > 8) return list;
  if (alignment == Alignment::butterworth)
    for (int i = 0; i < pole_count(order); ++i) list.push(butterworth(order, i));
  if (alignment == Alignment::bessel && order >= 2)
    for (int i = 0; i < pole_count(order); ++i) list.push(kBessel[order - 2][i]);
  if (alignment == Alignment::linkwitz_riley && order % 2 == 0)
    for (int i = 0; i < pole_count(order / 2); ++i) {
      const Poles p = butterworth(order / 2, i);
      if (p.damping == 0.0) {
        list.push({2.0, p.scale});  // two equal real poles are one pair of Q 0.5
      } else {
        list.push(p);
        list.push(p);
      }
    }
  return list;
}

enum class Shape : std::uint8_t { low, high, all };
ExactSection section(const Poles& p, double t, Shape shape) noexcept {
  const double g = shape == Shape::high ? t / p.scale : t * p.scale;  // high: 1/s for s
  const bool single = p.damping == 0.0;
  const Numerator n = shape == Shape::low    ? Numerator{.low = 1.0}
                      : shape == Shape::high ? Numerator{.high = 1.0}
                      : single               ? Numerator{.high = -1.0, .low = 1.0}
                                             : Numerator{1.0, -p.damping, 1.0};
  return single ? first_order(g, n) : second_order(g, p.damping, n);
}

bool is_all_pass(const CrossoverSettings& c) noexcept {
  const bool alike = c.low.alignment == c.high.alignment && c.low.order == c.high.order && c.low.at_hz == c.high.at_hz;
  if (!alike) return false;
  if (c.low.alignment == Alignment::butterworth) return c.low.order % 2 == 1;
  return c.low.alignment == Alignment::linkwitz_riley && c.same_polarity == (c.low.order % 4 == 0);
}

}  // namespace

bool design(const FilterSettings& settings, double sample_rate_hz, ExactList& out) noexcept {
  const PoleList poles = poles_of(settings.alignment, settings.order);
  const double t = prewarped(settings.at_hz, sample_rate_hz);
  ExactList list;
  for (const Poles& p : poles.view()) {
    const ExactSection s = section(p, t, settings.pass == Pass::low ? Shape::low : Shape::high);
    if (!is_usable(s)) return false;
    list.push(s);
  }
  if (list.count == 0) return false;
  out = list;
  return true;
}

bool design(const FilterSettings& settings, double sample_rate_hz, SectionList& out) noexcept {
  ExactList exact;
  const bool ok = design(settings, sample_rate_hz, exact);
  if (ok) out = rounded(exact);
  return ok;
}

bool design(const CrossoverSettings& settings, double sample_rate_hz, CrossoverSum& out) noexcept {
  FilterSettings low_side = settings.low;
  FilterSettings high_side = settings.high;
  low_side.pass = Pass::low;
  high_side.pass = Pass::high;
  ExactList low, high;
  if (!design(low_side, sample_rate_hz, low) || !design(high_side, sample_rate_hz, high)) return false;

  CrossoverSum sum;
  // One side falls and the other rises, so they meet once: halve the interval until it is a number.
  double below = 0.0, above = sample_rate_hz / 2.0;
  for (int i = 0; i < 100; ++i) {
    const double middle = 0.5 * (below + above);
    const bool low_is_louder =
        std::abs(response(low, middle, sample_rate_hz)) > std::abs(response(high, middle, sample_rate_hz));
    (low_is_louder ? below : above) = middle;
  }
  sum.equal_at_hz = 0.5 * (below + above);
  const std::complex<double> l = response(low, sum.equal_at_hz, sample_rate_hz);
  const std::complex<double> h = response(high, sum.equal_at_hz, sample_rate_hz);
  const double share = std::abs(settings.same_polarity ? l + h : l - h) / (std::abs(l) + std::abs(h));
  sum.loss_db = 20.0 * std::log10(std::fmin(std::fmax(share, 1e-20), 1.0));
  sum.has_null = sum.loss_db < kNullDb;

  sum.is_all_pass = is_all_pass(settings);
  if (sum.is_all_pass) {
    const bool squared = settings.low.alignment == Alignment::linkwitz_riley;
    const int n = squared ? settings.low.order / 2 : settings.low.order;
    const double t = prewarped(settings.low.at_hz, sample_rate_hz);
    for (int i = 0; i < pole_count(n); ++i)
      if (squared || settings.same_polarity == (i % 2 == 1))  // p^n = -(-1)^i for odd n
        sum.all_pass.push(section(butterworth(n, i), t, Shape::all));
  }
  out = sum;
  return true;
}

}  // namespace rackproof::dsp
