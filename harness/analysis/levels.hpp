#pragma once
/// Peak, RMS and crest factor of a stream, a block at a time.
/// Claim    how the stream is cut into blocks changes nothing: the sums are kept as compensated pairs in one order.
#include <algorithm>
#include <cmath>
#include <cstdint>
#include <span>

#include "harness/analysis/decibels.hpp"
namespace rackproof::analysis {

class Levels {
 public:
  template <class Sample>
  void add(std::span<const Sample> block) {
    for (const Sample sample : block) {
      const double x = static_cast<double>(sample);
      peak_ = std::max(peak_, std::abs(x));
      sum_.add(x);
      squares_.add(x * x);
    }
    count_ += block.size();
  }
  std::uint64_t count() const { return count_; }
  double peak() const { return peak_; }
  double mean() const { return count_ == 0 ? 0.0 : sum_.value() / static_cast<double>(count_); }
  double mean_square() const { return count_ == 0 ? 0.0 : squares_.value() / static_cast<double>(count_); }
  double rms() const { return std::sqrt(mean_square()); }
  /// Peak over RMS; 0 for silence.
  double crest_factor() const { return peak_ > 0 ? peak_ / rms() : 0.0; }
  double peak_dbfs() const { return db_from_ratio(peak_); }
  double rms_dbfs() const { return dbfs_from_rms(rms()); }  ///< AES17: a full-scale sine reads 0

 private:
  friend struct CounterProbe;  // the tests' own: puts counters where days would bring them
  struct Sum {                 // A. Neumaier's form of Kahan's summation (ZAMM 54, 1974)
    double total = 0, lost = 0;
    void add(double x) {
      const double next = total + x;
      lost += std::abs(total) >= std::abs(x) ? (total - next) + x : (x - next) + total;
      total = next;
    }
    double value() const { return total + lost; }
  };
  Sum sum_, squares_;
  double peak_ = 0;
  std::uint64_t count_ = 0;
};

template <class Range>
Levels levels_of(const Range& signal) {
  Levels levels;
  levels.add(std::span<const typename Range::value_type>(signal));
  return levels;
}

}  // namespace rackproof::analysis
