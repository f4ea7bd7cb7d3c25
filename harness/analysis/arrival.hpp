#pragma once
/// When and with which polarity a signal arrives: the generalised cross-correlation.
///   G = W conj(X) Y;  r(t) = sum_k G_k e^(2 pi j k t / N);  the arrival is where |r| is greatest,
///   its sign the polarity
/// W is 1 (plain) or 1/|conj(X) Y| (PHAT: phase alone, a sharp peak whatever the spectrum). C. H. Knapp, G. C. Carter,
/// "The Generalized Correlation Method for Estimation of Time Delay", IEEE Trans. ASSP 24(4), 1976.
/// Claim    r is a sum of finitely many cosines, so between the samples it is known exactly: the crest is found on that
///          sum, not on a parabola through three points. A pure delay comes out to 0.001 sample and better. The greatest
///          crest is taken also where it lies between two samples that both show little of it, as in the treble alone.
#include <cstddef>
#include <span>
namespace rackproof::analysis {

struct ArrivalOptions {
  bool phase_transform = true;  ///< PHAT
  double from = 0.0, to = 0.5;  ///< the band that counts, in cycles a sample (f / sample rate)
  /// With PHAT: bins whose |conj(X) Y| is below this share of the greatest are left out; they hold phase noise only.
  double floor = 1e-9;
  double least_samples = -1e300, most_samples = 1e300;  ///< where to look
};
struct Arrival {
  bool found = false;        ///< false: one of the signals holds nothing in the band, or nothing was allowed
  double delay_samples = 0;  ///< of `captured` after `sent`; negative: before
  int polarity = 1;          ///< -1: the crest points the other way
  /// Height of the crest, 1 for a pure delay (PHAT: in every bin that counts; plain: over sqrt(energy of both)).
  double height = 0;
  /// The greatest height at a whole sample; `whole_samples` is where.
  double height_at_sample = 0;
  std::ptrdiff_t whole_samples = 0;
};
/// Either signal may be the longer one.
Arrival find_arrival(std::span<const double> sent, std::span<const double> captured,
                     const ArrivalOptions& options = {});

}  // namespace rackproof::analysis
