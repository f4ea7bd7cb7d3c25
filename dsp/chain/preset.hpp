#pragma once
/// Several chains in one flash, and what tells at power-on that this build of the core is the proven one and that its
/// numbers are those that were exported.
/// Claim    a build whose arithmetic differs (products that are contracted, an order of sums that is changed, a
///          rounding mode) gives another answer to the same known input, and `self_test` fails. A right build gives the
///          answer of every other right build, bit for bit, whatever the machine and the level. It fails, too, where a
///          number of `Preset::chain` or of a list that it points to is not what was exported: `is_intact`.
/// Method   noise from an integer generator, in turn far over full scale and quiet, with samples that may not enter,
///          through the preset's own chain, until its longest delay has passed and 1024 frames more. Coils warm at
///          once there, and outputs that begin muted are heard: so every section, split, tap and limiter works within
///          some ten milliseconds. The answer is FNV-1a over the bits of all outputs and meters.
/// Use      at power-on, ahead of the first block, in the memory that the chain will be lent; then `configure` as ever.
///          Outputs of the machine stay muted meanwhile: nothing that it computes is for a converter.
///          The source that calls `self_test` answers for its own build too (a switch of chains is compiled there).
/// Limits   it knows arithmetic and numbers, not hardware: no converter, clock, memory test or watchdog. It runs a chain
///          alone: no fade, mute or trim of a ChainSwitch. Of a preset its fingerprint covers `chain` and what that
///          points to, not the names, `block_frames`, `memory_bytes` and `group`; nor does it cover code, which may hold
///          numbers of its own, or what flips after it was asked. An address or a length in `chain` that is damaged is
///          followed, and a flag whose byte is neither 0 nor 1 is undefined.
#include <algorithm>
#include <array>
#include <bit>
#include <cstddef>
#include <cstdint>
#include <span>

