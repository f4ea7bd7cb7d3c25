#pragma once
/// A stream of known length reduced to least and greatest values for a plot.
/// Claim    every sample is in exactly one bucket, and no crest is lost: the greatest of all is the greatest of a
/// bucket.
#include <cstddef>
#include <cstdint>
#include <span>
#include <vector>
namespace rackproof::analysis {

class Envelope {
 public:
  struct Bucket {
    double least = 0, greatest = 0;
  };
  /// At most `buckets` of them, one at least (as many as there are frames, if fewer).
  Envelope(std::uint64_t frames, std::size_t buckets)
      : frames_(frames), buckets_(frames < buckets ? static_cast<std::size_t>(frames) : (buckets == 0 ? 1 : buckets)) {}

  /// Samples beyond the announced length go to the last bucket.
  template <class Sample>
  void add(std::span<const Sample> block) {
    for (const Sample sample : block) {
      const double x = static_cast<double>(sample);
      if (buckets_.empty()) return;
      if (position_ == begin_of(current_ + 1) && current_ + 1 < buckets_.size()) {
        ++current_;
        fresh_ = true;
      }
      Bucket& bucket = buckets_[current_];
      if (fresh_) {
        bucket = {x, x};
        fresh_ = false;
      }
      if (x < bucket.least) bucket.least = x;
      if (x > bucket.greatest) bucket.greatest = x;
      ++position_;
    }
  }
  /// The first frame of a bucket.
  std::uint64_t begin_of(std::size_t bucket) const {
    const std::uint64_t whole = frames_ / buckets_.size(), rest = frames_ % buckets_.size();
    return whole * bucket + rest * bucket / buckets_.size();
  }
  std::span<const Bucket> buckets() const { return buckets_; }

 private:
  std::uint64_t frames_, position_ = 0;
  std::vector<Bucket> buckets_;
  std::size_t current_ = 0;
  bool fresh_ = true;
};

}  // namespace rackproof::analysis
