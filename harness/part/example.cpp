// How exported chains sit in a controller: codes in, codes out, once a block, from the interrupt of the audio DMA, with
// presets that are changed while it runs. Built for a part it is the pattern to copy; run anywhere, it drives itself
// with a loud tone through every preset and returns 0 if all is well: 2 where a code passed its ceiling, 3 where silence
// and sound are the wrong way round, 4 where the build or its numbers are not the proven ones; the others are below. It
// is yours: exporting again replaces chain_numbers.hpp and converter_codes.hpp, and leaves this file alone.
//
//   g++ -std=c++20 -O2 -ffp-contract=off -I CORE main.cpp CORE/dsp/chain/chain.cpp
//   arm-none-eabi-g++ the same, with -mcpu=cortex-m4 -mthumb -mfloat-abi=hard -mfpu=fpv4-sp-d16 -fno-exceptions
//     -fno-rtti -DNDEBUG, and your own start-up and linker script
//
// CORE is the folder that holds dsp/: include/rackproof of an installation, or the export itself (`export --core`).
// -ffp-contract=off is needed: with fused products the samples are no longer those that were proven. The self-test at
// power-on is there to see a build where it was forgotten, or another that computes otherwise, and numbers in flash that
// are no longer those that were exported. Whether the rig was proven it cannot know: `rackproof prove RIG` does that.
//
// Which call is safe where
//   self_test, configure
//                      touch all of the memory: before the DMA runs, or with it stopped. Never in an interrupt.
//   process, take_meter, the meters' take
//                      in one context alone, the block interrupt. They allocate nothing, lock nothing, call no libm;
//                      the cost of a block is fixed, and twice that while two chains run (`rackproof budget RIG
//                      --target cortex-m4` counts one). A 64-bit count can be torn by an interrupt: hand readings on.
//   change, mute, trim, busy
//                      in one other context, the main loop, at any time. `change` takes as long as `configure`.
// On a part that saves the floating-point registers lazily, leave that on; the interrupt needs them.
//
// Memory. Two chains run while one moves over to the other: kMemoryBytes below. A part that cannot hold two takes
// kChains = 1: a change then mutes, waits, configures and unmutes. Presets of another group (other feeds, outputs,
// drivers, amplifiers, volts at full scale or sample rate) always take a stop: mute, stop the DMA, look at what is wired
// to each output, set the converter's clock, `configure` with the plan of that group, which takes all coils for cold: wait
// the longest thermal time, muted, and go on. dsp::change and
// dsp::configure refuse a preset that is not of the plan's group; the members of ChainSwitch, which take bare settings,
// cannot.
//
// Scaling. A code of a converter is a fraction of its full scale; converter_codes.hpp has both ways to put 24 bits into
// a word, and slots of a multiplexed port. Take `right` until you know: taken for the other one it is 48 dB too quiet, and
// `left` taken for `right` is noise at full scale. Look at the converter's output on an oscilloscope first, a sine at -60
// dBFS, amplifiers off. 1.0 in a sample is the full scale that the rig file names
// (`output_full_scale`), and every threshold hangs on that: measure it, a sine at -20 dBFS and a voltmeter that reads
// true RMS, before an amplifier is connected.
//
// Muted until proven. Outputs are silent, and the amplifiers' relays open, until the self-test has passed, the chain is
// configured and has settled (the switch begins muted and unmutes with a ramp). A late block opens the relays, and they
// stay open until a person resets: what is late once will be late again. The watchdog is fed from the block interrupt
// alone: a main loop that lives on while audio has died must not feed it. Its reset forgets how warm the coils are: wait
// the longest thermal time, muted, before the switch is configured again, and after some resets in a row stay muted. A
// loop of one reset a second has given a cone 432 W that is rated for 350 W.
//
// Cautions. Converter outputs drive amplifiers with hazardous voltage, and loudspeakers can harm hearing and catch
// fire. First power-up with no loudspeaker, then with a dummy load, gains down; prove the limits at the terminals.
// Local codes and licensed practice come first. A limiter in software is no fuse: keep the protection that the
// amplifiers have.
#include <array>
#include <cstddef>
#include <cstdint>

#include "chain_numbers.hpp"
#include "converter_codes.hpp"
#include "dsp/blocks/row_meter.hpp"
#include "dsp/chain/preset.hpp"
#include "dsp/chain/switch.hpp"