#include "dsp/chain/chain.hpp"
#include "dsp/chain/one_lane.hpp"
#include "dsp/chain/switch.hpp"
#include "dsp/fnv.hpp"
namespace rackproof::dsp {

/// One chain of a table of them. All that it points to are constants.
struct Preset {
  const char* name;                           ///< of its rig file
  ChainSettings chain;                        ///< what Chain::configure takes
  std::span<const char* const> output_names;  ///< in the order of the rows
  std::uint64_t fingerprint;                  ///< of the numbers: Fingerprint::of(chain); see `is_intact`
  std::uint64_t answer;                       ///< that a right build gives to the self-test
  std::size_t block_frames;                   ///< a call
  std::size_t memory_bytes;                   ///< for Level::lanes_1, on the machine that is compiled for
  std::uint8_t group;  ///< presets of one number drive the same: they can be faded into one another
};

/// The preset as it stands in memory. A compiler that sees a table of constants need not read it, and what flipped in
/// flash would go unseen: that the address is read as volatile hides from it whose numbers they are.
inline const Preset& as_it_stands(const Preset& preset) noexcept {
  const Preset* const volatile where = &preset;
  return *where;
}
/// Whether the numbers are those that were exported. Looks at each once, some ten instructions a byte of them.
/// Theorem  what changes within one byte of a number is always seen: each step of FNV-1a is one to one, whatever
///          follows.
/// Claim    of all other changes, one in 2^64 is not seen.
[[nodiscard]] inline bool is_intact(const Preset& preset) noexcept {
  const Preset& there = as_it_stands(preset);
  return Fingerprint::of(there.chain) == there.fingerprint;
}

/// Whether two chains have one shape, so that a switch can run both. What is wired to their rows must be the same as
/// well, which no number here knows: `group` of a preset does. What differs takes a stop: mute, stop, `configure`, wait
/// muted for the longest thermal time where coils may be warm, and be heard again.
constexpr bool can_fade(const ChainSettings& a, const ChainSettings& b) noexcept {
  return a.sample_rate_hz == b.sample_rate_hz && a.feeds.size() == b.feeds.size() &&
         a.outputs.size() == b.outputs.size();
}

/// What a switch of the presets of one group takes, two chains at once or one (see switch.hpp); as a constant, for the
/// machine that is compiled for. With `feeds` = 0 where there is no such group.
constexpr SwitchPlan switch_plan(std::span<const Preset> presets, std::uint8_t group, std::size_t chains = 2) noexcept {
  SwitchPlan plan;
  plan.chains = chains;
  plan.group = group;
  for (const Preset& preset : presets) {
    if (preset.group != group) continue;
    plan.feeds = preset.chain.feeds.size();
    plan.outputs = preset.chain.outputs.size();
    plan.sample_rate_hz = preset.chain.sample_rate_hz;
    plan.settle_frames = preset.chain.sample_rate_hz / 2;
    plan.chain_bytes = std::max(plan.chain_bytes, preset.memory_bytes);
  }
  return plan;
}
/// Bytes that do for a switch of whichever group, one group at a time.
constexpr std::size_t switch_bytes(std::span<const Preset> presets, std::size_t chains = 2) noexcept {
  std::size_t most = 0;
  for (const Preset& preset : presets)
    most = std::max(most, ChainSwitch::required_bytes(switch_plan(presets, preset.group, chains)));
  return most;
}

/// ChainSwitch::configure and ChainSwitch::change, of presets: out of range or refused is also one that is not intact, or
/// not of the plan's group, whose ceilings, volts and drivers are other ones. A plan that `switch_plan` made has a group;
/// under another none is taken. Not for the audio thread: the numbers are looked at once.
[[nodiscard]] inline Setup configure(ChainSwitch& chains, const SwitchPlan& plan, const Preset& first,
                                     std::span<std::byte> memory, Level level = Chain::best()) noexcept {
  const Preset& there = as_it_stands(first);
  const bool fits = there.group != 0 && there.group == plan.group && is_intact(there);
  // What ran before must not go on: a plan of no chain is refused, and leaves silence.
  return chains.configure(fits ? plan : SwitchPlan{.chains = 0}, there.chain, memory, level);
}
/// See `configure`. What runs goes on where it is refused.
[[nodiscard]] inline Change change(ChainSwitch& chains, const Preset& next) noexcept {
  const Preset& there = as_it_stands(next);
  const bool fits = there.group != 0 && there.group == chains.group() && is_intact(there);
  return fits ? chains.change(there.chain) : Change::refused;
}

/// Samples of the self-test, one after another: the same on every machine.
class SelfTestInput {
 public:
  /// Uniform noise, +-1, times the level of `frame`; or a sample that may not enter.
  constexpr float next(std::uint32_t frame) noexcept {
    constexpr float kLevels[] = {0.25f, 32.0f, 2.0f, 32.0f};  // powers of two: no product here is rounded
    constexpr std::uint32_t kStepFrames = 128;
    state_ = state_ * 1664525u + 1013904223u;  // all of 2^32 states in turn: D. Knuth, TAOCP 2, 3.2.1.2; from memory
    if (frame == 200) return std::bit_cast<float>(0x7fc00000u);  // no number
    if (frame == 201) return std::bit_cast<float>(0xff800000u);  // minus infinity
    if (frame == 202) return 100.0f;                             // over +36 dBFS
    const std::int32_t noise = static_cast<std::int32_t>(state_ >> 8) - 0x800000;
    return static_cast<float>(noise) * 0x1p-23f * kLevels[frame / kStepFrames % 4];
  }

