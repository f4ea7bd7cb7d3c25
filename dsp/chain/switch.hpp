#pragma once
/// A chain whose settings are changed while it runs, without a click: the next one is primed on the live input, then
/// the output moves over to it. With mutes of the outputs, and trims of the feeds, as ramps.
/// Theorem  (1) Ceilings: no sample of an output is above the greater of the two ceilings. Where the next chain's is the
///          lower one, none is above that from kCutFrames after the hand-over on; where it is the higher one, the
///          output rises to it in the fade. An output whose chain has no ceiling counts as one above all.
///          (2) Heat: each chain goes on with the greater heat of both, so that neither thinks a coil cold that the
///          other has warmed. Where the chain that is heard has no power limiter on an output, heat is not counted: then
///          the next one goes on with the most that there may be, the square of that chain's ceiling or what was handed
///          to it, but with no more than its own threshold's square. So a coil that is no hotter than the next threshold
///          when the fade ends stays so, within the 1 % of power_limiter.hpp and what the next chain's look-ahead holds
///          at that moment; of one that is hotter, what is above the threshold decays with the thermal time, and none
///          is added.
///          (3) Mutes and trims never make a sample greater than the ceilings allow: a mute is a factor of at most 1
///          behind the limiters, a trim stands ahead of them.
///          (4) While nothing changes and no trim is set, the output is the chain's, bit for bit. The bits do not
///          depend on the block size.
/// Method   Time is cut at the grid of kGridFrames, counted from `configure`; wishes are taken up at its points. A
///          hand-over: (prime) the next chain runs beside the one that is heard, for as long as its longest delay and
///          look-ahead last and `settle_frames` more; (fade) out = a + w (b - a), w from 1/kFadeFrames to 1 in equal
///          steps. From the hand-over on, where the next ceiling is the lower one, a is turned down over kCutFrames to
///          the ratio of both, and stays there. Without a ceiling of its own it is turned down to zero.
/// Proof    of (1). The ratio is rounded down: r <= c_b / c_a, so |a| r <= c_b, rounded too, as rounding keeps order.
///          With |a| and |b| at or below c, w in [0, 1): in real numbers a + w (b - a) lies between a and b. In single
///          precision, w = k / 2048: where a and b have one sign and lie within a factor of two of one another, b - a
///          is exact, w (b - a) is no longer than it, and rounding keeps order; elsewhere |b - a| is at least half of
///          the greater, and what w takes away, at least 2^-12 of it, is more than three roundings add. At w = 1 b is
///          copied. (The tests try both by brute force.)
///          of (2). Heat is linear in what heats: from the end of the fade on, nothing heats the coil that is not
///          counted, so that the true heat less the counted one decays where it is positive. There it is at most what
///          the true heat is above T^2, the next threshold's square, as what is counted is then T^2, or all that there
///          may be. With one chain the next one is heard when the ramp begins, in place of when the fade ends.
/// Claim    the wave between the samples may pass what holds for either chain by at most about 5 / kFadeFrames of
///          |b - a|: 0.04 dB where both are at a ceiling, with opposite signs. Where the straight line of w begins and
///          ends, the output's slope changes by |b - a| / kFadeFrames a frame: 66 dB below the step of a hard change.
///          The most heat that there may be is often too much. Then an output, though its coil is cold, may be turned
///          down by some 8 dB more than is needed for a few hundredths of its thermal time, and what plays above its
///          threshold is held to it at once, where a cold coil would be given about one thermal time.
/// Cost     of `process`: that of one chain; while one is primed or faded in, of two and a pass over the outputs, 2.02
///          times one chain in one lane and 2.12 in eight, whatever the data. Latency 0 samples beyond the chain's: it
///          is the next one's once that is heard. While two delays that are not alike are mixed, their sum has the
///          notches of a comb.
/// Memory   of two chains and of a cell of all rows. A part that cannot hold two lends for one (`chains` = 1): then a
///          change mutes all outputs, waits until they are silent, configures the one chain anew, primes and unmutes.
/// Wiring   a row of the outputs drives the same amplifier and driver before and after: ceilings and heat are theirs.
///          ChainSettings cannot tell, and `change` takes any of the plan's shape. Presets of an export can
///          (Preset::group): `change(ChainSwitch&, const Preset&)` of preset.hpp refuses another group's.
/// Reset    `configure` forgets all heat: see there.
/// Threads  `process`, `take_meter` and the counters belong to the audio thread (or interrupt). `change`, `mute`,
///          `trim` and `busy` belong to one other thread, and may run at any time beside it. They meet in atomic
///          numbers: nothing here waits, locks or allocates. `configure` comes before both.
#include <algorithm>
#include <array>
#include <atomic>
#include <cstddef>
#include <cstdint>
#include <limits>
#include <span>

