#include "harness/verbs/render_progress.hpp"

#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>
#include <cmath>

#include "harness/verbs/streams.hpp"

namespace rackproof {

std::string progress_line(double share, double elapsed_s) {
  constexpr int kWidth = 20;
  share = std::clamp(share, 0.0, 1.0);
  const int full = static_cast<int>(share * kWidth);
  std::string line = fmt::format("[{}{}] {:3.0f} %", std::string(static_cast<std::size_t>(full), '#'),
                                 std::string(static_cast<std::size_t>(kWidth - full), ' '), std::floor(share * 100.0));
  if (share > 0.0) {
    const auto left_s = static_cast<long>(std::ceil(elapsed_s * (1.0 - share) / share));
    line += fmt::format(", {}:{:02} left", left_s / 60, left_s % 60);
  }
  return line;
}

Progress::Progress(bool wanted) : on_(wanted && ::isatty(STDERR_FILENO) == 1) {}
Progress::~Progress() {
  if (on_) tell_as_it_is("\r\033[K");
}
void Progress::show(std::uint64_t done, std::uint64_t total) {
  const Clock::time_point now = Clock::now();
  if (!on_ || total == 0 || now - shown_ < std::chrono::milliseconds(200)) return;
  shown_ = now;
  const double elapsed_s = std::chrono::duration<double>(now - start_).count();
  tell_as_it_is("\r\033[K" + progress_line(static_cast<double>(done) / static_cast<double>(total), elapsed_s));
}

}  // namespace rackproof