 private:
  std::uint32_t state_ = 1;
};

/// How many frames the self-test runs.
constexpr std::uint32_t self_test_frames(const ChainSettings& settings) noexcept {
  std::uint32_t longest = 0;
  for (const OutputSettings& out : settings.outputs) longest = std::max(longest, out.delay.whole_samples);
  return longest + settings.latency_samples + 1024;
}

/// An output as the self-test runs it: heard, and with a coil that warms in 2048 frames to a threshold 12 dB below what
/// its peak limiter passes. Takes the same memory. So the answer does not hang on `muted`, `threshold_rms` and `forget`
/// as they are, nor on the sample rate, nor on a hold that no signal here outlasts: the fingerprint does.
constexpr OutputSettings for_self_test(OutputSettings out) noexcept {
  const float passes = out.peak.enabled ? out.peak.ceiling : 1.0f;
  out.muted = false;
  out.power.threshold_rms = std::max(std::min(out.power.threshold_rms, 0.25f * passes), 1e-6f);
  out.power.forget = 1.0f / 32;
  return out;
}

/// What this build answers; 0 where the settings are more than `MostFeeds` or `MostOutputs`, are refused, or the memory
/// is too small. The sizes set the stack that it takes: about 200 bytes an output. `memory` and `level` as
/// Chain::configure takes them.
template <std::size_t MostFeeds, std::size_t MostOutputs>
std::uint64_t answer_of(const ChainSettings& settings, std::span<std::byte> memory,
                        Level level = Level::lanes_1) noexcept {
  const std::size_t feeds = settings.feeds.size(), outputs = settings.outputs.size();
  if (feeds > MostFeeds || outputs > MostOutputs) return 0;
  std::array<OutputSettings, MostOutputs> test_outputs;
  for (std::size_t o = 0; o < outputs; ++o) test_outputs[o] = for_self_test(settings.outputs[o]);
  ChainSettings test = settings;
  test.outputs = std::span<const OutputSettings>(test_outputs).first(outputs);
  Chain chain;
  if (chain.configure(test, memory, level) != Setup::ok) return 0;

  constexpr std::size_t kPiece = 21;  // what is left over of loops by four and by sixteen is run as well
  std::array<std::array<float, kPiece>, MostFeeds> in;
  std::array<std::array<float, kPiece>, MostOutputs> out;
  std::array<const float*, MostFeeds> from{};
  std::array<float*, MostOutputs> to{};
  for (std::size_t f = 0; f < feeds; ++f) from[f] = in[f].data();
  for (std::size_t o = 0; o < outputs; ++o) to[o] = out[o].data();
  SelfTestInput input;
  Fnv1a hash;
  float trace = 0.0f;
  const std::uint32_t frames = self_test_frames(settings);
  for (std::uint32_t done = 0; done < frames; done += kPiece) {
    for (std::uint32_t n = 0; n < kPiece; ++n)
      for (std::size_t f = 0; f < feeds; ++f) in[f][n] = input.next(done + n);
    chain.process(std::span(from).first(feeds), std::span(to).first(outputs), kPiece);
    for (std::size_t o = 0; o < outputs; ++o)
      for (const float sample : out[o]) hash.add(sample);
    // The source that calls this may be built otherwise than the chain.
    // Two loops: a choice inside the sum would part the product from it, and nothing would be left to contract.
    std::array<float, kPiece> tame;
    for (std::size_t n = 0; n < kPiece; ++n) tame[n] = in[0][n] > -40.0f && in[0][n] < 40.0f ? in[0][n] : 0.0f;
    for (const float sample : tame) trace = 0.9f * trace + sample;
    hash.add(trace);
  }
  for (std::size_t o = 0; o < outputs; ++o) {
    const Meter meter = chain.take_meter(o);
    hash.add(meter.least_peak_gain);
    hash.add(meter.least_power_gain);
    hash.add(static_cast<std::uint32_t>(meter.limited_frames));
    hash.add(meter.heat_mean_square);
  }
  hash.add(static_cast<std::uint32_t>(chain.bad_samples()));
  hash.add(static_cast<std::uint32_t>(chain.bounded_samples()));
  return hash.value();
}

/// Whether this build is the proven one, with the numbers that were exported. False where the memory is too small, too.
/// What the memory held is gone.
template <std::size_t MostFeeds, std::size_t MostOutputs>
[[nodiscard]] bool self_test(const Preset& preset, std::span<std::byte> memory) noexcept {
  if (!is_intact(preset)) return false;
  const Preset& there = as_it_stands(preset);
  const std::uint64_t answer = answer_of<MostFeeds, MostOutputs>(there.chain, memory);
  return answer != 0 && answer == there.answer;
}

}  // namespace rackproof::dsp
