#pragma once
/// Lanes of one block that differ in their lengths: the few different shapes among them, and what each lane reads from
/// a ring that serves all.
/// Claim    ShapeGroups: every shape that was given stands in it once, kMostShapes at most; the first has the longest
///          look-ahead, so that rings of its lengths serve all. Each lane is in the group of its own shape, lanes past
///          the last one given in that one's. `together` says whether all of this is so, and whether all lanes read the
///          same kind of peak.
///          LaneReads: next() gives in each lane what was put into the ring as many values ago as its group's distance
///          says, value after value, while one is put in after each call.
/// Cost     of next() a load, a selection and a comparison for each group but the first, whatever the data.
#include <algorithm>
#include <array>
#include <cstddef>
#include <cstdint>
#include <span>
#include <type_traits>
#include <utility>

#include "dsp/blocks/ring.hpp"
#include "dsp/pack.hpp"
namespace rackproof::dsp::inline RACKPROOF_LEVEL {

/// Of one lane of a peak limiter, whatever the width.
struct LimiterShape {
  std::uint32_t look_ahead_samples = 0;  ///< D, 0 .. PeakLimiter::kMaxLookAheadSamples
  std::uint32_t hold_samples = 0;        ///< 0 .. PeakLimiter::kMaxHoldSamples
  bool true_peak = false;                ///< hold the wave between the samples too, as far as the detector sees it
  bool operator==(const LimiterShape&) const = default;  ///< all members alike
};

/// The different shapes of W lanes: the claim stands at the head of the file.
template <int W>
class ShapeGroups {
 public:
  static constexpr std::size_t kMostShapes = W == 1 ? 1 : 4;  ///< different ones in the lanes of one block

  /// From lane 0 on, 1 .. W of them.
  explicit constexpr ShapeGroups(std::span<const LimiterShape> lanes) noexcept {
    for (const LimiterShape& lane : lanes) {
      if (lane.true_peak != lanes[0].true_peak) together_ = false;
      if (number_of(lane) < size_) continue;
      if (size_ == kMostShapes) {
        together_ = false;
        continue;
      }
      shapes_[size_++] = lane;
      if (lane.look_ahead_samples > shapes_[0].look_ahead_samples) std::swap(shapes_[0], shapes_[size_ - 1]);
    }
    for (std::size_t l = 0; l < std::size_t{W} && !lanes.empty(); ++l)
      group_of_[l] = number_of(lanes[std::min(l, lanes.size() - 1)]);
  }
  constexpr bool together() const noexcept { return together_; }  ///< they go into one block
  constexpr std::size_t size() const noexcept { return size_; }   ///< different shapes
  /// The first has the longest look-ahead.
  constexpr const LimiterShape& operator[](std::size_t k) const noexcept { return shapes_[k]; }
  /// Number of the shape of lane `l`, 0 .. W - 1.
  constexpr std::size_t group_of(std::size_t l) const noexcept { return group_of_[l]; }
  /// -1, all bits set, in the lanes of group `k`; 0 in the others.
  PackInt<W> lanes_of(std::size_t k) const noexcept {
    if constexpr (W == 1) {
      return group_of_[0] == k ? -1 : 0;
    } else {
      PackInt<W> lanes{};
      for (std::size_t l = 0; l < std::size_t{W}; ++l) lanes[l] = group_of_[l] == k ? -1 : 0;
      return lanes;
    }
  }

 private:
  constexpr std::size_t number_of(const LimiterShape& shape) const noexcept {
    const auto end = shapes_.begin() + static_cast<std::ptrdiff_t>(size_);
    return static_cast<std::size_t>(std::find(shapes_.begin(), end, shape) - shapes_.begin());
  }

  std::array<LimiterShape, kMostShapes> shapes_{};
  std::array<std::size_t, W> group_of_{};
  std::size_t size_ = 0;
  bool together_ = true;
};

/// use(std::integral_constant<std::size_t, K>) with K = `count`, 1 .. Most: a loop over K groups with K a constant.
template <std::size_t Most, std::size_t K = 1, class Use>
RACKPROOF_INLINE void with_constant(std::size_t count, Use&& use) noexcept {
  if constexpr (K < Most)
    if (count > K) return with_constant<Most, K + 1>(count, use);
  use(std::integral_constant<std::size_t, K>{});
}

/// In each lane the value of its own group: `values(k)` gives group k's. `lanes[k]` is ShapeGroups::lanes_of(k).
template <int W, std::size_t K, class ValuesOf>
RACKPROOF_INLINE auto each_its_own(const std::array<PackInt<W>, K>& lanes, ValuesOf&& values) noexcept {
  auto chosen = values(std::size_t{0});
  for (std::size_t k = 1; k < K; ++k) chosen = select(lanes[k] < PackInt<W>{}, values(k), chosen);
  return chosen;
}

/// Reads of K groups of lanes from one ring: the claim stands at the head of the file.
template <int W, class V, std::size_t K>
class LaneReads {
 public:
  /// `distance_of(k)` is group k's, 1 .. ring.size(); that of group 0 is ring.size().
  template <class DistanceOf>
  RACKPROOF_INLINE LaneReads(const Ring<V>& ring, const std::array<PackInt<W>, K>& lanes,
                             DistanceOf&& distance_of) noexcept
      : lanes_(lanes) {
    for (std::size_t k = 1; k < K; ++k) at_[k] = ring.before(distance_of(k));
  }
  /// Of `ring`, as it is now.
  RACKPROOF_INLINE V next(const Ring<V>& ring) noexcept {
    const V chosen = each_its_own<W, K>(
        lanes_, [&](std::size_t k) __attribute__((always_inline)) { return k == 0 ? *ring.place() : *at_[k]; });
    for (std::size_t k = 1; k < K; ++k) at_[k] = ring.after(at_[k]);
    return chosen;
  }

 private:
  std::array<PackInt<W>, K> lanes_;
  std::array<const V*, K> at_{};
};

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
