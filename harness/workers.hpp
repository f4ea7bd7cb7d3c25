#pragma once
/// The same work on several threads at once.
#include <cstddef>
#include <system_error>
#include <thread>
#include <vector>

namespace rackproof {

/// `work(i)` for i = 0 .. `workers` - 1, the first on this thread and each other on one of its own; returns when all
/// have. Where the machine grants no more threads the last are left out, so they must share what there is to do as they
/// go. None but the first may throw.
template <class Work>
void side_by_side(std::size_t workers, const Work& work) {
  std::vector<std::jthread> others;
  try {
    for (std::size_t i = 1; i < workers; ++i) others.emplace_back([&work, i] { work(i); });
  } catch (const std::system_error&) {  // so it takes longer
  }
  work(std::size_t{0});
}

}  // namespace rackproof