namespace {
using namespace rackproof;
using chain_numbers::kPresets;

constexpr auto kJustified = firmware::Justified::right;  ///< the converter's; the wrong one of `right` is the quiet one
constexpr std::size_t kChains = 2;
constexpr std::size_t kFirst = 0;  ///< the preset at power-on
constexpr dsp::SwitchPlan kPlan = dsp::switch_plan(kPresets, kPresets[kFirst].group, kChains);
constexpr std::size_t kFeeds = kPlan.feeds, kOutputs = kPlan.outputs, kFrames = kPresets[kFirst].block_frames;
constexpr std::size_t kMemoryBytes = dsp::ChainSwitch::required_bytes(kPlan);

/// What the board would hold: where the DMA reads and writes, a slot a channel, what the board tells the block interrupt
/// (the DMA wants the next block while this one is still at work), and what that tells the rest.
std::array<std::uint32_t, kFrames * kFeeds> words_in{};
std::array<std::uint32_t, kFrames * kOutputs> words_out{};
volatile bool next_block_is_due = false;
volatile bool relays_closed = false, watchdog_fed = false;
/// Of the block interrupt. Any reset takes them back: keep `was_late` where the watchdog's own reset leaves it.
bool has_begun = false, was_late = false;

alignas(8) std::byte memory[kMemoryBytes > chain_numbers::kMemoryBytes ? kMemoryBytes : chain_numbers::kMemoryBytes];
dsp::ChainSwitch chains;
std::array<std::array<float, kFrames>, kFeeds> feeds;
std::array<std::array<float, kFrames>, kOutputs> outputs;
std::array<dsp::RowMeter, kFeeds> feed_meters;
std::array<dsp::RowMeter, kOutputs> output_meters;

/// What a display would show of a channel, since it was read last.
struct Shown {
  float peak = 0.0f, mean_square = 0.0f;      ///< 1.0 = digital full scale, and its square
  float least_peak_gain = 1.0f, heat = 0.0f;  ///< of an output; heat against threshold_rms squared
  std::uint64_t bad_samples = 0;              ///< of a feed
};
Shown read_feed(std::size_t f) {
  const dsp::RowMeter::Reading reading = feed_meters[f].take();
  return {.peak = reading.peak, .mean_square = reading.mean_square, .bad_samples = reading.bad_samples};
}
Shown read_output(std::size_t o) {
  const dsp::RowMeter::Reading reading = output_meters[o].take();
  const dsp::Meter meter = chains.take_meter(o);
  return {.peak = reading.peak,
          .mean_square = reading.mean_square,
          .least_peak_gain = meter.least_peak_gain,
          .heat = meter.heat_mean_square};
}

/// The block interrupt: as long as this takes less than a block lasts, nothing is lost.
void on_block() {
  std::array<float*, kFeeds> in;
  std::array<const float*, kFeeds> from;
  std::array<float*, kOutputs> to;
  std::array<const float*, kOutputs> out;
  for (std::size_t f = 0; f < kFeeds; ++f) {
    in[f] = feeds[f].data();
    from[f] = in[f];
  }
  for (std::size_t o = 0; o < kOutputs; ++o) {
    to[o] = outputs[o].data();
    out[o] = to[o];
  }
  firmware::samples_of_slots(words_in, {0, kFeeds}, kJustified, in, kFrames);
  for (std::size_t f = 0; f < kFeeds; ++f) feed_meters[f].process(feeds[f]);
  chains.process(from, to, kFrames);
  for (std::size_t o = 0; o < kOutputs; ++o) output_meters[o].process(outputs[o]);
  firmware::slots_of_samples(out, {0, kOutputs}, kJustified, words_out, kFrames);
  if (next_block_is_due) was_late = true;
  if (was_late) words_out.fill(0);  // relays take some milliseconds to open
  if (!chains.begins())
    has_begun = true;  // with one chain it begins again, muted, after a change: no need to open them
  relays_closed = has_begun && !was_late;
  watchdog_fed = true;
}

/// The greatest magnitude that output `o` may have while `a` moves over to `b`, or where both are one.
float most(const dsp::Preset& a, const dsp::Preset& b, std::size_t o) {
  const dsp::PeakLimiterSettings &of_a = a.chain.outputs[o].peak, &of_b = b.chain.outputs[o].peak;
  if (!of_a.enabled || !of_b.enabled) return 1.0f;
  return of_a.ceiling > of_b.ceiling ? of_a.ceiling : of_b.ceiling;
}

/// Runs `blocks` with a square wave at full scale in place of the converters, a low one under a high one. False where a
/// code passed what it may be.
std::uint32_t blocks_run = 0;
bool runs(std::uint32_t blocks, const dsp::Preset& before, const dsp::Preset& now) {
  for (std::uint32_t block = 0; block < blocks; ++block, ++blocks_run) {
    for (std::size_t n = 0; n < words_in.size(); ++n) {
      const std::size_t frame = blocks_run * kFrames + n / kFeeds;
      const bool up = ((frame / 400) % 2 == 0) == ((frame / 7) % 2 == 0);
      words_in[n] = firmware::word_of(up ? 1.0f : -1.0f, kJustified);
    }
    on_block();
    for (std::size_t n = 0; n < words_out.size(); ++n) {
      const float sample = firmware::sample_of(words_out[n], kJustified);
      const float size = sample < 0.0f ? -sample : sample;
      if (size > most(before, now, n % kOutputs)) return false;
    }
  }
  return true;
}
bool loud() {
  bool any = false;
  for (std::size_t o = 0; o < kOutputs; ++o) any = read_output(o).peak > 0.0f || any;
  return any;
}
/// Not where the rig file mutes all of it.
bool is_heard(const dsp::Preset& preset) {
  bool any = false;
  for (const dsp::OutputSettings& out : preset.chain.outputs) any = any || !out.muted;
  return any;
}

constexpr std::uint32_t kSecond = kPlan.sample_rate_hz / static_cast<std::uint32_t>(kFrames) + 1;
constexpr std::uint32_t kRamp = 2 * dsp::kGridFrames / static_cast<std::uint32_t>(kFrames) + 1;  ///< blocks of a mute's
/// Until `before` has moved over to `now`, and for a second of `now`. What main returns where that fails, or 0.
int plays(const dsp::Preset& before, const dsp::Preset& now, dsp::Change said) {
  for (std::uint32_t tries = 0; chains.busy() || chains.begins(); ++tries) {
    if (said == dsp::Change::refused) return 5;
    if (tries > 100 * kSecond) return 9;
    if (!runs(1, before, now)) return 2;
    if (said == dsp::Change::not_yet) said = dsp::change(chains, now);  // once it is taken, another call asks anew
  }
  static_cast<void>(loud());  // what was heard before
  if (!runs(kSecond, now, now)) return 2;
  return loud() == is_heard(now) ? 0 : 3;
}
}  // namespace