#include "dsp/blocks/mutes.hpp"
#include "dsp/chain/arena.hpp"
#include "dsp/chain/chain.hpp"
#include "dsp/chain/chain_settings.hpp"
#include "dsp/chain/refusal.hpp"
#include "dsp/grid.hpp"
#include "dsp/level.hpp"
namespace rackproof::dsp::inline RACKPROOF_LEVEL {

/// What all settings that a switch is to run have in common, and how it is to run them.
struct SwitchPlan {
  std::size_t feeds = 0;                ///< of each; 0: nothing can be run
  std::size_t outputs = 0;              ///< of each
  std::uint32_t sample_rate_hz = 0;     ///< of each
  std::size_t chain_bytes = 0;          ///< the most that Chain::required_bytes asks for, of all settings
  std::size_t chains = 2;               ///< 1: a change is a silence
  std::uint32_t settle_frames = 24000;  ///< of priming, for the slowest filters: half a second at 48 kHz
  std::uint8_t group = 0;               ///< of the presets that it is for (preset.hpp); 0: of no presets

  /// Of settings that can be switched between; with `feeds` = 0 where they cannot: another number of feeds or outputs,
  /// another sample rate, none at all, or one that no memory could run. `bytes_of` is Chain::required_bytes for the
  /// level in use, or bytes_in_one_lane where the plan is a constant of firmware.
  template <class BytesOf>
  static constexpr SwitchPlan of(std::span<const ChainSettings> all, BytesOf&& bytes_of) noexcept {
    SwitchPlan plan;
    if (all.empty()) return plan;
    std::size_t most = 0;
    for (const ChainSettings& one : all) {
      const std::size_t bytes = bytes_of(one);
      if (bytes == 0 || one.feeds.size() != all[0].feeds.size() || one.outputs.size() != all[0].outputs.size() ||
          one.sample_rate_hz != all[0].sample_rate_hz)
        return plan;
      most = std::max(most, bytes);
    }
    plan.feeds = all[0].feeds.size();
    plan.outputs = all[0].outputs.size();
    plan.sample_rate_hz = all[0].sample_rate_hz;
    plan.chain_bytes = most;
    plan.settle_frames = plan.sample_rate_hz / 2;
    return plan;
  }
};

/// What `ChainSwitch::change` says.
enum class Change : std::uint8_t {
  taken,    ///< the settings are copied; the outputs move over to them
  not_yet,  ///< the one before is not done, or (with one chain) the outputs are not silent yet: call again
  refused   ///< by `ChainSwitch::refusal`; what runs goes on
};

/// Two chains, one heard: the theorem stands at the head of the file.
class ChainSwitch {
 public:
  static constexpr std::uint32_t kFadeFrames = 2048;  ///< from one chain to the next: 43 ms at 48 kHz
  static constexpr std::uint32_t kCutFrames = 256;    ///< until a lower ceiling holds: 5.3 ms at 48 kHz
  static constexpr std::uint32_t kTrimFrames = 1024;  ///< from one trim to the next: 21 ms at 48 kHz
  static constexpr float kMostTrim = 4.0f;            ///< +12 dB

  ChainSwitch() = default;  ///< nothing to run: `process` writes zeros
  ChainSwitch(const ChainSwitch&) = delete;
  ChainSwitch& operator=(const ChainSwitch&) = delete;

