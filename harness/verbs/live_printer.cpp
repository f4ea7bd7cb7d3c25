#include "harness/verbs/live_printer.hpp"

#include <algorithm>
#include <chrono>
#include <condition_variable>
#include <deque>
#include <exception>
#include <mutex>
#include <thread>
#include <utility>

#include "harness/live/meter_lines.hpp"
#include "harness/verbs/streams.hpp"
#include "harness/verbs/verb.hpp"

namespace rackproof {

struct Printer::Inside {
  std::mutex mutex;
  std::condition_variable changed;
  std::deque<std::pair<To, std::string>> waiting;
  bool ends = false, ended = false;

  void work() {
    std::size_t height = 0;  // lines of meters on the terminal
    for (;;) {
      std::unique_lock lock(mutex);
      changed.wait(lock, [this] { return ends || !waiting.empty(); });
      if (waiting.empty()) break;
      const auto [to, text] = std::move(waiting.front());
      waiting.pop_front();
      lock.unlock();
      try {
        print(to, text, height);
      } catch (const std::exception&) {  // the audio goes on
      }
    }
    const std::lock_guard lock(mutex);
    ended = true;
    changed.notify_all();
  }
  static void print(To to, const std::string& text, std::size_t& height) {
    if (to == To::meters) {
      print_bytes(live::in_place_of(height, text));
      height = static_cast<std::size_t>(std::ranges::count(text, '\n'));
      return;
    }
    if (height > 0) print_bytes(live::in_place_of(height, ""));
    height = 0;
    if (to == To::people) print_text(text);
    if (to == To::error) tell(text);
    if (to == To::program) print_bytes(text);
  }
};

Printer::Printer() : inside_(std::make_shared<Inside>()) {
  std::thread([inside = inside_] { inside->work(); }).detach();  // it may wait for a reader for ever
}
Printer::~Printer() {
  std::unique_lock lock(inside_->mutex);
  inside_->ends = true;
  inside_->changed.notify_all();
  inside_->changed.wait_for(lock, std::chrono::milliseconds(300), [this] { return inside_->ended; });
}
void Printer::put(To to, std::string text) {
  const std::lock_guard lock(inside_->mutex);
  auto& waiting = inside_->waiting;
  constexpr std::size_t kMost = 256;
  if (to == To::meters) std::erase_if(waiting, [](const auto& one) { return one.first == To::meters; });
  if (waiting.size() == kMost) waiting.pop_front();
  waiting.emplace_back(to, std::move(text));
  inside_->changed.notify_all();
}

}  // namespace rackproof
