#pragma once
/// The one place where bytes become objects. Run once without memory it counts; run again with memory it carves, in the
/// same order, so that the count cannot differ from the use.
#include <cstddef>
#include <cstdint>
#include <new>
#include <span>
#include <type_traits>

#include "dsp/level.hpp"
namespace rackproof::dsp::inline RACKPROOF_LEVEL {

class Arena {
 public:
  static constexpr std::size_t kAlignment = 64;  ///< of every object carved: the widest register's

  Arena() = default;  ///< counts
  explicit Arena(std::span<std::byte> memory) noexcept : memory_(memory) {
    const auto address = reinterpret_cast<std::uintptr_t>(memory.data());
    used_ = (kAlignment - address % kAlignment) % kAlignment;
  }
  constexpr bool counts() const noexcept { return memory_.data() == nullptr; }
  /// Bytes for everything that has been taken, wherever the memory begins.
  constexpr std::size_t required() const noexcept { return used_ + kAlignment - 1; }
  constexpr bool overrun() const noexcept { return !counts() && used_ > memory_.size(); }

  /// `count` objects, constructed; an empty span while counting or when the memory is at its end.
  template <class T>
  constexpr std::span<T> take(std::size_t count) noexcept {
    static_assert(alignof(T) <= kAlignment && std::is_trivially_destructible_v<T>);
    const std::size_t at = used_;
    used_ += (count * sizeof(T) + kAlignment - 1) / kAlignment * kAlignment;
    if (counts() || overrun()) return {};
    T* const first = reinterpret_cast<T*>(memory_.data() + at);
    for (std::size_t n = 0; n < count; ++n) ::new (static_cast<void*>(first + n)) T();
    return {first, count};
  }

 private:
  std::span<std::byte> memory_;
  std::size_t used_ = 0;
};

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