  /// Bytes to lend for a plan, wherever the memory begins.
  static constexpr std::size_t required_bytes(const SwitchPlan& plan) noexcept {
    Arena arena;
    Memory memory;
    memory.take(arena, plan);
    return arena.required();
  }
  /// Why `configure` or `change` would refuse these settings under the plan that this switch has, or `plan`.
  static Refusal refusal(const SwitchPlan& plan, const ChainSettings& settings, Level level = Chain::best()) noexcept {
    const Refusal refused = Chain::refusal(settings, plan.chain_bytes, level);
    if (refused.setup != Setup::ok) return refused;
    if (settings.feeds.size() != plan.feeds) return {Setup::out_of_range, Part::chain, 0, Field::feeds, 0};
    if (settings.outputs.size() != plan.outputs) return {Setup::out_of_range, Part::chain, 0, Field::outputs, 0};
    if (settings.sample_rate_hz != plan.sample_rate_hz)
      return {Setup::out_of_range, Part::chain, 0, Field::sample_rate, 0};
    return refused;
  }
  /// Under the plan and the level that this switch was configured with.
  Refusal refusal(const ChainSettings& settings) const noexcept { return refusal(plan_, settings, level_); }

  /// Begins muted, primes, then unmutes. Touches all of the memory: before the audio runs. Refused, it has nothing to
  /// run, and writes zeros. Coils count as cold: after anything but a power-on that found them so, keep the outputs muted
  /// for the longest thermal time (see Chain::reset).
  [[nodiscard]] Setup configure(const SwitchPlan& plan, const ChainSettings& first, std::span<std::byte> memory,
                                Level level = Chain::best()) noexcept {
    runs_ = false;
    if (plan.chains < 1 || plan.chains > 2 || plan.outputs > kMaxOutputs || plan.feeds > kMaxFeeds)
      return Setup::out_of_range;
    const Setup setup = refusal(plan, first, level).setup;
    if (setup != Setup::ok) return setup;
    if (memory.size() < required_bytes(plan)) return Setup::memory_too_small;
    Arena arena(memory);
    memory_.take(arena, plan);
    plan_ = plan;
    level_ = level;
    heard_ = 0;
    if (!fill(0, first)) return Setup::out_of_range;
    for (Mutes::Output& output : memory_.mutes) output.begins_muted = true;
    mutes_.configure(memory_.mutes);
    for (std::atomic<bool>& wish : muted_) wish.store(false, std::memory_order_relaxed);
    for (std::atomic<float>& wish : trim_) wish.store(1.0f, std::memory_order_relaxed);
    trims_.fill(Trim{});
    hand_.store(Hand::free, std::memory_order_relaxed);
    begin(Phase::starts);
    at_ = 0;
    bad_before_ = bounded_before_ = 0;
    runs_ = true;
    return Setup::ok;
  }

  // ---- the other thread ---------------------------------------------------------------------------------------------

  /// Configures a chain that is not heard, and hands it over. Costs what Chain::configure costs. With `not_yet` nothing
  /// has been kept; with one chain the outputs go silent, and stay so until a call is `taken`.
  [[nodiscard]] Change change(const ChainSettings& settings) noexcept {
    if (!runs_ || refusal(settings).setup != Setup::ok) return Change::refused;
    const Hand hand = hand_.load(std::memory_order_acquire);
    if (plan_.chains == 1 && hand == Hand::free) {
      hand_.store(Hand::asks_for_silence, std::memory_order_release);
      return Change::not_yet;
    }
    if (hand != (plan_.chains == 1 ? Hand::lent : Hand::free)) return Change::not_yet;
    const std::size_t slot = plan_.chains == 1 ? 0 : 1 - heard_;
    if (plan_.chains == 1) find_heat_left(settings);
    if (!fill(slot, settings)) return Change::refused;
    if (plan_.chains == 1) hand_over_heat_left();
    hand_.store(Hand::offered, std::memory_order_release);
    return Change::taken;
  }
  /// A change has been taken, or asked for, and the outputs have not moved over yet.
  bool busy() const noexcept { return hand_.load(std::memory_order_acquire) != Hand::free; }
  /// On top of what the settings mute, and kept from one change to the next. Of an output that is not there: nothing.
  void mute(std::size_t output, bool muted) noexcept {
    if (output < plan_.outputs) muted_[output].store(muted, std::memory_order_relaxed);
  }
  /// `gain` 0 to kMostTrim, ahead of all that the chain does to the feed; reached in a straight line within two times
  /// kTrimFrames. False where it is out of range, or no such feed is there: then nothing changes.
  [[nodiscard]] bool trim(std::size_t feed, float gain) noexcept {
    if (feed >= plan_.feeds || !(gain >= 0.0f && gain <= kMostTrim)) return false;
    trim_[feed].store(gain, std::memory_order_relaxed);
    return true;
  }