int main() {
  // With the DMA stopped and the relays open. Anything but success: stay muted, and let the watchdog bite.
  for (const dsp::Preset& preset : kPresets)
    if (!chain_numbers::self_test(preset, memory)) return 4;
  if (dsp::configure(chains, kPlan, kPresets[kFirst], memory, dsp::Level::lanes_1) != dsp::Setup::ok) return 1;

  const dsp::Preset* now = &kPresets[kFirst];
  if (!runs(1, *now, *now)) return 2;
  if (relays_closed && chains.begins()) return 8;
  if (const int failed = plays(*now, *now, dsp::Change::taken); failed != 0) return failed;
  for (const dsp::Preset& next : kPresets) {
    const dsp::Change said = dsp::change(chains, next);
    if (next.group != kPresets[kFirst].group) {  // takes a stop
      if (said != dsp::Change::refused) return 5;
      continue;
    }
    if (said == dsp::Change::refused) return 5;
    if (const int failed = plays(*now, next, said); failed != 0) return failed;
    now = &next;
  }
  for (std::size_t o = 0; o < kOutputs; ++o) chains.mute(o, true);
  if (!runs(kRamp, *now, *now)) return 2;
  static_cast<void>(loud());
  if (!runs(kRamp, *now, *now)) return 2;
  if (loud()) return 6;
  for (std::size_t f = 0; f < kFeeds; ++f)
    if (read_feed(f).bad_samples != 0) return 7;
  // One late block: the relays open, and stay so.
  if (!relays_closed || !watchdog_fed) return 8;
  for (const bool late : {true, false}) {
    next_block_is_due = late;
    if (!runs(1, *now, *now)) return 2;
    if (relays_closed) return 8;
  }
  return 0;
}
