#pragma once
/// A rig that runs, and is retuned while it does: the core's own switch, with words, volts and meters around it.
/// Theorem  all of dsp/chain/switch.hpp: ceilings, heat, mutes, and bits that do not depend on the block size. Begins
///          muted, primes, and comes up over a cell of the grid. A rig that cannot be faded to is refused in words,
///          and what runs goes on.
/// Threads  `process` belongs to the audio thread: fixed cost, no allocation, no lock. All else belongs to one other
///          thread; `readings` to any.
/// Memory   of two chains, lent once, at the start: room for each output's longest delay (kRoomForDelay_s), look-ahead
///          and hold, and for twice the rest. A rig that needs more is refused, with words.
#include <array>
#include <cstddef>
#include <cstdint>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "dsp/blocks/row_meter.hpp"
#include "dsp/chain/switch.hpp"
#include "harness/calibration/compile.hpp"
#include "harness/live/readings.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof::live {

/// A rig with its venue, compiled: all that a change needs.
struct Tuning {
  rig::Rig rig;
  std::optional<rig::Venue> venue;
  Bypass bypass = Bypass::none;
  CompiledRig compiled;
};
/// Throws as `compile` does.
Tuning tuned(rig::Rig rig, std::optional<rig::Venue> venue, Bypass bypass);

class LiveRig {
 public:
  /// Muted, primed from the first frame of `process` on. Throws InputError where an output is called like a feed, as
  /// both become ports, and MachineError where there is no memory for two chains.
  explicit LiveRig(Tuning first);
  LiveRig(const LiveRig&) = delete;
  LiveRig& operator=(const LiveRig&) = delete;

  // ---- the thread that gives commands -------------------------------------------------------------------------------

  /// The rig that is heard next. A wish that has not been taken up yet is forgotten: the latest counts. Throws
  /// InputError, in words, where it cannot be faded to; then nothing has changed.
  void retune(Tuning next);
  /// Hands the latest wish to the audio thread as soon as the one before is done: to be called every few milliseconds.
  /// True where an earlier wish has just become what is heard alone.
  bool proceed();
  bool changing() const { return wish_ || coming_; }
  std::uint64_t retunes() const { return retunes_; }  ///< that became what is heard
  const Tuning& heard() const { return heard_; }

  /// Of an output; nothing: all of them.
  void mute(std::optional<std::size_t> output, bool muted);
  std::optional<std::size_t> output_called(const std::string& name) const;

  Readings& readings() { return readings_; }
  const Readings& readings() const { return readings_; }

  // ---- the audio thread ---------------------------------------------------------------------------------------------

  /// As ChainSwitch::process.
  void process(std::span<const float* const> feeds, std::span<float* const> outputs, std::size_t frames) noexcept;
  /// The server went on without us.
  void missed(std::uint64_t frames) noexcept {
    ++now_.missed_cycles;
    now_.missed_frames += frames;
  }
  /// What share of a period the last call of `process` took.
  void took(float share) noexcept {
    load_sum_ += share;
    ++loads_;
    worst_load_ = share > worst_load_ ? share : worst_load_;
  }
  std::uint64_t frames() const noexcept { return now_.frames; }

 private:
  static constexpr double kRoomForDelay_s = 1.0;
  struct Window {  ///< of one output, the time of one publication
    float peak = 0, mean_square = 0, least_peak_gain = 1, least_power_gain = 1;
  };
  static std::size_t room_for(const dsp::ChainSettings& settings);
  static Scales scales_of(const Tuning& tuning);
  void must_fit(const Tuning& next) const;
  void publish() noexcept;

  Tuning heard_;
  std::optional<Tuning> coming_, wish_;
  std::uint64_t retunes_ = 0;
  Readings readings_;

  dsp::SwitchPlan plan_;
  std::unique_ptr<std::byte[]> memory_;
  dsp::ChainSwitch switch_;
  // Of the audio thread.
  Signals now_;
  std::uint64_t next_publication_ = 0;
  std::uint32_t frames_a_publication_ = 1600;
  std::size_t window_ = 0;
  std::array<dsp::RowMeter, dsp::kMaxFeeds> feed_meters_;
  std::array<dsp::RowMeter, dsp::kMaxOutputs> output_meters_;
  std::array<std::array<Window, kHold>, dsp::kMaxOutputs> windows_{};
  std::array<std::array<Window, kHold>, dsp::kMaxFeeds> feed_windows_{};
  float load_sum_ = 0, worst_load_ = 0;
  std::uint32_t loads_ = 0;
};

}  // namespace rackproof::live
