#pragma once
/// Fractional-octave bands and smoothing.
/// Bands as IEC 61260-1:2014, base 10: G = 10^(3/10); mid-bands 1000 G^(x/b) Hz for odd b, 1000 G^((2x+1)/(2b)) for
/// even b; edges a factor G^(1/(2b)) to either side. These are the exact frequencies; labels such as 315 Hz are rounded
/// ones.
#include <cstddef>
#include <span>
#include <vector>

#include "harness/analysis/fourier.hpp"
namespace rackproof::analysis {

struct Band {
  double low_hz = 0, mid_hz = 0, high_hz = 0;
};
/// The band x of 1/b octave.
Band octave_band(int b, int x);
/// All bands of 1/b octave whose mid-band lies within a part in a thousand of `from_hz` .. `to_hz` or between them.
std::vector<Band> octave_bands(int b, double from_hz, double to_hz);

/// Power in a band, from a one-sided density at k * bin_hz: each bin spreads evenly over bin_hz around it.
double band_power(std::span<const double> density, double bin_hz, double low_hz, double high_hz);

/// The mean of `values` over a window of 1/b octave around each frequency, even in log frequency (so that a resonance
/// stays symmetric): each value stands for the stretch between the geometric means with its neighbours. Powers in,
/// power average out; complex responses in, vector average out. At the ends the window is cut at the data, to both
/// sides alike, so that a slope is not leant to. Frequencies ascend; values at 0 Hz pass unchanged.
template <class Value>
std::vector<Value> smooth(std::span<const double> frequency_hz, std::span<const Value> values, double b);

extern template std::vector<double> smooth(std::span<const double>, std::span<const double>, double);
extern template std::vector<Complex> smooth(std::span<const double>, std::span<const Complex>, double);

/// `per_octave` frequencies an octave, evenly in log frequency from `from_hz` on, none above `to_hz`.
std::vector<double> log_frequencies(double from_hz, double to_hz, double per_octave);

}  // namespace rackproof::analysis