  // ---- the audio thread ---------------------------------------------------------------------------------------------

  /// As Chain::process, also in what may overlap and in what becomes of bad samples: one row for each feed and output,
  /// any number of frames. Where there are fewer rows, zeros.
  void process(std::span<const float* const> feeds, std::span<float* const> outputs, std::size_t frames) noexcept {
    if (!runs_ || feeds.size() < plan_.feeds || outputs.size() < plan_.outputs) {
      for (float* const row : outputs) std::fill_n(row, frames, 0.0f);
      return;
    }
    std::array<const float*, kMaxFeeds> from{};
    std::array<float*, kMaxOutputs> to{};
    for (std::size_t done = 0; done < frames;) {
      const std::size_t count = std::min<std::size_t>(frames - done, kGridFrames - at_);
      for (std::size_t f = 0; f < plan_.feeds; ++f) from[f] = feeds[f] + done;
      for (std::size_t o = 0; o < plan_.outputs; ++o) to[o] = outputs[o] + done;
      if (at_ == 0) begin_cell();
      piece(std::span(from).first(plan_.feeds), std::span(to).first(plan_.outputs), count);
      at_ += static_cast<std::uint32_t>(count);
      done += count;
      if (at_ == kGridFrames) end_cell();
    }
  }
  /// Muted since `configure`, until the first chain is primed; with one chain, after each change too.
  bool begins() const noexcept { return phase_ == Phase::starts; }
  /// Of the chain that is heard, as Chain::take_meter. With one chain, while it is configured anew, nothing was limited
  /// and no heat is known.
  Meter take_meter(std::size_t output) noexcept {
    return phase_ == Phase::silent ? Meter{} : chains_[heard_].take_meter(output);
  }
  /// Of the feeds, not finite, since `configure`, over all chains.
  std::uint64_t bad_samples() const noexcept {
    return bad_before_ + (phase_ == Phase::silent ? 0 : chains_[heard_].bad_samples());
  }
  /// Of the feeds, beyond +36 dBFS, likewise.
  std::uint64_t bounded_samples() const noexcept {
    return bounded_before_ + (phase_ == Phase::silent ? 0 : chains_[heard_].bounded_samples());
  }
  std::uint8_t group() const noexcept { return runs_ ? plan_.group : std::uint8_t{0}; }  ///< the plan's
  std::size_t feeds() const noexcept { return runs_ ? plan_.feeds : 0; }                 ///< rows that `process` takes
  std::size_t outputs() const noexcept { return runs_ ? plan_.outputs : 0; }             ///< rows that `process` fills

 private:
  /// Whose turn it is. `free`: a change may be offered. The audio thread goes from `offered` to `free` when it is done,
  /// and, with one chain, from `asks_for_silence` to `lent` when it no longer touches the chain.
  enum class Hand : std::uint8_t { free, offered, asks_for_silence, lent };
  /// starts: muted, until primed. falls, silent: with one chain, ahead of a change.
  enum class Phase : std::uint8_t { starts, alone, primes, fades, falls, silent };
  struct Trim {
    float from = 1.0f, to = 1.0f;
    std::uint32_t frames = kTrimFrames;  ///< since it began to move; kTrimFrames: it stands at `to`
    constexpr bool moves() const noexcept { return frames < kTrimFrames; }
  };
  /// Of an output's coil, in one of the chains.
  struct Warmth {
    bool counted = false;  ///< by a power limiter
    float most = 0.0f;     ///< mean square: that its threshold allows; where it is not counted, that there may be
  };
  /// What is carved from what is lent.
  struct Memory {
    std::span<Mutes::Output> mutes;
    std::span<float> feed_rows, spare_rows;  ///< kGridFrames each: the trimmed feeds, the outputs of the next chain
    std::span<float> cuts;                   ///< an output: what the chain that is heard is turned down to
    std::array<std::span<float>, 2> ceilings;
    std::array<std::span<Warmth>, 2> warmth;
    std::span<CoilHeat> heat;
    std::array<std::span<std::byte>, 2> chains;

