#include "harness/verbs/reserve.hpp"

#include <atomic>
#include <cstdlib>
#include <new>

namespace rackproof {
namespace {

constexpr std::size_t kBytes = std::size_t{1} << 20;
std::atomic<void*> reserve = nullptr;

void give_back_reserve() {
  void* const held = reserve.exchange(nullptr);
  if (held == nullptr) throw std::bad_alloc();
  std::free(held);
}

}  // namespace

void keep_reserve_of_memory() {
  if (reserve == nullptr) reserve = std::malloc(kBytes);
  std::set_new_handler(give_back_reserve);
}

}  // namespace rackproof
