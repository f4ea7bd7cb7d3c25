#pragma once
/// The last values of a track, in memory that the caller lends.
/// Claim    before(b) is the value that was put in b values ago, for every b from 1 to size(), however often the ring
///          has come round; 0 where fewer have been put in since `reset`.
/// Method   `place` is where the next value goes, and holds the oldest. Nothing is moved, and nothing runs free: places
///          are pointers, which come back to the beginning.
/// Cost     of `put` one store and one comparison. Memory lent by the caller: a value for each that is kept.
#include <algorithm>
#include <cassert>
#include <cstddef>
#include <span>

#include "dsp/level.hpp"
#include "dsp/pack.hpp"
namespace rackproof::dsp::inline RACKPROOF_LEVEL {

/// The last size() values of type V: the claim stands at the head of the file.
template <class V>
class Ring {
 public:
  Ring() = default;  ///< of no values: nothing may be put in
  /// Keeps as many values as `memory` holds; 0, all of them.
  explicit Ring(std::span<V> memory) noexcept : begin_(memory.data()), end_(begin_ + memory.size()) { reset(); }
  /// All values 0.
  void reset() noexcept {
    std::fill(begin_, end_, V{});
    place_ = begin_;
  }
  std::size_t size() const noexcept { return static_cast<std::size_t>(end_ - begin_); }  ///< values that are kept
  V* begin() const noexcept { return begin_; }                                           ///< of the memory
  V* end() const noexcept { return end_; }                                               ///< of the memory
  V* place() const noexcept { return place_; }  ///< of the oldest, which goes next
  /// Takes the place of the oldest.
  RACKPROOF_INLINE void put(V newest) noexcept {
    *place_ = newest;
    place_ = after(place_);
  }
  /// As many have been written from place() on, at most to end().
  void advance(std::size_t count) noexcept {
    assert(count <= static_cast<std::size_t>(end_ - place_));
    place_ = place_ + count == end_ ? begin_ : place_ + count;
  }
  /// Where the value is that was put in `back` values ago, 1 .. size(). 0: where the next one will be.
  RACKPROOF_INLINE V* before(std::size_t back) const noexcept {
    const auto behind = static_cast<std::size_t>(place_ - begin_);
    return behind >= back ? place_ - back : place_ + (size() - back);
  }
  /// The place after `at`, which may be the first.
  template <class Pointer>
  RACKPROOF_INLINE Pointer after(Pointer at) const noexcept {
    return at + 1 == end_ ? Pointer{begin_} : at + 1;
  }

 private:
  V *begin_ = nullptr, *end_ = nullptr, *place_ = nullptr;
};

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