    constexpr void take(Arena& arena, const SwitchPlan& plan) noexcept {
      mutes = arena.take<Mutes::Output>(plan.outputs);
      feed_rows = arena.take<float>(plan.feeds * kGridFrames);
      if (plan.chains == 2) spare_rows = arena.take<float>(plan.outputs * kGridFrames);
      cuts = arena.take<float>(plan.outputs);
      if (plan.chains == 1) heat = arena.take<CoilHeat>(plan.outputs);
      for (std::size_t c = 0; c < plan.chains && c < 2; ++c) {
        ceilings[c] = arena.take<float>(plan.outputs);
        warmth[c] = arena.take<Warmth>(plan.outputs);
        chains[c] = arena.take<std::byte>(plan.chain_bytes);
      }
    }
  };
  static constexpr float kNoCeiling = 2.0f * kMostCeiling;

  bool fill(std::size_t slot, const ChainSettings& settings) noexcept {
    if (chains_[slot].configure(settings, memory_.chains[slot], level_) != Setup::ok) return false;
    std::uint32_t longest = kCutFrames;
    for (std::size_t o = 0; o < plan_.outputs; ++o) {
      const OutputSettings& out = settings.outputs[o];
      memory_.ceilings[slot][o] = out.peak.enabled ? out.peak.ceiling : kNoCeiling;
      memory_.warmth[slot][o] = warmth_of(out);
      longest = std::max(longest, out.delay.whole_samples + static_cast<std::uint32_t>(kFractionTaps) +
                                      out.peak.look_ahead_samples + out.peak.hold_samples + kGridFrames);
    }
    prime_frames_[slot] = longest + plan_.settle_frames;
    return true;
  }
  /// Of a cold coil.
  static constexpr Warmth warmth_of(const OutputSettings& out) noexcept {
    if (out.power.enabled) return {.counted = true, .most = out.power.threshold_rms * out.power.threshold_rms};
    const float any = std::numeric_limits<float>::max();
    return {.counted = false, .most = out.peak.enabled ? out.peak.ceiling * out.peak.ceiling : any};
  }
  /// What goes over where nothing has counted it. How loud it was does not: the next chain hears that itself.
  static constexpr CoilHeat uncounted_heat(const Warmth& before, const Warmth& next) noexcept {
    return {.mean_square = next.counted ? std::min(before.most, next.most) : before.most, .level = 0.0f};
  }
  /// With one chain, of which the next is to be configured in the same place: what it leaves behind, and who takes it.
  void find_heat_left(const ChainSettings& next) noexcept {
    for (std::size_t o = 0; o < plan_.outputs; ++o) {
      const Warmth& before = memory_.warmth[0][o];
      if (!before.counted) memory_.heat[o] = uncounted_heat(before, warmth_of(next.outputs[o]));
    }
  }
  void hand_over_heat_left() noexcept {
    for (std::size_t o = 0; o < plan_.outputs; ++o) {
      Warmth& now = memory_.warmth[0][o];
      if (!now.counted) now.most = std::max(now.most, memory_.heat[o].mean_square);
      chains_[0].adopt_heat(o, memory_.heat[o]);
    }
  }
  void begin(Phase phase) noexcept {
    phase_ = phase;
    frames_ = 0;
  }
  bool two_run() const noexcept { return phase_ == Phase::primes || phase_ == Phase::fades; }
  bool must_be_silent() const noexcept {
    return phase_ == Phase::starts || phase_ == Phase::falls || phase_ == Phase::silent;
  }
  void keep_counts_of(const Chain& chain) noexcept {
    bad_before_ += chain.bad_samples();
    bounded_before_ += chain.bounded_samples();
  }

