#pragma once
/// The response of a linear path (second-order sections, gain, delay) at any frequency.
/// Claim    no cancellation at low frequencies: polynomials are taken in u = 1 - 1/z = 2 j sin(w/2) e^(-jw/2), where
///          their coefficients are small if the filter's frequency is. From a `Section` they come without a subtraction
///          of near equals; from a `Biquad`, as exact as its five rounded numbers are.
/// Claim    phase is unwrapped by counting zeros, not by watching steps: right at a single frequency, on any grid.
#include <complex>
#include <span>
#include <vector>

#include "dsp/design/section.hpp"
namespace rackproof::analysis {

/// (n0 + n1 u + n2 u^2) / (d0 + d1 u + d2 u^2), u = 1 - 1/z.
struct DifferenceForm {
  double n0 = 1, n1 = 0, n2 = 0, d0 = 1, d1 = 0, d2 = 0;
};
DifferenceForm difference_form(const dsp::Biquad& biquad);
DifferenceForm difference_form(const dsp::Section& section);
/// Its response at `frequency` in cycles a sample, 0 to 0.5.
std::complex<double> value_at(const DifferenceForm& section, double frequency);

struct PathResponse {
  std::complex<double> value;
  double magnitude_db = 0;  ///< -infinity at a zero on the unit circle
  double phase_rad = 0;     ///< unwrapped; e^(+jwt), so a delay falls; an inverting path has +pi added
  double group_delay_samples = 0;
};

class LinearPath {
 public:
  LinearPath() = default;
  template <class SectionOrBiquad>
  explicit LinearPath(std::span<const SectionOrBiquad> sections, double gain = 1.0, double delay_samples = 0.0) {
    append(sections);
    multiply(gain);
    postpone(delay_samples);
  }
  template <class SectionOrBiquad>
  void append(std::span<const SectionOrBiquad> sections) {
    for (const SectionOrBiquad& section : sections) sections_.push_back(difference_form(section));
  }
  void multiply(double gain) { gain_ *= gain; }
  void postpone(double samples) { delay_samples_ += samples; }

  /// `frequency` in cycles a sample, above 0, up to 0.5.
  PathResponse at(double frequency) const;

 private:
  std::vector<DifferenceForm> sections_;
  double gain_ = 1.0, delay_samples_ = 0.0;
};

}  // namespace rackproof::analysis
