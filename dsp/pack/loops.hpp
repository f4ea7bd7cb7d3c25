#pragma once
/// Loops that are written out, and numbers of the run time that become constants of the compiler.
#include <cstddef>
#include <type_traits>
#include <utility>

#include "dsp/pack/lanes.hpp"
namespace rackproof::dsp::inline RACKPROOF_LEVEL {

/// step(0) .. step(N - 1), written out and each number a constant, so that what it indexes can stay in registers at any
/// level of optimisation.
template <std::size_t N, class Step>
RACKPROOF_INLINE void unrolled(Step&& step) noexcept {
  [&]<std::size_t... I>(std::index_sequence<I...>) __attribute__((always_inline)) {
    (step(std::integral_constant<std::size_t, I>{}), ...);
  }
  (std::make_index_sequence<N>{});
}
/// use(constant) for the first of the constants V that `value` is; nothing where it is none of them.
template <std::size_t... V, class Use>
RACKPROOF_INLINE void dispatch(std::index_sequence<V...>, std::size_t value, Use&& use) {
  static_cast<void>(((value == V && (use(std::integral_constant<std::size_t, V>{}), true)) || ...));
}
/// dispatch<1, 2, 4>(value, use).
template <std::size_t... V, class Use>
RACKPROOF_INLINE void dispatch(std::size_t value, Use&& use) {
  dispatch(std::index_sequence<V...>{}, value, use);
}
/// work(V, n) for the packs 0 .. count - 1 in order, for V / W of them from n on at once, V being a constant: where
/// nothing goes from one to the next.
template <int W, class Work>
RACKPROOF_INLINE void for_each(std::size_t count, Work&& work) noexcept {
  constexpr int kWide = kWidest<W>;
  std::size_t n = 0;
  if constexpr (kWide > W)
    for (; n + kWide / W <= count; n += kWide / W) work(std::integral_constant<int, kWide>{}, n);
  for (; n < count; ++n) work(std::integral_constant<int, W>{}, n);
}

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