  void begin_cell() noexcept {
    const Hand hand = hand_.load(std::memory_order_acquire);
    if (hand == Hand::asks_for_silence && phase_ != Phase::falls) begin(Phase::falls);
    if (hand == Hand::offered) take_offer();
    if (two_run()) share_heat();
    for (std::size_t o = 0; o < plan_.outputs; ++o) {
      const bool muted = must_be_silent() || muted_[o].load(std::memory_order_relaxed);
      if (muted != mutes_.wants(o)) mutes_.want(o, muted);
    }
    for (std::size_t f = 0; f < plan_.feeds; ++f) {
      const float wish = trim_[f].load(std::memory_order_relaxed);
      if (!trims_[f].moves() && wish != trims_[f].to) trims_[f] = {trims_[f].to, wish, 0};
    }
  }
  void take_offer() noexcept {
    if (phase_ == Phase::silent) {  // the one chain, configured anew
      begin(Phase::starts);
      hand_.store(Hand::free, std::memory_order_release);
    } else if (phase_ == Phase::starts) {  // nothing is heard yet, and nothing heated: no fade
      static_cast<void>(chains_[1 - heard_].adopt_heat(chains_[heard_]));
      take_over();
      begin(Phase::starts);
    } else if (phase_ == Phase::alone) {
      begin(Phase::primes);
      find_cuts();
    }
  }
  void end_cell() noexcept {
    at_ = 0;
    frames_ += kGridFrames;
    for (std::size_t f = 0; f < plan_.feeds; ++f)
      if (trims_[f].moves()) trims_[f].frames += kGridFrames;
    switch (phase_) {
      case Phase::starts:
        if (frames_ >= prime_frames_[heard_]) begin(Phase::alone);
        return;
      case Phase::primes:
        if (frames_ >= prime_frames_[1 - heard_]) begin(Phase::fades);
        return;
      case Phase::fades:
        if (frames_ >= kFadeFrames) take_over();
        return;
      case Phase::falls:
        if (!mutes_.all_silent()) return;
        for (std::size_t o = 0; o < plan_.outputs; ++o) memory_.heat[o] = chains_[0].heat(o);
        keep_counts_of(chains_[0]);
        begin(Phase::silent);
        hand_.store(Hand::lent, std::memory_order_release);
        return;
      case Phase::alone:
      case Phase::silent:
        return;
    }
  }
  void take_over() noexcept {
    const Chain &before = chains_[heard_], &now = chains_[1 - heard_];
    keep_counts_of(before);  // the next one has counted the same samples while it was primed and faded in
    bad_before_ -= now.bad_samples();
    bounded_before_ -= now.bounded_samples();
    heard_ = 1 - heard_;
    begin(Phase::alone);
    hand_.store(Hand::free, std::memory_order_release);
  }
  /// The ratio of the ceilings, rounded down, where the next one is the lower.
  void find_cuts() noexcept {
    for (std::size_t o = 0; o < plan_.outputs; ++o) {
      const float now = memory_.ceilings[heard_][o], next = memory_.ceilings[1 - heard_][o];
      const float ratio = next / now * (1.0f - 0x1p-23f);
      memory_.cuts[o] = next >= now ? 1.0f : now == kNoCeiling ? 0.0f : ratio;
    }
  }
  /// While one is primed it alone takes over heat, as it is not heard. While both are heard, each cell begins with the
  /// greater heat in both: what is mixed in it heats no more than the hotter of both would.
  void share_heat() noexcept {
    Chain &now = chains_[heard_], &next = chains_[1 - heard_];
    static_cast<void>(next.adopt_heat(now));
    for (std::size_t o = 0; o < plan_.outputs; ++o) {
      const Warmth& from = memory_.warmth[heard_][o];
      Warmth& to = memory_.warmth[1 - heard_][o];
      if (!to.counted) to.most = std::max(to.most, from.counted ? now.heat(o).mean_square : from.most);
      if (to.counted && !from.counted) next.adopt_heat(o, uncounted_heat(from, to));
    }
    if (phase_ == Phase::fades) static_cast<void>(now.adopt_heat(next));
  }

