#pragma once
/// One value from one writer to any number of readers, without a lock.
/// Theorem  `publish` never waits; `read` gives a value as it was published, never parts of two. No data race by the
///          memory model: all that is shared is atomic.
/// Method   a sequence lock over words (H.-J. Boehm, Can seqlocks get along with programming language memory models,
///          2012): odd while it is written. The words are stored with release and loaded with acquire, in place of
///          fences, which thread sanitizers do not know.
#include <array>
#include <atomic>
#include <cstddef>
#include <cstdint>
#include <cstring>
#include <thread>
#include <type_traits>

namespace rackproof::live {

template <class Value>
class Seqlock {
  static_assert(std::is_trivially_copyable_v<Value>);
  static_assert(std::atomic<std::uint64_t>::is_always_lock_free);

 public:
  Seqlock() noexcept { publish(Value{}); }
  /// For one thread: the writer.
  void publish(const Value& value) noexcept {
    Words words{};
    std::memcpy(words.data(), &value, sizeof(Value));
    const std::uint64_t turn = turn_.load(std::memory_order_relaxed);
    turn_.store(turn + 1, std::memory_order_relaxed);
    for (std::size_t i = 0; i < kWords; ++i) words_[i].store(words[i], std::memory_order_release);
    turn_.store(turn + 2, std::memory_order_release);
  }
  /// For every thread but a writer that must not wait: repeats until nothing was written meanwhile.
  Value read() const noexcept {
    for (;;) {
      const std::uint64_t turn = turn_.load(std::memory_order_acquire);
      if (turn % 2 == 0) {
        Words words;
        for (std::size_t i = 0; i < kWords; ++i) words[i] = words_[i].load(std::memory_order_acquire);
        if (turn_.load(std::memory_order_relaxed) == turn) {
          Value value;
          std::memcpy(static_cast<void*>(&value), words.data(), sizeof(Value));
          return value;
        }
      }
      std::this_thread::yield();
    }
  }
  /// Since it was made.
  std::uint64_t published() const noexcept { return turn_.load(std::memory_order_acquire) / 2 - 1; }

 private:
  static constexpr std::size_t kWords = (sizeof(Value) + 7) / 8;
  using Words = std::array<std::uint64_t, kWords>;
  std::array<std::atomic<std::uint64_t>, kWords> words_{};
  std::atomic<std::uint64_t> turn_{0};
};

}  // namespace rackproof::live
