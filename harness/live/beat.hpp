#pragma once
/// What the audio thread shows to the guard process, in a page that both share.
#include <atomic>
#include <cstdint>

namespace rackproof::live {

struct Beat {
  enum Ending : std::uint32_t { plays, closes, closed };  ///< closed: no longer the server's client
  std::atomic<std::uint64_t> cycles{0};                   ///< grows with every period
  std::atomic<std::uint32_t> period_us{0};                ///< of one period
  std::atomic<std::uint32_t> watched{0};  ///< 1: time is real, and the server calls. 0: the guard sleeps
  std::atomic<std::uint32_t> ending{plays};
};
static_assert(std::atomic<std::uint64_t>::is_always_lock_free, "two processes share it");

}  // namespace rackproof::live
