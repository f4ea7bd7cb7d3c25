#include "harness/render/pipeline.hpp"

#include <algorithm>
#include <utility>

#include "harness/workers.hpp"

namespace rackproof {

Pipeline::Pipeline(std::size_t slots, std::function<bool(std::size_t)> fetch) : slots_(slots) {
  steps_.push_back({{}, std::move(fetch)});
}

Pipeline::Stage Pipeline::add(std::vector<Stage> after, std::function<void(std::size_t)> work) {
  steps_.push_back({std::move(after), [work = std::move(work)](std::size_t slot) { return work(slot), true; }});
  return steps_.size() - 1;
}

bool Pipeline::ready(Stage stage) const {
  const Step& step = steps_[stage];
  if (step.busy) return false;
  if (stage == kFetch)
    return !fetched_all_ &&
           std::ranges::all_of(steps_, [&](const Step& other) { return other.done + slots_ > step.done; });
  return std::ranges::all_of(step.after, [&](Stage before) { return steps_[before].done > step.done; });
}

bool Pipeline::finished() const {
  return failure_ || (fetched_all_ &&
                      std::ranges::all_of(steps_, [&](const Step& step) { return step.done == steps_[kFetch].done; }));
}

Pipeline::Stage Pipeline::next_for(std::uint64_t chunk_at_hand) const {
  const auto first = [&](auto&& suits) {
    Stage stage = kFetch;
    while (stage < steps_.size() && !(suits(steps_[stage]) && ready(stage))) ++stage;
    return stage;
  };
  const Stage same_chunk = first([&](const Step& step) { return step.done == chunk_at_hand; });
  return same_chunk < steps_.size() ? same_chunk : first([](const Step&) { return true; });
}

void Pipeline::work() {
  std::uint64_t chunk_at_hand = 0;
  std::unique_lock lock(mutex_);
  while (!finished()) {
    const Stage stage = next_for(chunk_at_hand);
    if (stage == steps_.size()) {
      changed_.wait(lock);
      continue;
    }
    Step& step = steps_[stage];
    step.busy = true;
    chunk_at_hand = step.done;
    lock.unlock();
    bool had_one = false;
    std::exception_ptr failure;
    try {
      had_one = step.work(static_cast<std::size_t>(step.done % slots_));
    } catch (...) {
      failure = std::current_exception();
    }
    lock.lock();
    step.busy = false;
    if (had_one) ++step.done;
    if (failure && !failure_) failure_ = failure;
    if (!had_one && !failure) fetched_all_ = true;
    changed_.notify_all();
  }
}

void Pipeline::run(std::size_t workers) {
  side_by_side(workers, [this](std::size_t) { work(); });
  if (failure_) std::rethrow_exception(failure_);
}

}  // namespace rackproof