  void piece(std::span<const float* const> feeds, std::span<float* const> outputs, std::size_t frames) noexcept {
    if (phase_ == Phase::silent) {
      for (float* const row : outputs) std::fill_n(row, frames, 0.0f);
    } else {
      std::array<const float*, kMaxFeeds> trimmed{};
      for (std::size_t f = 0; f < feeds.size(); ++f) trimmed[f] = through_trim(f, feeds[f], frames);
      const std::span<const float* const> in = std::span(trimmed).first(feeds.size());
      if (two_run()) {  // ahead of the one that is heard, whose outputs may lie in the rows of the feeds
        std::array<float*, kMaxOutputs> spare{};
        for (std::size_t o = 0; o < outputs.size(); ++o) spare[o] = memory_.spare_rows.data() + o * kGridFrames;
        chains_[1 - heard_].process(in, std::span(spare).first(outputs.size()), frames);
      }
      chains_[heard_].process(in, outputs, frames);
      if (two_run())
        for (std::size_t o = 0; o < outputs.size(); ++o) {
          cut(memory_.cuts[o], {outputs[o], frames});
          if (phase_ == Phase::fades) mix({outputs[o], frames}, memory_.spare_rows.data() + o * kGridFrames);
        }
    }
    mutes_.process(outputs, frames);
  }
  const float* through_trim(std::size_t feed, const float* in, std::size_t frames) noexcept {
    const Trim& trim = trims_[feed];
    if (!trim.moves() && trim.to == 1.0f) return in;
    float* const row = memory_.feed_rows.data() + feed * kGridFrames;
    for (std::size_t n = 0; n < frames; ++n) row[n] = in[n] * gain_of(trim, at_ + static_cast<std::uint32_t>(n));
    return row;
  }
  static float gain_of(const Trim& trim, std::uint32_t at) noexcept {
    constexpr float kStep = 1.0f / kTrimFrames;
    const std::uint32_t frame = trim.frames + at + 1;
    if (frame >= kTrimFrames) return trim.to;
    return trim.from + kStep * static_cast<float>(frame) * (trim.to - trim.from);
  }
  /// A cell lies in the ramp as a whole, or behind it.
  void cut(float ratio, std::span<float> row) const noexcept {
    if (ratio == 1.0f) return;
    constexpr float kStep = 1.0f / kCutFrames;
    if (phase_ == Phase::primes && frames_ < kCutFrames) {
      const auto first = static_cast<std::int32_t>(frames_ + at_ + 1);
      for (std::size_t n = 0; n < row.size(); ++n) {
        const float gain = 1.0f - kStep * static_cast<float>(first + static_cast<std::int32_t>(n)) * (1.0f - ratio);
        row[n] *= std::max(gain, ratio);
      }
    } else if (ratio == 0.0f) {
      std::ranges::fill(row, 0.0f);  // also what is not finite
    } else {
      for (float& x : row) x *= ratio;
    }
  }
  void mix(std::span<float> now, const float* __restrict next) const noexcept {
    constexpr float kStep = 1.0f / kFadeFrames;
    float* __restrict const row = now.data();
    const auto first = static_cast<std::int32_t>(frames_ + at_ + 1);
    for (std::size_t n = 0; n < now.size(); ++n) {
      const float weight = kStep * static_cast<float>(first + static_cast<std::int32_t>(n));
      row[n] += weight * (next[n] - row[n]);
    }
    if (frames_ + at_ + now.size() == kFadeFrames) now.back() = next[now.size() - 1];
  }

  static_assert(std::atomic<float>::is_always_lock_free && std::atomic<bool>::is_always_lock_free,
                "this processor has no atomic numbers of that size: threads could not meet in them without a lock");

  SwitchPlan plan_;
  Level level_ = Level::lanes_1;
  bool runs_ = false;
  Memory memory_;
  std::array<Chain, 2> chains_;
  std::array<std::uint32_t, 2> prime_frames_{};
  std::size_t heard_ = 0;  ///< which chain
  Phase phase_ = Phase::starts;
  std::uint32_t frames_ = 0;  ///< of the phase, up to the last point of the grid
  std::uint32_t at_ = 0;      ///< frames since the last point of the grid
  Mutes mutes_;
  std::array<Trim, kMaxFeeds> trims_{};
  std::uint64_t bad_before_ = 0, bounded_before_ = 0;  ///< of the chains that are gone
  std::atomic<Hand> hand_{Hand::free};
  std::array<std::atomic<bool>, kMaxOutputs> muted_{};
  std::array<std::atomic<float>, kMaxFeeds> trim_{};
};

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
