#pragma once
/// What can be read of a rig that runs: volts against limits, what the limiters hold, heat, bad samples, missed cycles.
/// Theorem  the audio thread writes and never waits; any thread may call `read`, at any time, and gets figures that
///          belong together. A peak is seen by every reader that comes at least every kHold publications: 167 ms.
#include <array>
#include <atomic>
#include <cstddef>
#include <cstdint>
#include <memory>
#include <mutex>
#include <optional>
#include <string>
#include <vector>

#include "dsp/chain/chain_settings.hpp"
#include "harness/live/seqlock.hpp"

namespace rackproof::live {

inline constexpr std::uint32_t kPublicationsASecond = 30;
inline constexpr std::uint32_t kHold = 5;  ///< publications that an extreme is held for

/// Of a period, the most that one chain should take: two run while a change is faded in, and clients besides.
inline constexpr double kMostLoad = 0.4;

/// As the audio thread has it: samples, factors and counts.
struct Signals {
  struct Output {
    float peak = 0, mean_square = 0;                  ///< of the samples, over the last kHold publications
    float least_peak_gain = 1, least_power_gain = 1;  ///< likewise; 1: nothing is held
    float heat_mean_square = 0;                       ///< now; see dsp::Meter
  };
  struct Feed {
    float peak = 0, mean_square = 0;
    std::uint64_t bad_samples = 0;  ///< not finite, since the start
  };
  std::uint64_t frames = 0;           ///< that were processed since the start
  std::uint64_t bad_samples = 0;      ///< of all feeds, not finite, each taken as 0
  std::uint64_t bounded_samples = 0;  ///< of all feeds, beyond +36 dBFS
  std::uint64_t missed_cycles = 0;    ///< times that the server went on without us
  std::uint64_t missed_frames = 0;    ///< that were missed in them
  float load = 0, worst_load = 0;     ///< share of a period that `process` took: mean, greatest, of that time
  bool begins = true;                 ///< muted, until it has been primed
  std::array<Feed, dsp::kMaxFeeds> feeds{};
  std::array<Output, dsp::kMaxOutputs> outputs{};
};

/// What turns an output's samples into volts and shares. Of the rig that is heard.
struct Scale {
  std::string name, way;
  double full_scale_volts_peak = 0;
  double limit_volts_peak = 0;  ///< where nothing limits, what it would be if something did
  bool limited = true;          ///< no sample is above the limit
  double load_ohm = 0;
  double heat_limit_mean_square = 0;  ///< 0: no power limiter
  bool muted_by_rig = false;
};
struct Scales {
  std::vector<std::string> feeds;
  std::vector<Scale> outputs;
  std::uint32_t sample_rate_hz = 0, latency_samples = 0;
};

struct OutputReading {
  std::string name;
  bool muted = false;         ///< by a command
  bool muted_by_rig = false;  ///< by the rig or venue file
  bool limited = true;  ///< false: there is no peak limiter, or it is bypassed, and samples may be above the limit
  double peak_volts = 0, limit_volts_peak = 0, rms_volts = 0;
  double peak_reduction_db = 0, power_reduction_db = 0;  ///< what the limiters hold, 0 or more
  std::optional<double> heat;                            ///< share of what the coil may have; nothing without a limiter
};
struct FeedReading {
  std::string name;
  std::optional<double> peak_dbfs;  ///< nothing: silence
  std::uint64_t bad_samples = 0;
};
struct Reading {
  Signals signals;
  std::uint32_t sample_rate_hz = 0, latency_samples = 0;
  std::vector<FeedReading> feeds;
  std::vector<OutputReading> outputs;
};

class Readings {
 public:
  /// For the audio thread.
  void publish(const Signals& signals) noexcept { signals_.publish(signals); }
  /// For the thread that gives commands.
  void rescale(Scales scales) {
    auto next = std::make_shared<const Scales>(std::move(scales));
    const std::lock_guard lock(mutex_);
    scales_.swap(next);
  }
  void set_muted(std::size_t output, bool muted) noexcept { muted_[output].store(muted, std::memory_order_relaxed); }
  bool muted(std::size_t output) const noexcept { return muted_[output].load(std::memory_order_relaxed); }

  Signals signals() const noexcept { return signals_.read(); }
  std::uint64_t published() const noexcept { return signals_.published(); }
  std::shared_ptr<const Scales> scales() const {
    const std::lock_guard lock(mutex_);
    return scales_;
  }
  /// For any thread but the audio thread.
  Reading read() const;

 private:
  Seqlock<Signals> signals_;
  mutable std::mutex mutex_;
  std::shared_ptr<const Scales> scales_ = std::make_shared<Scales>();
  std::array<std::atomic<bool>, dsp::kMaxOutputs> muted_{};
};

}  // namespace rackproof::live
