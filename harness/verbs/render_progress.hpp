#pragma once
/// A line that tells how far a long run is and what time is left. On a terminal only: in a pipe or a log it is silent.
#include <chrono>
#include <cstdint>
#include <string>

namespace rackproof {

class Progress {
 public:
  explicit Progress(bool wanted);
  ~Progress();  ///< clears its line
  Progress(const Progress&) = delete;
  Progress& operator=(const Progress&) = delete;
  void show(std::uint64_t done, std::uint64_t total);

 private:
  using Clock = std::chrono::steady_clock;
  bool on_;
  Clock::time_point start_ = Clock::now(), shown_ = start_;
};

/// "[########            ]  40 %, 1:05 left"
std::string progress_line(double share, double elapsed_s);

}  // namespace rackproof
