#pragma once
/// Windows as sums of cosines: w[n] = sum_i (-1)^i a_i cos(2 pi i n / D), D = N (periodic, for spectra) or N - 1
/// (symmetric, for filters). Names, Hann to Blackman-Harris (minimum, 4 terms), and the figures of merit as in F. J.
/// Harris, "On the Use of Windows for Harmonic Analysis with the Discrete Fourier Transform", Proc. IEEE 66(1), 1978.
#include <cstddef>
#include <span>
#include <vector>
namespace rackproof::analysis {

enum class Window { boxcar, hann, hamming, blackman, blackman_harris, flat_top };

std::vector<double> window(Window kind, std::size_t size, bool symmetric = false);

/// The mean of the window: what it makes of the amplitude of a sine in the middle of a bin.
double coherent_gain(std::span<const double> window);
/// Equivalent noise bandwidth in bins: N sum w^2 / (sum w)^2.
double noise_bandwidth_bins(std::span<const double> window);
/// Correlation of the spectra of two records of noise, one `hop` samples after the other.
double overlap_correlation(std::span<const double> window, std::size_t hop);

}  // namespace rackproof::analysis
