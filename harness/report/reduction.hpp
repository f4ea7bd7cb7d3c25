#pragma once
/// What a page shows of a recording: no more buckets than a screen has columns, and the moments in which it limits.
/// Theorem  a reduced track spans the same time and keeps every extreme: least of the least, greatest of the greatest.
#include <cstddef>
#include <vector>

#include "harness/proof/proof.hpp"

namespace rackproof::report {

/// Runs of buckets become one, as many as it takes to have at most `most_buckets`, 1 or more.
proof::Recording reduced(const proof::Recording& recording, std::size_t most_buckets);

/// A stretch in which an output limits by more than 0.1 dB.
struct Moment {
  double from_s = 0, to_s = 0;
  double deepest_at_s = 0;  ///< the middle of its bucket
  double deepest_db = 0;    ///< both gains together, below 0
  bool by_power = false;    ///< the power limiter does more of it, there
};
/// In order of time. Stretches with less than 0.3 s between them are one.
std::vector<Moment> limiting_moments(const proof::Track& track, double bucket_seconds);

}  // namespace rackproof::report
