#pragma once
/// Averaged auto and cross spectra of what was sent (x) and what arrived (y), and what follows from them.
///   Pxy = mean(conj(X) Y);  H1 = Pxy / Pxx, unbiased for noise at the output;  coherence = |Pxy|^2 / (Pxx Pyy)
/// P. D. Welch, "The Use of Fast Fourier Transform for the Estimation of Power Spectra", IEEE Trans. Audio
/// Electroacoust. AU-15, 1967. No trend is taken out. One-sided densities: per Hz, in the square of the samples' unit.
/// Claim    the cut into blocks changes nothing; a coherence says nothing until several segments went in (1 after one).
#include <cstdint>
#include <span>
#include <vector>

#include "harness/analysis/fourier.hpp"
#include "harness/analysis/windows.hpp"
namespace rackproof::analysis {

class CrossSpectrum {
 public:
  struct Settings {
    double sample_rate_hz = 48000;
    std::size_t segment = 4096;  ///< samples; even
    std::size_t hop = 2048;      ///< samples from one segment to the next, 1 .. segment
    Window window = Window::hann;
  };
  explicit CrossSpectrum(Settings settings);

  /// Equal sizes, of any length. What does not fill a segment waits for more and counts for nothing until then.
  void add(std::span<const double> x, std::span<const double> y);

  std::uint64_t segments() const { return segments_; }
  std::size_t bins() const { return fourier_.bins(); }
  double frequency_hz(std::size_t bin) const {
    return static_cast<double>(bin) * settings_.sample_rate_hz / static_cast<double>(settings_.segment);
  }
  std::vector<double> pxx() const;
  std::vector<double> pyy() const;
  std::vector<Complex> pxy() const;
  std::vector<Complex> h1() const;        ///< 0 where x holds nothing
  std::vector<double> coherence() const;  ///< 0 .. 1; 0 where x or y hold nothing
  /// How many independent segments would spread as little: K / (1 + 2 sum_m (1 - m/K) c_m^2), c_m the correlation of
  /// segments m hops apart (Welch 1967).
  double effective_averages() const;

 private:
  double scale() const;

  Settings settings_;
  RealFourier fourier_;
  std::vector<double> window_, waiting_x_, waiting_y_, pxx_, pyy_;
  std::vector<Complex> pxy_;
  std::uint64_t segments_ = 0;
};

/// The coherence that N independent averages show in the mean where the true one is `coherence`: biased upwards.
/// (G. C. Carter, C. H. Knapp, A. H. Nuttall, IEEE Trans. Audio Electroacoust. AU-21, 1973.)
double expected_coherence(double coherence, double averages);

}  // namespace rackproof::analysis
