#pragma once
/// A list of unlike things to do, by two threads.
#include <atomic>
#include <cstddef>
#include <exception>
#include <functional>
#include <mutex>
#include <vector>

#include "harness/workers.hpp"

namespace rackproof {

/// Runs all tasks on two threads; each is run once and writes only what is its own. The first to throw, in the order of
/// the list, is thrown again; after a throw no task begins. `progress`, if there is one, is told the share that is done,
/// 0 .. 1, from either thread, never from both at once.
inline void run_all(const std::vector<std::function<void()>>& tasks, const std::function<void(double)>& progress) {
  std::atomic<std::size_t> next{0};
  std::atomic<bool> broken{false};
  std::vector<std::exception_ptr> faults(tasks.size());
  std::mutex reporting;
  std::size_t done = 0;
  side_by_side(2, [&](std::size_t) {
    for (std::size_t t = next++; t < tasks.size() && !broken; t = next++) {
      try {
        tasks[t]();
      } catch (...) {
        faults[t] = std::current_exception();
        broken = true;
      }
      const std::scoped_lock lock(reporting);
      if (progress && !broken) progress(static_cast<double>(++done) / static_cast<double>(tasks.size()));
    }
  });
  for (const std::exception_ptr& fault : faults)
    if (fault) std::rethrow_exception(fault);
}

}  // namespace rackproof
