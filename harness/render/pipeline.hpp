#pragma once
/// Work on a stream of chunks, cut into stages, by a few workers.
/// Theorem  a stage takes the chunks in order, one at a time, each after the stages it comes after have had it; at most
///          `slots` chunks are under way. So what the stages make does not depend on how many workers there are, and
///          memory is constant. What a stage throws ends the run, once the others have finished what they had in hand.
/// Method   a worker goes on with the chunk that it has at hand, whose samples lie in its caches; where others are in
///          its way it takes the first stage that can go on: chunks are fetched as long as there are slots, so that the
///          longest stage finds its next one ready. The caller is the first worker; with one worker there is no thread
///          at all. A chunk should be worth more than what a stage remembers, which goes from core to core instead.
#include <condition_variable>
#include <cstddef>
#include <cstdint>
#include <exception>
#include <functional>
#include <mutex>
#include <vector>

namespace rackproof {

class Pipeline {
 public:
  using Stage = std::size_t;

  /// `fetch(slot)` brings the next chunk into its slot, 0 .. slots - 1; false: there was none, and there will be none.
  Pipeline(std::size_t slots, std::function<bool(std::size_t)> fetch);
  Pipeline(const Pipeline&) = delete;
  Pipeline& operator=(const Pipeline&) = delete;

  static constexpr Stage kFetch = 0;
  /// `after` are stages that have been added before.
  Stage add(std::vector<Stage> after, std::function<void(std::size_t slot)> work);
  /// Once. Uses fewer workers where the machine grants no more threads.
  void run(std::size_t workers);

 private:
  friend struct CounterProbe;  // the tests' own: puts counters where days would bring them
  struct Step {
    std::vector<Stage> after;
    std::function<bool(std::size_t)> work;
    std::uint64_t done = 0;
    bool busy = false;
  };
  bool ready(Stage stage) const;
  Stage next_for(std::uint64_t chunk_at_hand) const;  ///< behind the last: none
  bool finished() const;
  void work();

  const std::size_t slots_;
  std::vector<Step> steps_;
  std::mutex mutex_;  // guards all below, and what `Step` counts
  std::condition_variable changed_;
  bool fetched_all_ = false;
  std::exception_ptr failure_;
};

}  // namespace rackproof
