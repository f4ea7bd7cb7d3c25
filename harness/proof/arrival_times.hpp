#pragma once
/// When and with which sign every output of the running device answers, its filters' own delay set aside.
/// Method   one sample on all feeds, so low that no limiter acts. What leaves an output is correlated, with phase alone
///          (analysis/arrival.hpp), with what its sections by themselves make of that sample in double precision: what
///          is left is a delay and a sign, found between the samples in the band where the way is within 20 dB of its
///          loudest.
/// Model    time = latency (the same for all outputs, so that the ways stay in step) + the way's delay. The latency is
///          what is left of an output's time without the file's delay; of several, the one nearest to what is stated:
///          where one output is right, what others have beyond it is their delay. With a single output only the sum of
///          the two can be measured: the stated latency counts as right for its delay.
#include <vector>

#include "harness/proof/proof.hpp"

namespace rackproof::proof {

struct ArrivalTime {
  bool found = false;            ///< false: silent, muted by its sections, or no delay of what these make
  double total_samples = 0;      ///< from feed to output
  double delay_samples = 0;      ///< beyond the latency that the outputs share
  double set_samples = 0;        ///< the file's delay
  double tolerance_samples = 0;  ///< 0.01; or the time of 0.01 degree at the upper edge of the way's band, if longer:
                                 ///< one sample is 0.2 degree at 27 Hz, and single precision rounds
  int polarity = 1;
  double most_db = 0;  ///< the greatest that its sections by themselves make of any sine that is timed
};
/// Sections that take more than this leave little beside what their own rounding makes: it is not timed.
inline constexpr double kMute_db = -80;
struct ArrivalTimes {
  double latency_samples = 0;    ///< as measured
  double tolerance_samples = 0;  ///< of that output whose time it is
  std::vector<ArrivalTime> outputs;
};
/// Of the device that runs, with its limiters working.
ArrivalTimes arrival_times(const Subject& subject);

}  // namespace rackproof::proof
