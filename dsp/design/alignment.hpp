#pragma once
/// Low- and high-passes of the classic alignments, and what the two sides of a crossover point make together.
///
/// Butterworth    B_n: poles at angles pi (2 i + 1) / (2 n) from the imaginary axis; -3.0103 dB at `at_hz`
/// Linkwitz-Riley of order 2 n: 1 / B_n^2 and s^2n / B_n^2; -6.0206 dB at `at_hz` (S. Linkwitz, "Active Crossover
///                Networks for Noncoincident Drivers", JAES 24(1), 1976)
/// Bessel         roots of the reverse Bessel polynomial, scaled to -3.0103 dB at `at_hz`; its high-pass is the
///                low-pass with 1/s for s (flat delay is a property of the low-pass alone)
/// All: bilinear transform, prewarped so that `at_hz` is met exactly; sections of low Q first, so that levels inside
/// the cascade stay low.
#include <cstdint>

#include "dsp/design/exact_section.hpp"
namespace rackproof::dsp {

/// How a filter of a crossover point falls off about its frequency.
enum class Alignment : std::uint8_t { linkwitz_riley, butterworth, bessel };
/// Which side passes.
enum class Pass : std::uint8_t { low, high };

/// A high-pass or a low-pass.
struct FilterSettings {
  Alignment alignment = Alignment::linkwitz_riley;  ///< its shape
  Pass pass = Pass::low;                            ///< its side
  int order = 4;          ///< 6 dB an octave each. Butterworth 1 to 8, Bessel 2 to 8, Linkwitz-Riley 2, 4, 6 or 8
  double at_hz = 1000.0;  ///< above 0, below half the sample rate
};

/// False, with `out` as it was, where a setting is out of its range or single precision cannot hold the sections.
[[nodiscard]] bool design(const FilterSettings& settings, double sample_rate_hz, ExactList& out) noexcept;
/// The same, rounded for the chain.
[[nodiscard]] bool design(const FilterSettings& settings, double sample_rate_hz, SectionList& out) noexcept;

/// The two sides of a crossover point: `low` is the low-pass of the way below, `high` the high-pass of the way above
/// (its `pass` members need not be set).
struct CrossoverSettings {
  FilterSettings low;         ///< of the way below
  FilterSettings high;        ///< of the way above
  bool same_polarity = true;  ///< of the two ways; else one of them is inverted
};

/// low + high, or low - high where one way is inverted.
///
/// Theorem  with n the order of the poles B_n and p their positions, the sum is the all-pass of the poles that are
///          left:
///          Linkwitz-Riley of order 2 n, sign (-1)^n:  B_n(-s) / B_n(s), all of them;
///          Butterworth of odd order n, sign +1 or -1: (1 +- s^n) / B_n(s), those with p^n = +-1 (the others cancel).
///          Every other pair of sides is no all-pass: other signs, even Butterworth, Bessel, sides that differ.
struct CrossoverSum {
  bool is_all_pass = false;  ///< what the theorem says
  bool has_null = false;     ///< `loss_db` below kNullDb
  double equal_at_hz = 0.0;  ///< where the two sides are equally loud
  double loss_db = 0.0;      ///< the sum there, against both sides in phase: 0 or less, -400 at the least
  ExactList all_pass;        ///< its sections, where it is one; none of them: the sum is the input itself
};
/// Three quarters of what the two sides have together are gone (our choice: two sides of 90 degrees, which are no
/// fault, lose 3 dB; a true null has no bottom).
inline constexpr double kNullDb = -12.0;

/// False, with `out` as it was, where a side has no design.
[[nodiscard]] bool design(const CrossoverSettings& settings, double sample_rate_hz, CrossoverSum& out) noexcept;

}  // namespace rackproof::dsp
