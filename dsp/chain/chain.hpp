#pragma once
/// A rig's whole processing: feeds in, one signal per amplifier channel out.
/// Theorem  every output is its feed (or the mean or a mix of the feeds), each through gain and sections, then through
///          its loudspeaker's gain, sections and split, its own sections, gain, delay, power limiter and peak limiter
///          as `ChainSettings` says, `latency_samples` late; the same bits for every block size and on every machine. A
///          sample that is not finite counts as 0, one beyond +36 dBFS as that.
/// Method   outputs go side by side in the lanes of the widest registers that the machine has; on one without, one by
///          one, sharing what the ways have in common. Which it is shows in speed and memory, never in the bits. A feed
///          is sanitised and copied at the input. It is not copied where the only output that takes it lies in its own
///          row and all its samples may enter as they are.
/// Use      ask `required_bytes`, lend that much, `configure`, then `process` from the audio thread alone. Between
///          `configure` and the memory's end of life nothing else may touch it. Nothing here allocates, locks or
///          throws.
#include <array>
#include <atomic>
#include <cstddef>
#include <cstdint>
#include <span>

#include "dsp/chain/chain_settings.hpp"
#include "dsp/chain/refusal.hpp"
#include "dsp/grid.hpp"
namespace rackproof::dsp {

/// How many outputs go side by side: one (any machine), 4 (SSE2 or NEON), 8 (AVX2 with FMA), 16 (AVX-512).
enum class Level : std::uint8_t { lanes_1 = 1, lanes_4 = 4, lanes_8 = 8, lanes_16 = 16 };

/// Of one output, since the last reading.
struct Meter {
  float least_peak_gain = 1.0f;      ///< 1 = the peak limiter did nothing
  float least_power_gain = 1.0f;     ///< 1 = the power limiter did nothing
  std::uint64_t limited_frames = 0;  ///< of the steps of four frames in which the peak limiter lowered the gain
  /// The coil's heat now, not since the last reading: the mean square of what left, through one pole of the thermal
  /// time, at the last point of the grid, at least (what is on its way counts as far as it may leave). In squares of
  /// samples: 1.0 is a lasting square wave at digital full scale, the power threshold is threshold_rms squared. 0
  /// without a power limiter.
  float heat_mean_square = 0.0f;
};

struct EngineTable;  // see engine_table.hpp

/// The whole processing of a rig: the theorem stands at the head of the file.
class Chain {
 public:
  Chain() = default;  ///< no outputs: `process` writes zeros
  Chain(const Chain&) = delete;
  Chain& operator=(const Chain&) = delete;

  static bool has(Level level) noexcept;  ///< built in, and this machine can run it
  static Level best() noexcept;           ///< the widest that this machine can run

  /// Bytes of memory that `configure` must be lent for these settings at this level.
  /// They hold all of the chain but this object: the feeds as they were let in, the sections with their states, the
  /// delay lines, the limiters with what they look ahead at, the meters. The few bytes are among them with which each
  /// part begins at a multiple of 64 (Arena::kAlignment), so memory that begins anywhere will do.
  /// They depend on the numbers of feeds, loudspeakers, outputs, points and sections, on mixes, on which loudspeakers
  /// have a gain that is not 1, on delays, look-aheads and holds in samples, on
  /// which limiters are enabled, on the level, and on the machine (the size of its pointers); not on gains,
  /// coefficients or ceilings. Ask with the level that `configure` will be given.
  /// 0 is never an answer for what can run. It is given where `level` cannot run here; where there is no feed or no
  /// output, or more than kMaxFeeds, kMaxLoudspeakers, kMaxOutputs or kMaxWays - 1 points; where an output's way or
  /// loudspeaker, or a loudspeaker's source, is not there; where a mix has not a factor for each feed; and where a gain
  /// or a factor is not finite or above kMostFactor. Other numbers (a ceiling, a delay, a section) are not looked at:
  /// where one cannot be run it says some number of bytes, and `configure` refuses the settings whatever it is lent.
  /// Nothing is kept: it may be called from any thread, and while the chain is at work.
  static std::size_t required_bytes(const ChainSettings& settings, Level level = best()) noexcept;
  /// Why `configure` would refuse these settings with so much memory; its `setup` is `ok` where it would take them.
  /// Says which field of which output, the first that is found (see check.hpp for what is looked at). Nothing is kept:
  /// it may be called from any thread, and while the chain is at work.
  static Refusal refusal(const ChainSettings& settings, std::size_t lent_bytes, Level level = best()) noexcept;
  /// `memory` holds `required_bytes` of the same settings and level, or more, and need not be aligned. The settings are
  /// copied: nothing that they point to need outlive the call. `out_of_range` where a number of the settings cannot be
  /// run, or the level not here; `memory_too_small` where less is lent; `refusal` says which number. Refused, the chain
  /// has no outputs, and what it was before is gone: ask `refusal` first where that is not wanted.
  [[nodiscard]] Setup configure(const ChainSettings& settings, std::span<std::byte> memory,
                                Level level = best()) noexcept;
  /// Back to just configured, counters and meters too. The heat of the coils is forgotten, as `configure` forgets it:
  /// each counts as cold, and is given what a cold one can take. Once, that may be as much heat again as the threshold
  /// allows; time after time, as by a watchdog, only the peak limiter is left. Where coils may be warm, keep the outputs
  /// muted for the longest thermal time.
  void reset() noexcept;

  /// `feeds[k]` and `outputs[k]` hold `frames` samples each, one pointer per feed and output of the settings; any
  /// number of frames, and none is nothing. 1.0 is digital full scale. Any value may come in: one that is not finite
  /// counts as 0, one beyond +36 dBFS as that, and both are counted. What leaves is at or below the ceiling where
  /// there is one. Rows may begin anywhere that a float may. More than kGridFrames frames a call cost less, and give
  /// the same bits. An output may be the same row as a feed; but for that, outputs may not overlap feeds or one
  /// another: what is on its way stands in them, and has passed no limiter yet: nothing may play them before this has
  /// returned. Where there are fewer rows than the settings have, and where another thread is inside `process`, every
  /// row of this call gets zeros and the chain does not move: such a call is a fault of the caller, and zeros are what
  /// an amplifier can be given. Rows beyond the chain's outputs are left as they are.
  void process(std::span<const float* const> feeds, std::span<float* const> outputs, std::size_t frames) noexcept;

  /// What the limiters of an output have done since the last call, or since `configure` or `reset`; and begins anew.
  /// Its gains are factors, 1 for nothing; its heat is in squares of samples and goes on. It is of the samples that
  /// have left: those that came in `latency_samples` earlier. Of an output that is not there: a Meter as it is made,
  /// nothing limited, no heat. As real-time safe as `process`, and for its thread.
  Meter take_meter(std::size_t output) noexcept;
  /// From the next point of the grid on, over kGridFrames frames, the output falls to exact zeros, or comes back from
  /// them; what it is multiplied by is never above 1. Its limiters and meters go on as if it were heard: heat is what
  /// would have left. Of an output that is not there nothing changes. As real-time safe as `process`, and for its
  /// thread.
  void mute(std::size_t output, bool muted) noexcept;
  /// For the chain that takes over from another: each output goes on with the greater of both heats, so that it does
  /// not think its coil cold. Thresholds, thermal times and levels of the machine may differ; refused, as out_of_range,
  /// where the numbers of feeds or outputs do: then nothing has changed. An output without a power limiter knows no heat,
  /// and hands over none. As real-time safe as `process`, and for its thread.
  [[nodiscard]] Setup adopt_heat(const Chain& from) noexcept;
  /// One output's heat, and going on with the greater of its own and `heat`: for a chain that takes over from one whose
  /// memory it is lent. As real-time safe as `process`, and for its thread. 0, and nothing, of an output that is not
  /// there.
  CoilHeat heat(std::size_t output) const noexcept;
  void adopt_heat(std::size_t output, const CoilHeat& heat) noexcept;          ///< see `heat`
  std::uint64_t bad_samples() const noexcept { return bad_samples_; }          ///< of the feeds, not finite
  std::uint64_t bounded_samples() const noexcept { return bounded_samples_; }  ///< of the feeds, beyond +36 dBFS
  std::size_t feeds() const noexcept { return feeds_; }      ///< rows that `process` takes; 0 before `configure`
  std::size_t outputs() const noexcept { return outputs_; }  ///< rows that `process` fills; 0 before `configure`

 private:
  friend struct CounterProbe;
  /// Frames until the next point of the grid at most, or whole cells from one on.
  std::size_t next_run(std::size_t frames) const noexcept;
  void process_whole(std::span<const float* const> feeds, std::span<float* const> outputs, std::size_t frames) noexcept;

  const EngineTable* table_ = nullptr;
  void* engine_ = nullptr;
  std::span<float> admitted_;  ///< a run of each feed
  /// Whose loudspeaker takes the feed; kMaxOutputs where there is none, or several.
  std::array<std::uint8_t, kMaxFeeds> only_output_{};
  std::size_t feeds_ = 0, outputs_ = 0;
  std::uint32_t to_grid_ = kGridFrames;
  std::atomic<bool> at_work_{false};  ///< a thread is inside `process`
  std::uint64_t bad_samples_ = 0, bounded_samples_ = 0;
};

}  // namespace rackproof::dsp
